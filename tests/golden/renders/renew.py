"""Draw the pictures that the README shows, out of the made-up grading of the tests.

    python tests/golden/renders/renew.py

writes them beside this file; look at every one before it is committed. `tests/grading/test_renders.py` holds
the files to what the program draws.
"""

from __future__ import annotations

import io
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[1] / "grading"))

PIXELS_PER_INCH = 96.0
SHOWN = "OS-1123"


def renders() -> dict[str, bytes]:
    """Every golden picture by its file name: one cell's plots, both sides of its certificate, a summary."""
    import sample_grading

    from grading.certificate import papers
    from grading.figures import save_plot

    grading = sample_grading.sample()
    place, cell = next((n, c) for n, c in enumerate(grading.cells, start=1) if c.info.cell == SHOWN)
    with tempfile.TemporaryDirectory() as folder:
        plot = Path(folder) / "cell.svg"
        save_plot(grading, plot, SHOWN)
        drawn = {plot.name: plot.read_bytes()}
    for number, page in enumerate(pages(papers.certificate(grading, cell, place)), start=1):
        drawn[f"certificate_{number}.png"] = page
    (summary,) = pages(papers.summary(grading))
    return drawn | {"summary.png": summary}


def pages(paper) -> list[bytes]:
    """A paper's pages as PNG."""
    import typst

    from grading.certificate.press import fonts

    printed = typst.compile(
        paper.sources(), font_paths=fonts(), ignore_system_fonts=True, format="png", ppi=PIXELS_PER_INCH
    )
    return [slim(page) for page in (printed if isinstance(printed, list) else [printed])]


def slim(png: bytes) -> bytes:
    """The same picture with 48 colours, which is all that a page of ink and greys needs."""
    from PIL import Image

    buffer = io.BytesIO()
    Image.open(io.BytesIO(png)).convert("RGB").quantize(48).save(buffer, format="png", optimize=True)
    return buffer.getvalue()


if __name__ == "__main__":
    for name, data in renders().items():
        (HERE / name).write_bytes(data)
        print(f"{HERE / name}: {len(data)} bytes")
