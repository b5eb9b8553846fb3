"""Pictures of a cell: they agree with the grading, are reproducible, and cope with missing data."""

import hashlib
import math
import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from pypdf import PdfReader

from grading.pictures import cell as pictures
from grading.pictures.plot_file import PlotError, save_plot
from grading.pictures.step import shown_response
from grading.results import CellDetail, CellInfo, CellResult, StepResponse


@pytest.fixture(scope="module")
def grading(samples):
    return samples.sample()


def cell_named(grading, serial):
    return next(c for c in grading.cells if c.info.cell == serial)


def labels(picture):
    """Legend entries of all axes of a picture."""
    return [text.get_text() for axes in picture.axes if axes.get_legend() for text in axes.get_legend().texts]


def words(picture):
    return [text.get_text() for axes in picture.axes for text in axes.texts]


def test_response_shows_points_line_curve_band_and_ceiling(grading):
    picture = pictures.panel(cell_named(grading, "OS-1140"), "response")
    assert set(labels(picture)) == {
        "rising",
        "falling",
        "line a handset assumes",
        "fitted curve",
        "95 % band of the curve",
    }
    assert "ceiling 72.5 mV" in words(picture)


def test_the_line_a_handset_assumes_goes_through_zero_and_the_calibration_point(grading):
    cell = cell_named(grading, "OS-1140")
    axes = pictures.panel(cell, "response").axes[0]
    line = next(a for a in axes.lines if a.get_label() == "line a handset assumes")
    (x0, x1), (y0, y1) = line.get_xdata(), line.get_ydata()
    calibration = next(s for s in cell.detail.steps if s.step == 1)
    assert (x0, y0) == (0, 0)
    assert y1 / x1 == pytest.approx(calibration.output_mv / calibration.po2_bar)


def test_a_straight_cell_has_no_ceiling(grading):
    assert not any("ceiling" in text for text in words(pictures.panel(grading.cells[0], "response")))


def test_rising_and_falling_differ_without_colour(grading):
    axes = pictures.panel(grading.cells[0], "response").axes[0]
    rising = next(a for a in axes.lines if a.get_label() == "rising")
    falling = next(a for a in axes.lines if a.get_label() == "falling")
    assert (rising.get_marker(), falling.get_marker()) == ("o", "v")
    assert falling.get_markerfacecolor() == "white"


def test_a_step_that_has_not_settled_is_marked(grading):
    cell = grading.cells[0]
    steps = tuple(replace(s, settled=s.step != 6) for s in cell.detail.steps)
    restless = replace(cell, detail=replace(cell.detail, steps=steps))
    assert "not settled" in labels(pictures.panel(restless, "response"))


def test_error_points_have_the_errors_and_bars_of_the_grading(grading):
    cell = cell_named(grading, "OS-1123")
    axes = pictures.panel(cell, "error").axes[0]
    drawn = {}
    for container in axes.containers:
        line, _, (bars,) = container
        heights = [segment[1][1] - segment[0][1] for segment in bars.get_segments()]
        drawn[container.get_label()] = list(zip(line.get_ydata(), heights, strict=True))
    for word, direction in (("rising", "up"), ("falling", "down")):
        steps = [s for s in cell.detail.steps if s.direction == direction and s.indication_error_percent]
        expected = [(s.indication_error_percent, 2 * s.expanded_uncertainty_percent) for s in steps]
        assert [e for e, _ in drawn[word]] == pytest.approx([e for e, _ in expected])
        assert [u for _, u in drawn[word]] == pytest.approx([u for _, u in expected])


def test_limits_are_named_in_words_and_two_greys(grading):
    picture = pictures.panel(cell_named(grading, "OS-1140"), "error")
    assert {"pass", "watch", "reject"} <= set(words(picture))
    greys = {tuple(c.get_facecolor()[0]) for c in picture.axes[0].collections if len(c.get_facecolor())}
    levels = sorted(level[0] for level in greys if level[0] == level[1] == level[2])
    assert len({round(level, 3) for level in levels if level > 0.5}) == 2
    assert max(levels) - min(x for x in levels if x > 0.5) > 0.08


def test_linear_range_is_drawn_where_it_ends(grading):
    assert "linear up to 1.57 bar" in words(pictures.panel(cell_named(grading, "OS-1140"), "error"))
    assert not any("linear up to" in text for text in words(pictures.panel(grading.cells[0], "error")))


def test_step_response_shows_t90_and_model(grading):
    texts = words(pictures.panel(cell_named(grading, "TB-0402"), "step"))
    assert texts == ["T90 9.90 s\none pole"] * 2


def test_the_step_with_the_largest_change_is_shown(grading):
    cell = grading.cells[0]
    small = replace(
        cell.detail.responses[0], step=9, po2_bar=tuple(0.1 * p for p in cell.detail.responses[0].po2_bar)
    )
    many = replace(cell, detail=replace(cell.detail, responses=(small, *cell.detail.responses)))
    assert shown_response(many, "up") == cell.detail.responses[0]


def empty(detail):
    return CellResult(CellInfo("X-1"), "ungraded", ("nothing",), (), (), detail)


BARE = empty(CellDetail())
NO_T90 = empty(
    CellDetail(
        responses=(
            StepResponse("up", 2, "", None, None, reason="the ramp is too slow for this cell"),
            StepResponse("down", 3, "", None, None, t_s=(0.0, 1.0), po2_bar=(1.0, 1.0), output_mv=(5.0, 5.0)),
        )
    )
)


@pytest.mark.parametrize("cell", [BARE, NO_T90], ids=["nothing", "no-t90"])
@pytest.mark.parametrize("kind", pictures.KINDS)
def test_what_is_missing_says_not_tested(cell, kind):
    assert "not tested" in words(pictures.panel(cell, kind))
    assert "not tested" in pictures.alt_text(cell, kind)
    assert pictures.cell_svg(cell, kind).startswith(b"<?xml")


def test_the_reason_for_no_t90_is_reported():
    assert "the ramp is too slow for this cell" in words(pictures.panel(NO_T90, "step"))


def test_steps_that_are_not_numbers_are_left_out(grading):
    cell = grading.cells[0]
    steps = tuple(replace(s, output_mv=math.nan) if s.step == 3 else s for s in cell.detail.steps)
    broken = replace(cell, detail=replace(cell.detail, steps=steps))
    axes = pictures.panel(broken, "response").axes[0]
    rising = next(a for a in axes.lines if a.get_label() == "rising")
    assert len(rising.get_xdata()) == 6


def test_alt_text_says_what_the_picture_says(grading):
    cell = cell_named(grading, "OS-1140")
    assert "ceiling at 72.5 mV" in pictures.alt_text(cell, "response")
    assert "−24.7 % at 2.00 bar" in pictures.alt_text(cell, "error")
    assert "rising: T90 4.6 s" in pictures.alt_text(cell, "step")


def test_svg_is_the_same_every_time_and_carries_its_words(grading):
    first = pictures.cell_svg(grading.cells[0], "response")
    assert first == pictures.cell_svg(grading.cells[0], "response")
    assert b"Response of TB-0417" in first
    assert b"line a handset assumes" in first  # the alternative text
    assert not re.search(rb"<text[ >]", first)  # letters are outlines
    assert b"<dc:date>" not in first


def test_svg_is_the_same_in_another_process_zone_and_style(samples, tmp_path):
    """Hash seed, time zone and a user's own matplotlibrc change nothing."""
    (tmp_path / "matplotlibrc").write_text("font.size: 20\naxes.facecolor: yellow\n")
    code = (
        "import hashlib, sys; sys.path.insert(0, sys.argv[1]); import sample_grading;"
        "from grading.pictures.cell import cell_svg;"
        "c = sample_grading.sample().cells[2];"
        "print(hashlib.sha256(cell_svg(c, 'error')).hexdigest())"
    )
    environment = os.environ | {
        "PYTHONHASHSEED": "7",
        "TZ": "Pacific/Auckland",
        "MATPLOTLIBRC": str(tmp_path),
    }
    folder = str(Path(__file__).parent)
    there = subprocess.run(
        [sys.executable, "-c", code, folder], env=environment, capture_output=True, text=True, check=True
    )
    here = hashlib.sha256(pictures.cell_svg(samples.sample().cells[2], "error")).hexdigest()
    assert there.stdout.strip() == here


@pytest.mark.parametrize(("suffix", "start"), [(".svg", b"<?xml"), (".png", b"\x89PNG"), (".pdf", b"%PDF")])
def test_save_plot_of_one_cell(grading, tmp_path, suffix, start):
    path = tmp_path / f"plot{suffix}"
    save_plot(grading, path, "OS-1123")
    assert path.read_bytes().startswith(start)
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_save_plot_of_all_cells_gives_a_pdf_page_each(grading, tmp_path):
    save_plot(grading, tmp_path / "all.pdf")
    pages = PdfReader(tmp_path / "all.pdf").pages
    assert len(pages) == len(grading.cells)
    assert "OS-1140" in pages[3].extract_text()


@pytest.mark.parametrize(
    ("name", "cell", "reported"),
    [
        ("plot.jpg", None, "end the name in .svg, .png or .pdf"),
        ("plot.svg", "XX-1", "no cell 'XX-1'"),
        ("no/such/folder/plot.svg", "TB-0417", "cannot write (No such file or directory)"),
    ],
)
def test_save_plot_refuses_in_one_line(grading, tmp_path, name, cell, reported):
    with pytest.raises(PlotError, match=re.escape(reported)) as error:
        save_plot(grading, tmp_path / name, cell)
    assert "\n" not in str(error.value)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("serial", ["a$b$c_{", "潜水", "x\ud800\0y"], ids=["math", "no glyph", "hidden"])
@pytest.mark.parametrize("suffix", [".svg", ".png", ".pdf"])
def test_any_serial_can_be_drawn(grading, tmp_path, serial, suffix):
    cell = replace(grading.cells[0], info=replace(grading.cells[0].info, cell=serial))
    path = tmp_path / f"plot{suffix}"
    save_plot(replace(grading, cells=(cell,)), path, serial)
    assert path.stat().st_size > 1000


def test_a_lot_needs_a_pdf(samples, tmp_path):
    with pytest.raises(PlotError, match=r"96 cells do not fit one \.png picture"):
        save_plot(samples.many(96), tmp_path / "lot.png")
