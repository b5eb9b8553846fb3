"""Certificates, labels and the summary of a run, written to a folder."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date
from pathlib import Path

from grading.papers.content import certificate_content, labels_content, summary_content
from grading.papers.identity import Identity, code_svg, identify, safe_name
from grading.papers.print_pdf import CertificateError, Paper, print_pdf
from grading.papers.spark import spark_svg
from grading.pictures.cell import Kind, cell_svg
from grading.results import CellResult, Grading
from rig_configs.files.whole_file import write_whole


def write_certificates(
    folder: Path,
    grading: Grading,
    cells: Collection[str] | None = None,
    *,
    issued: date | None = None,
    font_folders: Sequence[Path] = (),
) -> list[Path]:
    """Write one PDF a cell, and `summary.pdf` when all cells are asked for.

    Every file is written whole or not at all. Its name contains the serial and the paper's number, so that an
    issued certificate is never overwritten by one with another content.

    Args:
        folder: target; made when missing.
        grading: the run to certify.
        cells: serials; None for all of them and the summary.
        issued: day of issue; None for the day on which the run ended, which makes the same results give the
            same bytes.
        font_folders: fonts for scripts that DejaVu lacks.

    Returns:
        The files written, certificates in the order of the cells, the summary last.

    Raises:
        CertificateError: unknown serial, nothing to certify, a folder that cannot be written.
    """
    chosen = _choose(grading, cells)
    _make(folder)
    written = []
    for place, cell in chosen:
        paper = certificate(grading, cell, place, issued)
        name = f"{safe_name(cell.info.cell)}_{paper.number}.pdf"
        written.append(_write(folder / name, print_pdf(paper, font_folders=font_folders)))
    if cells is None:
        paper = summary(grading, issued)
        written.append(_write(folder / "summary.pdf", print_pdf(paper, font_folders=font_folders)))
    return written


def write_labels(
    folder: Path,
    grading: Grading,
    cells: Collection[str] | None = None,
    *,
    issued: date | None = None,
    font_folders: Sequence[Path] = (),
) -> Path:
    """Write `labels.pdf`: one sticker of 62 x 29 mm a cell, with the code of its certificate.

    Arguments and errors as for `write_certificates`.
    """
    chosen = _choose(grading, cells)
    _make(folder)
    return _write(
        folder / "labels.pdf", print_pdf(labels(grading, chosen, issued), font_folders=font_folders)
    )


def certificate(grading: Grading, cell: CellResult, place: int, issued: date | None = None) -> Paper:
    """One cell's certificate, ready to print.

    Args:
        grading: the run.
        cell: one of its cells.
        place: which one, from 1; a part of the number.
        issued: see `write_certificates`.
    """
    identity = _identity(grading, cell, place)
    content = certificate_content(grading, cell, identity, issued)
    files = {"results.json": identity.data, "code.svg": code_svg(content["code"])}
    kinds: list[Kind] = list(content["plots"])
    if content["step-plot"] is not None:
        kinds.append("step")
    files |= {f"{kind}.svg": cell_svg(cell, kind) for kind in kinds}
    return Paper("certificate.typ", content, files)


def summary(grading: Grading, issued: date | None = None) -> Paper:
    """All cells of a run on one paper, ready to print."""
    identity = identify(grading, grading.cells, "SUM")
    content = summary_content(grading, grading.cells, identity, issued)
    files = {"results.json": identity.data}
    for cell, row in zip(grading.cells, content["cells"], strict=True):
        if row["spark"] is not None:
            files[row["spark"]["file"]] = spark_svg(cell)
    return Paper("summary.typ", content, files)


def labels(grading: Grading, cells: Sequence[tuple[int, CellResult]], issued: date | None = None) -> Paper:
    """The stickers of these cells (place in the run from 1, cell), ready to print."""
    identified = [(cell, _identity(grading, cell, place)) for place, cell in cells]
    content = labels_content(grading, identified, issued)
    return Paper(
        "labels.typ", content, {row["code-file"]: code_svg(row["code"]) for row in content["labels"]}
    )


def _identity(grading: Grading, cell: CellResult, place: int) -> Identity:
    return identify(grading, (cell,), f"{place:02d}")


def _choose(grading: Grading, cells: Collection[str] | None) -> list[tuple[int, CellResult]]:
    if not grading.cells:
        raise CertificateError(f"{grading.source}: no cell to certify")
    known = {cell.info.cell for cell in grading.cells}
    for serial in cells or ():
        if serial not in known:
            raise CertificateError(
                f"{grading.source}: no cell '{serial}'; cells here: {', '.join(sorted(known))}"
            )
    return [
        (place, cell)
        for place, cell in enumerate(grading.cells, start=1)
        if cells is None or cell.info.cell in cells
    ]


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CertificateError(f"{folder}: cannot make the folder ({error.strerror or error})") from None


def _write(path: Path, data: bytes) -> Path:
    try:
        write_whole(path, data)
    except OSError as error:
        raise CertificateError(f"{path}: cannot write ({error.strerror})") from None
    return path
