"""Lines of the tables on the papers: which numbers they print, and what they say where there is none."""

from dataclasses import replace

import numpy as np
import pytest

from grading import wording
from grading.judgement.grade import grade
from grading.judgement.limits import general_limits
from grading.measurement import ErrorModel
from grading.papers.identity import identify
from grading.papers.rows import (
    ALL_RULES,
    cell_rows,
    condition_rows,
    decision_rows,
    digests,
    evidence,
    figure_row,
    instrument_row,
    sentence,
    short,
    step_row,
)
from grading.results import CellInfo, CellResult, Figure, InstrumentLine, RunConditions, StepResult

STEP = StepResult(
    step=4,
    gas="oxygen",
    direction="down",
    nominal_po2_bar=1.6,
    pressure_bar=1.61234,
    temperature_c=21.64,
    po2_bar=1.60239,
    u_po2_bar=0.00215,
    output_mv=80.1234,
    u_output_mv=0.0111,
    indication_error_percent=-1.254,
    expanded_uncertainty_percent=0.336,
    shows_bar=1.58229,
    settled=True,
)
FIGURE = Figure(
    "indication_error_percent",
    "%",
    0.52,
    0.31,
    nominal_po2_bar=1.6,
    coverage_factor=2.138,
    grade="pass",
    probability_of_conformity=0.5,
    pass_limits=(-2.5, 2.5),
    reject_limits=(-5.0, 5.0),
    required=True,
)
CONDITIONS = RunConditions(
    started_utc="2026-03-02T10:15:00Z",
    ended="2026-03-02T10:41:32Z",
    operator="A. Operator",
    place="test room",
    bench_sha256="b" * 64,
    procedure="full, version 1",
    procedure_sha256="0123456789abcdef" * 4,
    barometer_bar=1.01236,
    temperature_c=(21.24, 21.86),
    relative_humidity=0.48,
    oxygen_fraction=0.99374,
    u_oxygen_fraction=0.00131,
    purge="7 swings from -0.1 to 2 bar",
    leak="-0.14 mbar/min",
    highest_pressure_bar=2.01314,
    fastest_ramp_bar_per_min=0.524,
)


def rows_of(grading, **changes):
    """The rows of the conditions as a dict, with some of them changed."""
    conditions = replace(CONDITIONS, **changes)
    return dict(condition_rows(replace(grading, conditions=conditions)))


@pytest.fixture
def table(samples):
    """A grading of a readings table, which knows of no missing readings."""
    return samples.pen_and_paper()


@pytest.fixture
def record(samples):
    return samples.sample()


def test_a_step_is_printed_with_what_a_customer_can_check():
    assert step_row(STEP, graded=True) == [
        "4",
        "oxygen 1.6 falling",
        "1.6123",
        "21.6",
        "1.6024 ± 0.0043",
        "80.123 ± 0.022",
        "1.582",
        "−1.25",
        "0.34",
        "yes",
    ]


def test_a_step_of_an_ungraded_cell_says_what_was_read_and_not_what_it_means():
    assert step_row(STEP, graded=False) == [*step_row(STEP, graded=True)[:6], "—", "—", "—", "yes"]


def test_what_a_step_lacks_is_a_dash_and_never_a_zero():
    bare = replace(
        STEP,
        gas="air",
        nominal_po2_bar=None,
        temperature_c=None,
        indication_error_percent=None,
        expanded_uncertainty_percent=None,
        shows_bar=None,
        settled=None,
    )
    row = step_row(bare, graded=True)
    assert row[1].strip() == "air"
    assert row[3] == "—"
    assert row[6:] == ["—", "—", "—", "not known"]
    assert step_row(replace(STEP, expanded_uncertainty_percent=None), graded=True)[8] == "undetermined"
    assert step_row(replace(STEP, settled=False), graded=True)[9] == "NO"


def test_an_indication_error_always_carries_its_sign():
    assert step_row(replace(STEP, indication_error_percent=0.126), graded=True)[7] == "+0.13"


def test_the_doubt_of_a_step_on_paper_is_twice_the_standard_uncertainty_of_its_instruments(measured):
    # JCGM 100 5.1.2 by hand: a gauge with a gain of 1 % and 0.01 bar of scatter, nothing else in doubt.
    nothing = {name: 0.0 for name, kind in ErrorModel.__dataclass_fields__.items() if kind.type == "float"}
    errors = ErrorModel(**{**nothing, "gauge_span_bar": 4.0, "gauge_gain": 0.01})

    def scatter(fields):
        fields["u_pressure_bar"][:] = 0.01
        fields["u_output_mv"][:] = 0.03

    (cell,) = grade(measured(lambda p: 50.0 * p, errors=errors, edit=scatter), general_limits()).cells
    step = next(one for one in cell.detail.steps if one.nominal_po2_bar == 1.6)
    u_po2_bar = np.hypot(0.01 * 1.6, 0.995 * 0.01)
    assert step_row(step, graded=True)[4] == f"1.6000 ± {2.0 * u_po2_bar:.4f}"
    assert step_row(step, graded=True)[5] == "80.000 ± 0.060"


def test_a_figure_that_was_tested():
    row = figure_row(FIGURE)
    assert row == {
        "name": row["name"],
        "tested": True,
        "value": "+0.52",
        "uncertainty": "± 0.31",
        "unit": "%",
        "k": "2.14",
        "pass": "within ±2.5",
        "reject": "beyond ±5",
        "grade": "pass",
        "graded": "✔ pass",
        "probability": "50 %",
        "required": True,
        "remark": "",
    }
    assert row["name"].replace("\u00a0", " ").endswith("at 1.6 bar")


def test_a_figure_without_a_known_uncertainty_has_no_coverage_factor():
    row = figure_row(replace(FIGURE, expanded_uncertainty=None))
    assert (row["uncertainty"], row["k"]) == ("undetermined", "")
    assert figure_row(replace(FIGURE, coverage_factor=None))["k"] == ""


def test_a_figure_that_was_not_tested_says_why():
    missing = Figure("t90_s", "s", None, None, reason="no trace")
    row = figure_row(missing)
    assert (row["tested"], row["value"], row["remark"]) == (False, "not tested: no trace", "")
    assert (row["uncertainty"], row["k"], row["grade"], row["graded"]) == ("", "", "", "—")
    assert figure_row(replace(missing, reason=None))["value"] == "not tested"


def test_a_figure_without_a_grade_says_whether_a_limit_is_missing_or_what_else():
    ungraded = replace(FIGURE, grade=None)
    assert figure_row(ungraded)["graded"] == "no limit"
    reported = figure_row(replace(ungraded, reason="switched off"))
    assert (reported["graded"], reported["remark"]) == ("—", "switched off")


def test_a_lower_bound_is_tested_and_has_no_interval():
    bound = Figure("linear_to_bar", "bar", None, None, at_least=2.0, coverage_factor=2.0, reason="no more")
    row = figure_row(bound)
    assert (row["tested"], row["value"], row["uncertainty"]) == (True, "at least 2.00", "")
    assert (row["k"], row["remark"]) == ("", "no more")


def test_conditions_are_printed_with_their_units(record):
    rows = {label: text.replace("\u00a0", " ") for label, text in rows_of(record).items()}
    assert rows == {
        "Procedure": "full, version 1, SHA-256 0123456789abcdef…",
        "Start": "2026-03-02 10:15 UTC",
        "End": "2026-03-02 10:41 UTC",
        "Operator": "A. Operator",
        "Place of work": "test room",
        "Bench file": f"SHA-256 {'b' * 16}…",
        "Barometer": "1.0124 bar",
        "Temperature": "21.2 to 21.9 °C",
        "Relative humidity": "48 %",
        "Oxygen in the pot": "99.37 % ± 0.26 % (k = 2)",
        "Purge": "7 swings from −0.1 to 2 bar",
        "Leak test": "−0.14 mbar/min",
        "Highest pressure": "2.013 bar absolute",
        "Fastest ramp": "0.52 bar/min",
        "Missing readings": "none",
    }


def test_conditions_that_do_not_vary_or_have_no_doubt_are_one_number(record):
    rows = rows_of(record, temperature_c=(21.51, 21.54), u_oxygen_fraction=None, procedure_sha256="")
    assert rows["Temperature"].replace("\u00a0", " ") == "21.5 °C"
    assert rows["Oxygen in the pot"].replace("\u00a0", " ") == "99.37 %"
    assert rows["Procedure"] == "full, version 1"


def test_what_a_source_does_not_know_is_named_in_one_row(table):
    rows = condition_rows(replace(table, conditions=RunConditions(operator="A. Operator", notes=("a note",))))
    assert rows[:2] == [["Operator", "A. Operator"], ["Note", "A note."]]
    label, unknown = rows[2]
    assert label == "Not recorded"
    assert unknown.split(", ") == [
        "procedure", "start", "end", "place of work", "bench file", "barometer", "temperature",
        "relative humidity", "oxygen in the pot", "purge", "leak test", "highest pressure", "fastest ramp",
    ]  # fmt: skip


def test_missing_readings_are_counted_and_only_a_record_can_say_that_there_are_none(record, table):
    assert rows_of(record)["Missing readings"] == "none"
    assert rows_of(record, missing_readings=3)["Missing readings"] == "3"
    assert rows_of(table, missing_readings=3)["Missing readings"] == "3"
    assert "Missing readings" not in rows_of(table)


def test_a_cell_is_described_by_what_was_booked_in_and_the_rest_is_named():
    everything = CellInfo("TB-0417", 3, "Tarnby", "T3", "2025-11", "JOB-7", "L-25", "clean")
    assert cell_rows(CellResult(everything, "pass", (), (), ())) == [
        ["Serial", "TB-0417"],
        ["Maker", "Tarnby"],
        ["Model", "T3"],
        ["Date code", "2025-11"],
        ["Lot", "L-25"],
        ["Customer or job", "JOB-7"],
        ["Condition on receipt", "clean"],
        ["Socket", "3"],
    ]
    bare = replace(everything, socket=None, lot="")
    assert cell_rows(CellResult(bare, "pass", (), (), ()))[-1] == ["Not recorded", "lot, socket"]


def test_an_instrument_without_papers_shows_no_evidence_and_a_valve_needs_none():
    row = instrument_row(InstrumentLine("gauge_a", "gauge"))
    assert (row["calibrated"], row["due"]) == ("no evidence", "no date")
    assert (row["serial"], row["uncertainty"], row["measures"]) == ("—", "—", "pressure")
    valves = instrument_row(InstrumentLine("valves", "valves"))
    assert (valves["calibrated"], valves["due"], valves["measures"]) == ("—", "—", "(valves)")
    line = InstrumentLine("x", "odd_thing", "S-1", "Tideway", "2026-01-20", "2027-01-20", True, "gain 1 %")
    assert {name: str(text).replace("\u00a0", " ") for name, text in instrument_row(line).items()} == {
        "name": "x",
        "measures": "odd thing",
        "serial": "S-1",
        "identity": "Tideway",
        "calibrated": "2026-01-20",
        "due": "2027-01-20",
        "overdue": "True",
        "uncertainty": "gain 1 %",
    }


GOOD = InstrumentLine("gauge_a", "gauge", calibrated="2026-01-20", due="2027-01-20")


@pytest.mark.parametrize(
    ("instruments", "overdue", "bare"),
    [
        ((GOOD, InstrumentLine("valves", "valves")), None, None),
        ((GOOD, replace(GOOD, name="meter", overdue=True)), "meter", None),
        ((GOOD, replace(GOOD, name="meter", calibrated="")), None, "meter"),
        (
            (replace(GOOD, overdue=True), replace(GOOD, name="meter", overdue=True, calibrated="")),
            "gauge_a, meter",
            "meter",
        ),
    ],
)
def test_evidence_names_what_is_overdue_or_was_never_calibrated(instruments, overdue, bare):
    said = evidence(RunConditions(instruments=instruments))
    text = " ".join(said)
    assert (f"overdue on the day of the test: {overdue}." in text) == (overdue is not None)
    assert (f"No evidence of calibration was given for: {bare}." in text) == (bare is not None)
    assert ("overdue" in text) == (overdue is not None)
    assert ("No evidence" in text) == (bare is not None)
    assert ("Traceability" in text) == (overdue is not None or bare is not None)
    assert ("Every measuring instrument was within its calibration date" in text) == (len(said) == 1)


@pytest.mark.parametrize(
    ("role", "named"), [("gauge", True), ("barometer", True), ("room_oxygen", False), ("odd_thing", True)]
)
def test_traceability_is_missed_only_where_a_figure_depends_on_the_instrument(role, named):
    line = InstrumentLine("unit", role, calibrated="2025-01-20", due="2026-01-20", overdue=True)
    text = " ".join(evidence(RunConditions(instruments=(GOOD, line))))
    assert "overdue on the day of the test: unit." in text
    assert ("Traceability of the figures that depend on unit is not shown." in text) == named


def test_figures_that_the_limits_do_not_grade_stand_with_the_specification(record):
    rows = dict(decision_rows(replace(record, limits_not_graded=("t90_s",)), ALL_RULES))
    assert rows["Specification"].endswith("… Not graded under these limits: Response time T90.")


def test_a_source_without_instruments_rests_on_assumed_ones():
    (said,) = evidence(RunConditions())
    assert "no evidence" in said
    assert "assumed instruments" in said


def test_the_rule_names_the_limits_file_and_where_the_doubt_comes_from(record):
    rows = dict(decision_rows(record, ALL_RULES))
    assert tuple(rows) == ALL_RULES
    assert rows["Specification"].endswith(f"version 1, SHA-256 {record.limits_sha256[:16]}…")
    assert rows["Uncertainty"].endswith("Budget from: bench file virtual_bench.toml.")
    bare = replace(record, conditions=RunConditions())
    assert dict(decision_rows(bare, ALL_RULES))["Uncertainty"].endswith("Budget from: not recorded.")
    assert [label for label, _ in decision_rows(record, ("Scope",))] == ["Scope"]


def test_digests_tie_a_paper_to_its_files_and_leave_out_what_is_not_there(record):
    identity = identify(record, record.cells, "SUM")
    assert [text for _, text in digests(record, identity)] == [
        record.conditions.record_sha256,
        record.limits_sha256,
        identity.sha256,
        f"leadline {record.software_version}",
    ]
    without = replace(record, conditions=RunConditions())
    assert len(digests(without, identity)) == 3


def test_a_figure_in_the_summary_is_looked_up_by_key_and_step():
    cell = CellResult(
        CellInfo("TB-0417"),
        "pass",
        (),
        (),
        (
            replace(FIGURE, nominal_po2_bar=1.2, value=0.1),
            FIGURE,
            Figure("oxygen_output_mv", "mV", 50.26, None),
            Figure("t90_s", "s", None, None),
        ),
    )
    assert short(cell, "indication_error_percent", 1.6) == ["+0.52", "± 0.31"]
    assert short(cell, "oxygen_output_mv") == ["50.26", ""]
    assert short(cell, "t90_s") == [wording.NOT_TESTED, ""]
    assert short(cell, "indication_error_percent", 2.0) == [wording.NOT_TESTED, ""]
    assert short(cell, "noise_percent") == [wording.NOT_TESTED, ""]
    assert short(replace(cell, grade="ungraded"), "oxygen_output_mv") == ["—", ""]


@pytest.mark.parametrize(
    ("text", "printed"),
    [
        ("not settled in air", "Not settled in air."),
        ("samples.csv: cut short", "samples.csv: cut short."),
        ("a/b is missing", "a/b is missing."),
        ("drifted by -0.3 V", "Drifted by −0.3 V."),
        ("x-3 and 5-2 keep their hyphens", "X-3 and 5-2 keep their hyphens."),
        ("Done!", "Done!"),
        ("Why?", "Why?"),
        ("As follows:", "As follows:"),
        ("", ""),
    ],
)
def test_a_sentence_begins_large_ends_with_a_stop_and_keeps_names(text, printed):
    assert sentence(text) == printed
