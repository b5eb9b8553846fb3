"""Draw the pictures of the README from `results.json` beside this file.

    python tests/golden/renders/renew.py [RECORD]

With the folder of a graded record, `results.json` is first copied from there, reduced to what the pictures
need. Look at every picture before it is committed; `tests/grading/test_renders.py` compares the files with
what the program draws.
"""

from __future__ import annotations

import io
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

HERE = Path(__file__).parent
PIXELS_PER_INCH = 96.0
SHOWN = "OS-1090"


def renders() -> dict[str, bytes]:
    """Every golden picture by its file name: one cell's plots, both sides of its certificate, a summary."""
    from grading.document import read_results
    from grading.papers import write
    from grading.pictures.plot_file import save_plot

    grading = read_results(HERE)
    place, cell = next((n, c) for n, c in enumerate(grading.cells, start=1) if c.info.cell == SHOWN)
    with tempfile.TemporaryDirectory() as folder:
        plot = Path(folder) / "cell.svg"
        save_plot(grading, plot, SHOWN)
        drawn = {plot.name: plot.read_bytes()}
    for number, page in enumerate(pages(write.certificate(grading, cell, place)), start=1):
        drawn[f"certificate_{number}.png"] = page
    (summary,) = pages(write.summary(grading))
    return drawn | {"summary.png": summary}


def pages(paper) -> list[bytes]:
    """A paper's pages as PNG."""
    import typst

    from grading.papers.print_pdf import fonts

    printed = typst.compile(
        paper.sources(), font_paths=fonts(), ignore_system_fonts=True, format="png", ppi=PIXELS_PER_INCH
    )
    return [slim(page) for page in (printed if isinstance(printed, list) else [printed])]


def slim(png: bytes) -> bytes:
    """The same picture with 48 colours, chosen so that the one rare colour keeps its hue among the greys."""
    from PIL import Image

    buffer = io.BytesIO()
    Image.open(io.BytesIO(png)).convert("RGB").quantize(48, method=Image.Quantize.MAXCOVERAGE).save(
        buffer, format="png", optimize=True
    )
    return buffer.getvalue()


def take_over(record: Path) -> None:
    """Keep the part of a record's results for the pictures: traces and curve of one cell, seven digits."""
    import json

    from grading.document import read_results, to_json

    grading = read_results(record)
    cells = [
        cell
        if cell.info.cell == SHOWN
        else replace(cell, detail=replace(cell.detail, responses=(), curve=None))
        for cell in grading.cells
    ]
    data = rounded(to_json(replace(grading, source=record.name, cells=tuple(cells))))
    (HERE / "results.json").write_text(json.dumps(data, ensure_ascii=False) + "\n", encoding="utf-8")


def rounded(data):
    """JSON data with its numbers cut to seven digits."""
    if isinstance(data, float):
        return float(f"{data:.7g}")
    if isinstance(data, dict):
        return {key: rounded(value) for key, value in data.items()}
    return [rounded(value) for value in data] if isinstance(data, list) else data


if __name__ == "__main__":
    if len(sys.argv) > 1:
        take_over(Path(sys.argv[1]))
    for name, picture in renders().items():
        (HERE / name).write_bytes(picture)
        print(f"{HERE / name}: {len(picture)} bytes")
