"""The pictures in README are what the program draws."""

import importlib.util
import io
from pathlib import Path

import numpy as np
import pytest
import typst
from PIL import Image

GOLDEN = Path(__file__).parents[1] / "golden" / "renders"


@pytest.fixture(scope="module")
def drawn():
    spec = importlib.util.spec_from_file_location("renew_renders", GOLDEN / "renew.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.renders()


def grey(name, data):
    """A picture as an array of grey levels; an SVG goes through typst first."""
    if name.endswith(".svg"):
        page = b'#set page(width: auto, height: auto, margin: 0pt)\n#image("picture.svg", width: 264mm)'
        data = typst.compile({"main": page, "picture.svg": data}, format="png", ppi=96)
    return np.asarray(Image.open(io.BytesIO(data)).convert("L"), dtype=float)


@pytest.mark.parametrize("name", ["cell.svg", "certificate_1.png", "certificate_2.png", "summary.png"])
def test_golden_picture_is_true(drawn, name):
    """Compared as pixels, since another version of a library may write the same picture in other bytes."""
    new, old = grey(name, drawn[name]), grey(name, (GOLDEN / name).read_bytes())
    assert new.shape == old.shape
    changed = float(np.mean(np.abs(new - old) > 64))
    assert changed < 0.002, f"{name} has changed; run {GOLDEN / 'renew.py'}, look at it, commit it"


def test_no_golden_picture_is_forgotten(drawn):
    kept = {path.name for path in GOLDEN.iterdir() if path.suffix in {".svg", ".png"}}
    assert kept == set(drawn)
