"""A record reduced: settled outputs, response times, and every reason why it cannot be graded."""

import importlib.util
import json
import sys
from pathlib import Path

import numpy as np
import pytest

from grading.measurement import ErrorModel
from grading.record.reader import read_record
from grading.record.writer import RecordWriter
from grading.sources.any_source import load_source
from grading.sources.steps import holds_from_events

_spec = importlib.util.spec_from_file_location("simulated_run", Path(__file__).with_name("simulated_run.py"))
simulated_run = sys.modules.setdefault("simulated_run", importlib.util.module_from_spec(_spec))
if not hasattr(simulated_run, "Cell"):
    _spec.loader.exec_module(simulated_run)
Cell, write_run = simulated_run.Cell, simulated_run.write_run

CELLS = (
    Cell("TB-0417", *simulated_run.membrane(1.7)),
    Cell("OS-1090", *simulated_run.membrane(1.7), ceiling_mv=75.0),
    Cell("OS-1131", *simulated_run.membrane(1.7), fade_percent_per_min=1.5),
)
LEVELS = (1.02, 1.22, 1.42, 1.62, 1.42, 1.02)
GOLDEN = Path(__file__).parent.parent / "golden" / "records"


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    return write_run(tmp_path_factory.mktemp("records"), CELLS, LEVELS, hold_s=70.0, ramp_s=12.0)


@pytest.fixture(scope="module")
def reduced(record):
    return load_source(record)


def finding(kind, socket, text):
    return ("cell", 300.0, {"socket": socket, "serial": "TB-0417", "finding": kind, "text": text})


def test_steps_come_from_the_record_s_own_events(reduced):
    assert reduced.source_kind == "record"
    assert [cell.cell for cell in reduced.cells] == ["TB-0417", "OS-1090", "OS-1131"]
    steps = reduced.steps
    assert steps.gas == ("air", *["oxygen"] * 6)
    assert steps.direction == ("up", "up", "up", "up", "up", "down", "down")
    assert steps.nominal_po2_bar[1:].tolist() == [1.0, 1.2, 1.4, 1.6, 1.4, 1.0]
    assert reduced.ungraded == ()
    assert reduced.cell_ungraded == ((), (), ())


def test_settled_outputs_are_the_cell_s_own(reduced):
    po2 = simulated_run.FRACTION * np.array(LEVELS)
    assert reduced.steps.output_mv[0, 1:] == pytest.approx(50.0 * po2, rel=3e-4)
    assert reduced.steps.pressure_bar[0, 1:] == pytest.approx(LEVELS, abs=1e-4)
    assert np.all(reduced.steps.u_output_mv[0] < 0.005)
    assert np.all(reduced.steps.output_dof[0] > 10.0)
    assert np.all(reduced.steps.settled[0] == 1)
    assert reduced.steps.noise_percent[0, 1:] == pytest.approx(100.0 * 0.01 / (50.0 * po2), rel=0.25)


def test_air_is_read_at_the_barometer_with_the_room_s_humidity(reduced):
    assert reduced.steps.pressure_bar[:, 0] == pytest.approx(simulated_run.AIR_BAR)
    assert reduced.steps.relative_humidity[0].tolist() == [0.5, 0, 0, 0, 0, 0, 0]
    assert reduced.steps.temperature_c[0] == pytest.approx(21.5)


def test_response_times_come_rising_and_falling(reduced):
    truth = 1.7 * 2.9956
    for responses in reduced.responses[:2]:
        assert [response.direction for response in responses] == ["up", "down"]
    for response in reduced.responses[0]:
        assert response.t90_s == pytest.approx(truth, rel=0.02)


def test_a_bent_response_widens_the_uncertainty_of_t90_and_does_not_spoil_it(reduced):
    for straight, bent in zip(reduced.responses[0], reduced.responses[1], strict=True):
        assert bent.t90_s == pytest.approx(1.7 * 2.9956, rel=0.08)
        assert abs(bent.t90_s - straight.t90_s) < 2.0 * bent.u_t90_s
        assert bent.u_t90_s > straight.u_t90_s


def test_a_fading_cell_is_recognised_by_its_fade(reduced):
    top = 4
    fade = reduced.steps.fade_percent_per_min
    u = reduced.steps.u_fade_percent_per_min
    assert fade[2, top] == pytest.approx(1.5, rel=0.15)
    assert abs(fade[0, top]) < 4.0 * u[0, top] + 0.02
    assert reduced.cell_notes[2][0].startswith("Not settled after 70 s: on the way up at PO2 1.0, 1.2")
    assert reduced.cell_notes[0] == ()


def test_conditions_say_what_the_certificate_prints(reduced, record):
    said = reduced.conditions
    assert said.record_id == record.name
    assert said.ended.endswith("Z")
    assert said.barometer_bar == pytest.approx(simulated_run.AIR_BAR)
    assert said.highest_pressure_bar == pytest.approx(1.62, abs=0.002)
    assert said.fastest_ramp_bar_per_min == pytest.approx(0.4 / 12.0 * 60.0, rel=0.05)
    assert said.purge == "7 swings between 1.05 and 2.00 bar; oxygen fraction 0.9900, U 0.0040 (k = 2)"
    assert said.missing_readings == 0
    assert said.instruments[0].serial == "TG-20117"
    assert said.uncertainty_source == "stated default instrument set"


def test_uncertainty_of_the_purge_is_the_measured_one_and_errors_may_be_replaced(reduced, record):
    assert reduced.errors.purge_oxygen_fraction == 0.0
    bench = ErrorModel(bottle_oxygen_fraction=0.001, source="bench file x")
    assert load_source(record, bench).errors == bench


def small(root, **changed):
    return write_run(root, CELLS[:1], (1.02, 1.62), hold_s=36.0, every_s=0.4, **changed)


def test_an_interrupted_run_is_ungraded_and_still_read(tmp_path):
    read = load_source(small(tmp_path, how="interrupted"))
    assert read.ungraded == ("The run was interrupted: its record has no end.json.",)
    assert read.conditions.ended == "interrupted"
    assert np.isfinite(read.steps.output_mv).all()


@pytest.mark.parametrize("how", ["stopped", "tripped", "aborted"])
def test_a_run_that_did_not_complete_is_ungraded_with_the_reason(tmp_path, how):
    read = load_source(small(tmp_path, how=how))
    assert read.ungraded == (f"The run was {how}: The lid was opened.",)


def test_a_record_that_was_changed_afterwards_is_ungraded(tmp_path):
    path = small(tmp_path)
    samples = path / "samples.csv"
    samples.write_bytes(samples.read_bytes().replace(b"1.013000", b"1.031000", 1))
    read = load_source(path)
    assert len(read.ungraded) == 1
    assert read.ungraded[0].startswith("The record is not as the run wrote it: ")


def test_a_run_whose_end_is_damaged_is_not_said_to_have_none(tmp_path):
    path = small(tmp_path)
    (path / "end.json").write_bytes((path / "end.json").read_bytes()[:-9])
    (reason,) = load_source(path).ungraded
    assert reason.startswith("The record is not as the run wrote it: end.json: not readable as JSON")


def test_oxygen_without_a_proven_purge_is_ungraded(tmp_path):
    path = small(tmp_path, how="interrupted")
    events = path / "events.ndjson"
    kept = [line for line in events.read_bytes().split(b"\n") if b'"kind":"purge"' not in line]
    events.write_bytes(b"\n".join(kept))
    assert any("purge is not proven" in reason for reason in load_source(path).ungraded)


def test_a_gas_that_the_cells_do_not_take_for_oxygen_is_ungraded(tmp_path):
    check = ("gas_check", 140.0, {"ratio_median": 1.02, "verdict": "not oxygen"})
    read = load_source(small(tmp_path, events=[check]))
    assert read.ungraded == ("The cells show that the gas was not oxygen.",)


def test_one_cell_alone_is_graded_and_reported_to_say_nothing_about_the_gas(tmp_path):
    check = ("gas_check", 140.0, {"ratio_median": None, "verdict": "not checked"})
    read = load_source(small(tmp_path, events=[check]))
    assert read.ungraded == ()
    assert any("could not show whether the gas was oxygen" in note for note in read.conditions.notes)


@pytest.mark.parametrize("kind", ["unplugged", "no_cell", "rapid_decompression"])
def test_a_finding_that_bars_a_grade_bars_that_cell_only(tmp_path, kind):
    path = write_run(
        tmp_path,
        CELLS[:2],
        (1.02, 1.62),
        hold_s=36.0,
        every_s=0.4,
        events=[finding(kind, 2, "Something came loose."), finding(kind, 2, "Again.")],
    )
    read = load_source(path)
    assert read.ungraded == ()
    assert read.cell_ungraded == ((), ("Something came loose.",))
    assert read.cell_findings == ((), (kind,))


def test_a_shorted_cell_is_reported_and_graded(tmp_path):
    read = load_source(small(tmp_path, events=[finding("shorted", 1, "Socket 1 reads 0.01 mV.")]))
    assert read.cell_ungraded == ((),)
    assert read.cell_notes[0][0] == "Socket 1 reads 0.01 mV."


def test_injected_faults_and_lost_readings_are_reported(tmp_path):
    injected = ("fault_injected", 120.0, {"fault": "unplug:1", "at_s": 120.0})
    path = small(tmp_path, events=[injected], how="interrupted")
    samples = path / "samples.csv"
    samples.write_bytes(samples.read_bytes()[:-5])
    said = load_source(path).conditions
    assert said.missing_readings == 1
    assert "A fault was injected for training: unplug:1 at 120 s." in said.notes
    assert "samples.csv: the last line is not finished and was left out." in said.notes


def test_a_run_that_ended_before_its_first_hold_has_no_steps(tmp_path):
    header = simulated_run.header(CELLS)
    writer = RecordWriter.create(tmp_path, header, simulated_run.STARTED)
    writer.end("tripped", "The gauges disagree.", simulated_run.utc(3))
    read = load_source(writer.path)
    assert read.steps.output_mv.shape == (3, 0)
    assert read.responses == ((), (), ())
    assert read.ungraded == ("The run was tripped: The gauges disagree.",)


def test_a_step_taken_up_again_counts_once_and_its_aborted_hold_not_at_all(tmp_path):
    writer = RecordWriter.create(tmp_path, simulated_run.header(CELLS), simulated_run.STARTED)
    hold = {
        "step": 1,
        "gas": "oxygen",
        "direction": "up",
        "nominal_po2_bar": 1.0,
        "oxygen_fraction": 0.99,
        "target_bar": 1.02,
    }
    for begin_s, reason in ((10.0, "aborted"), (60.0, "settled"), (120.0, "aborted")):
        writer.event("hold_begin", begin_s, simulated_run.utc(begin_s), **hold)
        end_s = begin_s + 40.0
        writer.event("hold_end", end_s, simulated_run.utc(end_s), step=1, stop_reason=reason, settled={})
    writer.close()
    found = holds_from_events(read_record(writer.path).events)
    assert [(hold.begin_s, hold.end_s) for hold in found] == [(60.0, 100.0)]


def test_pressures_typed_in_by_a_person_are_marked(tmp_path):
    assert load_source(small(tmp_path, typed_pressure=True)).typed_pressure
    assert not load_source(small(tmp_path / "other")).typed_pressure


TOLERANCES = {"pressure_bar": 2e-6, "output_mv": 2e-4, "t90_s": 0.1}


def summary(read):
    """What a golden record must always reduce to, rounded to far below any uncertainty."""
    return {
        "cells": [cell.cell for cell in read.cells],
        "gas": list(read.steps.gas),
        "direction": list(read.steps.direction),
        "pressure_bar": np.round(read.steps.pressure_bar, 6).tolist(),
        "output_mv": np.round(read.steps.output_mv, 4).tolist(),
        "settled": read.steps.settled.tolist(),
        "t90_s": [[None if r.t90_s is None else round(r.t90_s, 1) for r in each] for each in read.responses],
        "ungraded": list(read.ungraded),
        "cell_ungraded": [list(each) for each in read.cell_ungraded],
        "highest_pressure_bar": read.conditions.highest_pressure_bar,
        "missing_readings": read.conditions.missing_readings,
        "record_sha256": read.conditions.record_sha256,
    }


@pytest.mark.parametrize("path", sorted(GOLDEN.glob("v*/*Z-*")), ids=lambda path: path.parent.name)
def test_records_of_every_format_version_read_and_reduce_as_ever(path):
    expected = json.loads((path.parent / "expected.json").read_text(encoding="utf-8"))
    read = load_source(path)
    assert read_record(path).problems == ()
    found = summary(read)
    assert found.keys() == expected.keys()
    for name, value in expected.items():
        if name in TOLERANCES:
            assert np.array(found[name], float) == pytest.approx(np.array(value, float), abs=TOLERANCES[name])
        else:
            assert found[name] == value, name
