"""Certificates: content, page layout, and names that must not break one."""

import datetime as dt
import hashlib
import io
import json
import logging
import os
import re
import subprocess
import sys
import unicodedata
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
import typst
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from pypdf import PdfReader

from grading import cautions, wording
from grading.document import from_json
from grading.papers import CertificateError, write, write_certificates, write_labels
from grading.papers.identity import code_svg, code_text, identify, safe_name
from grading.papers.print_pdf import fonts, print_pdf
from grading.papers.printable import BREAK, printable
from grading.papers.rows import evidence, sentence
from grading.results import CellDetail, InstrumentLine, RunConditions


@pytest.fixture(scope="module")
def grading(samples):
    return samples.sample()


@pytest.fixture(scope="module")
def printed(grading, tmp_path_factory):
    """The whole run on paper."""
    folder = tmp_path_factory.mktemp("papers") / "certificates"
    return write_certificates(folder, grading)


@lru_cache(maxsize=32)
def text_of(pdf):
    """All words of a PDF; invisible break points and line ends taken out."""
    pages = [page.extract_text() for page in PdfReader(pdf).pages]
    return re.sub(r"\s+", " ", unicodedata.normalize("NFKC", " ".join(pages)).replace(BREAK, ""))


def xmp_of(reader):
    return reader.trailer["/Root"]["/Metadata"].get_object().get_data().decode()


def only(grading, serial, **changes):
    """The grading with one of its cells, and that cell changed."""
    cell = next(c for c in grading.cells if c.info.cell == serial)
    return replace(grading, cells=(replace(cell, **changes),))


def renamed(grading, serial="TB-0417", **info):
    cell = next(c for c in grading.cells if c.info.cell == serial)
    return only(grading, serial, info=replace(cell.info, **info))


def pdf_of(grading, place=1, **options):
    return io.BytesIO(print_pdf(write.certificate(grading, grading.cells[0], place), **options))


def test_one_pdf_a_cell_and_a_summary(grading, printed):
    assert [p.name.split("_")[0] for p in printed] == [*(c.info.cell for c in grading.cells), "summary.pdf"]
    assert sorted(p.name for p in printed[0].parent.iterdir()) == sorted(p.name for p in printed)


def test_every_certificate_carries_what_a_report_must(grading, printed):
    """ISO/IEC 17025:2017, 7.8.2.1 and 7.8.6, as read in a page that reproduces the clauses."""
    for cell, path in zip(grading.cells, printed[:-1], strict=True):
        text = text_of(path)
        number = path.stem.split("_")[1]
        conditions = grading.conditions
        for must in (
            "Test certificate",
            conditions.place,
            f"No. {number}",
            "page 1 of 2",
            "page 2 of 2",
            "End of certificate",
            cell.info.customer,
            "full, version 1",
            conditions.procedure_sha256[:16],
            cell.info.cell,
            cell.info.maker,
            cell.info.date_code,
            cell.info.condition,
            "Tested 2026-03-02",
            "Issued 2026-03-02",
            "Authorised by (name)",
            "Signature",
            "The results relate only to the items tested",
            "Decision rule",
            "Its risk",
            "guarded acceptance, JCGM 106",
            "U is the expanded uncertainty at about 95 %",
            grading.limits_sha256,
            conditions.record_sha256,
            conditions.record_id,
            f"leadline {grading.software_version}",
            "1.0124 bar",
            "21.2 to 21.9 °C",
            "7 swings 1.05 to 2.00 bar",
            "0.14 ± 0.21 mbar/min",
            "Missing readings 3",
            "Room oxygen was not monitored.",
        ):
            assert must in text, f"{cell.info.cell}: {must!r} is missing"
        assert wording.grade_text(cell.grade) in text
        for reason in (*cell.reasons, *cell.diagnosis):
            assert reason.replace(" -", " −").replace("(-", "(−") in text


def test_every_figure_is_printed_with_its_uncertainty_limits_and_probability(grading, printed):
    cell, text = grading.cells[3], text_of(printed[3])
    for figure in cell.figures:
        row = " ".join(
            part
            for part in (
                wording.figure_name(figure) + (" *" if figure.required else ""),
                wording.figure_value(figure),
                f"± {wording.figure_uncertainty(figure)}" if figure.value is not None else "",
                figure.unit,
                "2.02" if figure.value is not None else "",
                wording.pass_limits(figure),
                wording.reject_limits(figure),
                f"{wording.GRADE_MARK[figure.grade]} {figure.grade}",
                wording.probability(figure.probability_of_conformity),
            )
            if part
        )
        assert row in text
    assert "-" not in {value[0] for value in re.findall(r"[-−]\d+\.\d+ ±", text)}, "a hyphen for a minus"


def test_what_a_display_would_show_and_what_the_truth_would_be(grading, printed):
    text = text_of(printed[3])
    assert "a handset shows 1.50 where the truth is 1.60 bar, and 1.51 where it is 2.00 bar." in text
    assert "Handset shows 1.20 1.39 1.50 1.51 1.51" in text
    assert "True PO2, bar 1.20 1.30 1.41 1.63" in text


def test_a_statement_that_the_small_tables_lack_is_printed(grading):
    cell = grading.cells[0]
    said = (*cell.detail.statements, "It never shows 1.30: the most it shows is 1.21.")
    text = text_of(pdf_of(only(grading, "TB-0417", detail=replace(cell.detail, statements=said))))
    assert "It never shows 1.30: the most it shows is 1.21." in text
    assert "When it shows" not in text
    without = text_of(pdf_of(only(grading, "TB-0417", detail=replace(cell.detail, statements=()))))
    assert "at PO2 1.00 bar, a handset shows 1.60 where the truth is 1.60 bar." in without


def test_every_step_is_in_the_evidence(grading, printed):
    text = text_of(printed[0])
    for step in grading.cells[0].detail.steps:
        assert f"{wording.number(step.output_mv, 3)} ± {wording.number(2 * step.u_output_mv, 3)}" in text


def test_instruments_overdue_or_without_evidence_are_reported(printed):
    text = text_of(printed[0])
    assert "TW-8-0031 Tideway Works TW-8 firmware 1.2 2026-02-10 2027-02-10 gain 0.02 %" in text
    assert "2026-01-18 OVERDUE" in text
    assert "Calibration overdue on the day of the test: gauge_b." in text
    assert "No evidence of calibration was given for: barometer." in text
    assert "Traceability of the figures that depend on barometer is not shown." in text


CALIBRATED = {"calibrated": "2026-02-10", "due": "2027-02-10"}


def evidence_of(*lines):
    return " ".join(evidence(RunConditions(instruments=lines)))


def test_an_instrument_that_no_figure_depends_on_takes_no_traceability_away():
    gauge = InstrumentLine("gauge_a", "gauge", **CALIBRATED)
    room = InstrumentLine("room", "room_oxygen")
    second = InstrumentLine("gauge_b", "second_gauge", overdue=True, **CALIBRATED)
    said = evidence_of(gauge, second, room)
    assert "Calibration overdue on the day of the test: gauge_b." in said
    assert "No evidence of calibration was given for: room." in said
    assert "raceability" not in said
    assert "Every instrument that a figure depends on was within its calibration date" in said


@pytest.mark.parametrize("role", ["voltmeter", "gauge", "barometer", "thermometer", "role_of_tomorrow"])
def test_without_a_calibration_that_a_figure_depends_on_traceability_is_not_shown(role):
    said = evidence_of(InstrumentLine("unit", role), InstrumentLine("room", "room_oxygen"))
    assert "Traceability of the figures that depend on unit is not shown." in said


def test_with_every_calibration_in_date_the_paper_says_so():
    valves = InstrumentLine("valves", "valves")
    said = evidence_of(InstrumentLine("gauge_a", "gauge", **CALIBRATED), valves)
    assert said == "Every measuring instrument was within its calibration date, as the bench file states."


def test_a_table_without_instruments_says_so(samples):
    text = text_of(pdf_of(samples.pen_and_paper()))
    assert "The source names no instruments: there is no evidence of their calibration" in text
    assert "stated default instrument set" in text


def test_cautions_stand_on_every_paper(printed):
    for path in printed:
        text = text_of(path)
        for caution in cautions.PAPER:
            assert caution in text


def test_only_a_rejected_cell_is_sent_to_hazardous_waste(grading, printed):
    for cell, path in zip(grading.cells, printed[:-1], strict=True):
        assert (cautions.REJECT_WASTE in text_of(path)) == (cell.grade == "reject")


def test_no_accreditation_is_suggested(printed):
    text = text_of(printed[0])
    assert "No accreditation is claimed." in text
    assert "safe to dive" not in text


def test_figures_not_tested_print_their_reason(samples):
    text = text_of(pdf_of(samples.pen_and_paper()))
    assert "Hysteresis not tested: the table has no such reading" in text


def test_an_undetermined_uncertainty_is_printed_as_such(grading):
    cell = grading.cells[0]
    figures = (replace(cell.figures[0], expanded_uncertainty=None), *cell.figures[1:])
    text = text_of(pdf_of(only(grading, "TB-0417", figures=figures)))
    assert "Output in air, at PO2 0.2095 bar 10.55 undetermined mV" in text


def test_an_interrupted_run_is_ungraded_in_words_and_grades_nothing(samples):
    text = text_of(pdf_of(samples.interrupted()))
    assert "Test report: not graded" in text
    assert "○ UNGRADED" in text
    assert "The run was interrupted in the hold at 1.6 bar: the record has no end." in text
    assert cautions.UNGRADED in text
    assert "End of report" in text
    for verdict in ("PASS", "✔", "Conforms", "a handset shows", "Decision rule"):
        assert verdict not in text


def test_an_ungraded_cell_keeps_its_measured_figures_but_no_verdict_on_them(samples, grading):
    """As when the one required step is missing: only the measured values are shown."""
    chosen = only(grading, "OS-1140", grade="ungraded", reasons=("No step at 1.6 bar or above.",))
    text = text_of(pdf_of(chosen))
    assert "What was measured, not graded" in text
    assert "Output in oxygen, at PO2 1.0 bar * 48.13 ± 0.21 mV 2.02 Indication error at 1.2 bar" in text
    for verdict in ("✔", "✖", "beyond ±5", "within ±2.5", "Conforms", "a handset shows"):
        assert verdict not in text
    row = text_of(io.BytesIO(print_pdf(write.summary(chosen))))
    assert "48.13" not in row
    assert "○ UNGRADED 1" in row


@pytest.mark.parametrize(
    ("name", "pages"),
    [("ungraded without steps", 1), ("pass", 2), ("reject", 2), ("sixty steps", 3), ("many reasons", 3)],
)
def test_pages(samples, grading, name, pages):
    cell = grading.cells[0]
    if name == "ungraded without steps":
        whole = samples.interrupted()
        chosen = only(whole, "TB-0417", detail=replace(whole.cells[0].detail, steps=()))
    elif name == "sixty steps":
        steps = tuple(replace(s, step=n) for n, s in enumerate(cell.detail.steps * 5))
        chosen = only(grading, "TB-0417", detail=replace(cell.detail, steps=steps))
    elif name == "many reasons":
        long = "This sentence is here to make a long list of reasons longer than a front page can hold. "
        chosen = only(grading, "TB-0417", reasons=(3 * long,) * 14)
    else:
        chosen = only(grading, {"pass": "TB-0417", "reject": "OS-1140"}[name])
    reader = PdfReader(pdf_of(chosen))
    assert len(reader.pages) == pages
    for number, page in enumerate(reader.pages, start=1):
        assert f"page {number} of {pages}" in page.extract_text()
        assert chosen.cells[0].info.cell in page.extract_text()


def test_a_table_over_two_pages_repeats_its_head(grading):
    cell = grading.cells[0]
    steps = tuple(replace(s, step=1000 + n) for n, s in enumerate(cell.detail.steps * 8))
    chosen = only(grading, "TB-0417", detail=replace(cell.detail, steps=steps))
    texts = [page.extract_text() for page in PdfReader(pdf_of(chosen)).pages]
    with_rows = [n for n, text in enumerate(texts) if re.search(r"\b10\d\d oxygen", text)]
    with_head = [n for n, text in enumerate(texts) if "Pressure, bar" in text]
    assert with_head == with_rows
    assert len(with_rows) >= 2


def test_nothing_of_a_long_answer_is_lost(grading):
    chosen = only(grading, "TB-0417", reasons=tuple(f"Reason number {n} of many." for n in range(200)))
    text = text_of(pdf_of(chosen))
    assert all(f"Reason number {n} of many." in text for n in range(200))


def test_many_steps_are_thinned_to_what_a_line_holds(grading):
    cell = grading.cells[0]
    rising = [s for s in cell.detail.steps if s.direction == "up" and s.indication_error_percent is not None]
    fine = tuple(
        replace(rising[0], step=n, nominal_po2_bar=1.1 + n / 20, po2_bar=1.1 + n / 20) for n in range(19)
    )
    text = text_of(pdf_of(only(grading, "TB-0417", detail=replace(cell.detail, steps=fine * 2))))
    assert "True PO2, bar 1.10 1.25 1.40 1.55 1.70 1.85 2.00" in text


@pytest.mark.parametrize("make", ["sample", "interrupted", "pen_and_paper"])
def test_the_typesetter_has_nothing_to_complain_of(samples, make):
    """A layout that does not converge would number pages wrongly; typst only warns of it."""
    grading = getattr(samples, make)()
    made = [write.certificate(grading, cell, n) for n, cell in enumerate(grading.cells, start=1)]
    for paper in (*made, write.summary(grading)):
        _, warnings = typst.compile_with_warnings(
            paper.sources(), font_paths=fonts(), ignore_system_fonts=True, timestamp=0
        )
        assert [str(w) for w in warnings] == []


def test_the_answer_is_on_the_front_and_signed_there(printed):
    front = PdfReader(printed[3]).pages[0].extract_text()
    assert "REJECT" in front
    assert "Authorised by (name)" in front
    assert "Figures" in front
    assert "Instruments" not in front


def test_summary_has_every_cell_counts_and_one_page_for_six(grading, printed):
    reader = PdfReader(printed[-1])
    assert len(reader.pages) == 1
    text = text_of(printed[-1])
    for mark in ("✔ PASS 1", "▲ WATCH 2", "✖ REJECT 3", "○ UNGRADED 0"):
        assert mark in text
    for cell in grading.cells:
        assert cell.info.cell in text
        assert cell.reasons[0][:30].replace("-", "−") in text.replace("-", "−")
    assert "−6.48 ± 0.34" in text
    assert cautions.REJECT_WASTE_LOT in text


def test_a_lot_of_96_flows_over_pages_with_repeated_heads(samples):
    grading = samples.many(96)
    reader = PdfReader(io.BytesIO(print_pdf(write.summary(grading))))
    assert 4 <= len(reader.pages) <= 6
    text = " ".join(page.extract_text() for page in reader.pages)
    assert all(f"TB-{2000 + n}" in text for n in range(96))
    heads = [p for p in reader.pages if "Main reason" in p.extract_text()]
    assert len(heads) >= 4


def test_the_attached_results_are_the_grading_and_match_the_printed_digest(grading, printed):
    for cell, path in zip(grading.cells, printed[:-1], strict=True):
        (data,) = PdfReader(path).attachments["results.json"]
        assert hashlib.sha256(data).hexdigest() in text_of(path)
        back = from_json(json.loads(data))
        (again,) = back.cells
        in_order = tuple(sorted(again.figures, key=cell.figures.index))
        assert replace(again, figures=in_order) == cell
        assert back.limits_sha256 == grading.limits_sha256


def test_papers_are_archival_tagged_and_have_only_our_fonts(printed):
    for path in printed:
        reader = PdfReader(path)
        root = reader.trailer["/Root"]
        assert root["/MarkInfo"]["/Marked"].value is True
        assert "/StructTreeRoot" in root
        assert root["/Lang"] == "en"
        xmp = xmp_of(reader)
        assert "<pdfaid:part>3</pdfaid:part>" in xmp
        assert "<pdfaid:conformance>A</pdfaid:conformance>" in xmp
        assert "<pdfuaid:part>1</pdfuaid:part>" in xmp
        used = {
            font["/BaseFont"].split("+")[-1]
            for page in reader.pages
            for font in (f.get_object() for f in page["/Resources"]["/Font"].values())
        }
        assert used <= {"DejaVuSans", "DejaVuSans-Bold", "DejaVuSansMono"}


def test_pictures_have_alternative_text(printed):
    raw = PdfReader(printed[3])
    texts = [
        str(obj.get("/Alt"))
        for obj in (raw.get_object(i) for i in range(1, len(raw.xref[0]) + 1))
        if isinstance(obj, dict) and "/Alt" in obj
    ]
    assert any("ceiling at 72.5" in text for text in texts)
    assert any(text.startswith("Step response") for text in texts)


def test_the_same_results_make_the_same_bytes(samples):
    for paper in (
        write.certificate(samples.sample(), samples.sample().cells[2], 3),
        write.summary(samples.sample()),
    ):
        assert print_pdf(paper) == print_pdf(paper)


def test_the_same_results_make_the_same_bytes_in_another_process(samples):
    code = (
        "import hashlib, sys; sys.path.insert(0, sys.argv[1]); import sample_grading;"
        "from grading.papers import print_pdf, write; g = sample_grading.sample();"
        "print(hashlib.sha256(print_pdf.print_pdf(write.certificate(g, g.cells[2], 3))).hexdigest())"
    )
    there = subprocess.run(
        [sys.executable, "-c", code, str(Path(__file__).parent)],
        env=os.environ | {"PYTHONHASHSEED": "11", "TZ": "America/Caracas", "LC_ALL": "C"},
        capture_output=True,
        text=True,
        check=True,
    )
    grading = samples.sample()
    here = print_pdf(write.certificate(grading, grading.cells[2], 3))
    assert there.stdout.strip() == hashlib.sha256(here).hexdigest()


def test_where_the_record_lies_changes_nothing(grading):
    moved = replace(grading, source="/somewhere/else/2026-03-02T101500Z-a1b2")
    assert identify(moved, moved.cells, "SUM") == identify(grading, grading.cells, "SUM")


def test_numbers_are_unique_and_change_with_the_results(grading):
    numbers = {identify(grading, (c,), f"{n:02d}").number for n, c in enumerate(grading.cells, start=1)}
    assert len(numbers) == len(grading.cells)
    assert all(number.startswith("20260302-A1B2-0") for number in numbers)
    regraded = replace(grading, limits_sha256="0" * 64)
    assert identify(regraded, regraded.cells[:1], "01").number not in numbers


def test_a_regrade_does_not_overwrite_the_certificate_that_was_issued(grading, tmp_path):
    before = write_certificates(tmp_path, grading, ["TB-0417"])
    after = write_certificates(tmp_path, replace(grading, limits_version="2"), ["TB-0417"])
    assert before != after
    assert all(path.exists() for path in before + after)


def test_day_of_issue_can_be_given(grading, tmp_path):
    (path,) = write_certificates(tmp_path, grading, ["TB-0417"], issued=dt.date(2026, 5, 4))
    assert "Issued 2026-05-04" in text_of(path)
    assert "Tested 2026-03-02" in text_of(path)


def test_the_code_holds_number_serial_grade_and_digest(grading):
    identity = identify(grading, grading.cells[:1], "01")
    text = code_text(identity, "TB-0417", "pass")
    scheme, number, serial, grade, digest = text.split(":")
    assert (scheme, number, serial, grade) == ("LL1", identity.number, "TB-0417", "P")
    assert len(digest) == 52
    assert re.fullmatch(r"[0-9A-Z %*+\-./:$]+", text), "not alphanumeric: the code would grow"
    assert code_svg(text).startswith(b"<svg")


@pytest.mark.parametrize("serial", ["a:b", "x" * 200, "潜水", "\ud800"])
def test_the_code_keeps_its_fields_whatever_the_serial(grading, serial):
    identity = identify(grading, grading.cells[:1], "01")
    text = code_text(identity, serial, "reject")
    assert text.count(":") == 4
    assert len(text) < 140


def test_a_label_a_cell_of_sticker_size(grading, tmp_path):
    path = write_labels(tmp_path, grading)
    reader = PdfReader(path)
    assert len(reader.pages) == len(grading.cells)
    for place, (cell, page) in enumerate(zip(grading.cells, reader.pages, strict=True), start=1):
        assert [round(float(x) / 72 * 25.4) for x in page.mediabox[2:]] == [62, 29]
        text = page.extract_text().replace(BREAK, "")
        number = write.certificate(grading, cell, place).number
        for must in (cell.info.cell, wording.grade_text(cell.grade), number, "tested 2026-03-02"):
            assert must in text


def test_a_label_of_an_ungraded_cell_gives_no_figure(samples, tmp_path):
    text = PdfReader(write_labels(tmp_path, samples.interrupted(), ["TB-0417"])).pages[0].extract_text()
    assert "UNGRADED" in text
    assert "mV" not in text


def test_labels_take_any_serial(grading, tmp_path):
    for serial in NASTY.values():
        reader = PdfReader(write_labels(tmp_path, renamed(grading, cell=serial)))
        assert len(reader.pages) == 1


def test_grades_differ_on_a_black_and_white_copy(samples):
    """The panel is black, grey or white, so that grades differ not only in mark and word."""
    whole = samples.sample()
    levels = {}
    for grade, serial in (("pass", "TB-0417"), ("watch", "TB-0188"), ("reject", "OS-1140")):
        one = only(whole, serial)
        levels[grade] = panel_grey(write.certificate(one, one.cells[0], 1))
    assert levels["pass"] > 250
    assert 200 < levels["watch"] < 235
    assert levels["reject"] < 40


def panel_grey(paper):
    pages = typst.compile(paper.sources(), font_paths=fonts(), ignore_system_fonts=True, format="png", ppi=60)
    page = np.asarray(Image.open(io.BytesIO(pages[0])).convert("L"))
    scale = 60 / 25.4
    # The left edge of the panel, inside its frame and outside its words: 22 to 24 mm, 40 to 45 mm down.
    return float(np.median(page[int(40 * scale) : int(45 * scale), int(22 * scale) : int(24 * scale)]))


NASTY = {
    "climbs out": "../../x",
    "dots": "..",
    "nothing": "",
    "device": "CON",
    "markup": '#import "x" *bold* $1$ @ref <label> \\ // #panic()',
    "one long word": "A" * 300,
    "right to left": "ab\u202ecd",
    "emoji": "cell 🤿",
    "two scripts": "潜水 Żółć Ω",
    "half a pair": "x\ud800y",
    "zero": "a\0b\nc\td",
    "quote": "'\"; DROP TABLE cells; --",
    "endless": "word " * 3000,
}


@pytest.mark.parametrize("serial", NASTY.values(), ids=NASTY.keys())
def test_no_name_breaks_a_paper_or_leaves_the_folder(grading, tmp_path, serial):
    folder = tmp_path / "inner" / "papers"
    named = renamed(grading, cell=serial, customer=serial, condition=serial, maker=serial)
    nasty = replace(
        named,
        # Without its steps, thus without pictures: those have a test of their own, and take most of the time.
        cells=(replace(named.cells[0], detail=CellDetail(), reasons=(serial,), diagnosis=(serial,)),),
        conditions=replace(grading.conditions, place=serial, operator=serial, notes=(serial,)),
    )
    written = write_certificates(folder, nasty)
    assert {path.parent for path in written} == {folder}
    assert sorted(folder.iterdir()) == sorted(written)
    assert [path.name for path in tmp_path.iterdir()] == ["inner"]
    for path in written:
        reader = PdfReader(path)
        assert (
            "<pdfaid:part>3</pdfaid:part>"
            in reader.trailer["/Root"]["/Metadata"].get_object().get_data().decode()
        )
    (data,) = PdfReader(written[0]).attachments["results.json"]
    assert json.loads(data)["cells"][0]["cell"] == serial


def test_markup_in_a_name_is_printed_as_it_stands(grading):
    text = text_of(pdf_of(renamed(grading, customer='#import "x" *bold* $1$')))
    assert '#import "x" *bold* $1$' in text


def test_a_long_word_stays_inside_the_page(grading):
    """Nothing may be printed outside the margins: the outermost 5 mm of every page are white but the line."""
    paper = write.certificate(renamed(grading, cell="W" * 300, customer="M" * 200), replace(
        grading.cells[0], info=replace(grading.cells[0].info, cell="W" * 300, customer="M" * 200)
    ), 1)  # fmt: skip
    pages = typst.compile(paper.sources(), font_paths=fonts(), ignore_system_fonts=True, format="png", ppi=60)
    for page in pages:
        grey = np.asarray(Image.open(io.BytesIO(page)).convert("L"))
        assert grey[:, -int(12 * 60 / 25.4) :].min() > 250


def test_characters_without_a_glyph_are_spelled_and_logged(grading, caplog):
    with caplog.at_level(logging.WARNING, logger="leadline.certificate"):
        text = text_of(pdf_of(renamed(grading, customer="潜水 club")))
    assert "[U+6F5C][U+6C34] club" in text
    (warning,) = caplog.messages
    assert "'潜'" in warning
    assert "folder of fonts" in warning


def test_accents_greek_cyrillic_and_hebrew_need_no_help(grading, caplog):
    text = text_of(pdf_of(renamed(grading, customer="Łódź Ωμέγα Дайвинг Ørsted")))
    assert "Łódź Ωμέγα Дайвинг Ørsted" in text
    assert caplog.messages == []


@given(st.text(max_size=300))
def test_printable_text_is_visible_and_breakable(text):
    shown = printable(text)
    assert not any(unicodedata.category(c) in {"Cc", "Cf", "Cs"} and c != BREAK for c in shown)
    assert all(len(word) <= 18 or BREAK in word for word in shown.split())


@pytest.mark.parametrize(
    ("text", "printed"),
    [
        ("not settled in air", "Not settled in air."),
        ("samples.csv: the last line is missing", "samples.csv: the last line is missing."),
        ("gauge_b drifted by -0.3 %", "gauge_b drifted by −0.3\u00a0%."),
        ("Done!", "Done!"),
        ("", ""),
    ],
)
def test_sentences(text, printed):
    assert sentence(text) == printed


def test_a_number_and_its_unit_stay_together():
    assert printable("99.37 ± 0.26 % at 2.00 bar, 3 barrels") == (
        "99.37 ±\u00a00.26\u00a0% at 2.00\u00a0bar, 3 barrels"
    )


@given(st.text(max_size=200))
def test_file_names_are_safe(serial):
    name = safe_name(serial)
    assert name == Path(name).name
    assert name not in {"", ".", ".."}
    assert not name.startswith(".")
    assert len(name.encode("utf-8")) <= 130
    assert not re.search(r'[<>:"/\\|?*\x00-\x1f ]', name)


@pytest.mark.parametrize(
    ("serial", "name"),
    [("TB-0417", "TB-0417"), ("../x", "x"), ("a/b", "a_b"), ("nul.txt", "cell_nul.txt"), ("", "cell")],
)
def test_file_names(serial, name):
    assert safe_name(serial) == name


def test_two_serials_with_one_safe_name_get_two_files(grading, tmp_path):
    cells = (
        replace(grading.cells[0], info=replace(grading.cells[0].info, cell="a/b")),
        replace(grading.cells[0], info=replace(grading.cells[0].info, cell="a:b")),
    )
    written = write_certificates(tmp_path, replace(grading, cells=cells))
    assert len({path.name for path in written}) == 3


def test_an_unknown_serial_is_named_with_those_there_are(grading, tmp_path):
    with pytest.raises(CertificateError, match=r"no cell 'TB-9'; cells here: .*TB-0417") as error:
        write_certificates(tmp_path / "new", grading, ["TB-9"])
    assert "\n" not in str(error.value)
    assert not (tmp_path / "new").exists()


def test_nothing_to_certify(grading, tmp_path):
    with pytest.raises(CertificateError, match="no cell to certify"):
        write_certificates(tmp_path, replace(grading, cells=()))


def test_a_folder_that_cannot_be_made_is_one_line(grading, tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(CertificateError, match="cannot make the folder") as error:
        write_certificates(tmp_path / "file" / "papers", grading)
    assert "\n" not in str(error.value)


def test_a_failed_write_leaves_nothing_and_keeps_the_old_paper(grading, tmp_path, monkeypatch):
    (path,) = write_certificates(tmp_path, grading, ["TB-0417"])
    before = path.read_bytes()

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(CertificateError, match="No space left on device"):
        write_certificates(tmp_path, grading, ["TB-0417"])
    assert [p.name for p in tmp_path.iterdir()] == [path.name]
    assert path.read_bytes() == before


def test_a_typesetter_error_is_one_line(grading):
    paper = write.certificate(grading, grading.cells[0], 1)
    broken = replace(paper, files={**paper.files, "response.svg": b"not a picture"})
    with pytest.raises(CertificateError) as error:
        print_pdf(broken)
    assert "\n" not in str(error.value)
    assert str(error.value).startswith(paper.number)


def test_every_paper_of_a_bench_of_software_says_so(tmp_path, grading):
    simulated = replace(grading, conditions=replace(grading.conditions, simulated=True))
    real = replace(grading, conditions=replace(grading.conditions, simulated=False))
    for paper in write_certificates(tmp_path / "software", simulated):
        assert "says nothing about a real cell" in text_of(paper), paper.name
    for paper in write_certificates(tmp_path / "real", real):
        assert "says nothing about a real cell" not in text_of(paper), paper.name
    assert "no real cell" in text_of(write_labels(tmp_path, simulated))
