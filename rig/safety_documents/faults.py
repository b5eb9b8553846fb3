"""What can break, how and how fast the rig notices it, and what it does; tests measure it."""

from __future__ import annotations

from dataclasses import dataclass

from grading.gas import LEAST_FLOW_EFFICIENCY, LEAST_SWING_EFFICIENCY
from rig.safety.gas_check import ALIKE_FROM_AIR_PART, ALLOWED_PART


@dataclass(frozen=True, slots=True)
class LaterFault:
    """A fault that shows only once something else happens: the pressure has to move, or the last step comes.

    Attributes:
        fault: its name on the virtual bench.
        noticed_as: codes as in `FaultRow`, or "off alike" for what the gas check says of the cells.
        within_s: longest time from the injection, in a hold of the short run, to that.
    """

    fault: str
    noticed_as: tuple[str, ...]
    within_s: float


@dataclass(frozen=True, slots=True)
class FaultRow:
    """One row of the fault table.

    Attributes:
        row: its number.
        what: what breaks.
        faults: names of the virtual bench's faults that show it, or of `PROGRAM_FAULTS`.
        not_noticed: further faults of the virtual bench that no run notices; `answer` says what remains.
        later: further faults of the virtual bench that are noticed later than the row's own.
        noticed_as: codes of trips or alarms, findings about a cell, or refusals; any of them is enough.
        within_s: longest time from the onset to that, where the fault shows at once.
        answer: what the rig does.
    """

    row: int
    what: str
    faults: tuple[str, ...]
    noticed_as: tuple[str, ...]
    within_s: float
    answer: str
    not_noticed: tuple[str, ...] = ()
    later: tuple[LaterFault, ...] = ()


PROGRAM_FAULTS = ("ctrl_c", "sigterm", "killed", "disk_full")
"""Faults that strike the program itself and not the bench."""

_ABORT = "de-energises"
_STOP = "vents on the ramp"
_REFUSE = "refuses to start"

FAULT_TABLE: tuple[FaultRow, ...] = (
    FaultRow(
        1,
        "gauge stuck, both shut off from the pot",
        ("gauge_stuck",),
        ("GAUGE_STUCK", "GAUGES_DISAGREE"),
        3.0,
        f"{_ABORT}; where gauges do not rise with the gas it holds, then {_STOP}, and does not believe them "
        "when they read vented",
        later=(LaterFault("gauge_manifold_shut", ("NO_RESPONSE", "VENT_BLOCKED"), 60.0),),
    ),
    FaultRow(
        2,
        "second gauge stuck",
        ("second_gauge_stuck",),
        ("SECOND_GAUGE_STUCK", "GAUGES_DISAGREE"),
        6.0,
        _ABORT,
    ),
    FaultRow(
        3,
        "gauge off by a fixed amount or by a part",
        ("gauge_offset", "gauge_gain"),
        ("GAUGES_DISAGREE",),
        2.0,
        f"{_ABORT}; both low alike by a part: `CELLS_READ_HIGH` with three or more living cells",
    ),
    FaultRow(4, "gauge drifts", ("gauge_drift",), ("GAUGES_DISAGREE", "PRESSURE_RISES"), 20.0, _ABORT),
    FaultRow(
        5,
        "gauge gives no pressure",
        ("gauge_not_a_number", "gauge_overload", "gauge_out_of_range", "gauge_sensor_fault"),
        ("GAUGE_INVALID",),
        1.0,
        _ABORT,
    ),
    FaultRow(6, "gauge does not answer", ("gauge_link_lost", "gauge_silent"), ("GAUGE_LOST",), 2.0, _ABORT),
    FaultRow(7, "gauge answers late", ("slow_replies",), ("GAUGE_LOST", "GAUGE_LATE"), 2.0, _ABORT),
    FaultRow(8, "pressure too high", ("over_pressure",), ("OVER_PRESSURE", "PRESSURE_RISES"), 2.0, _ABORT),
    FaultRow(
        9,
        "dose too large",
        ("shots_too_long",),
        ("PRESSURE_RISES", "NOT_OBEYED", "SUPPLY_HIGH", "VENT_OPEN"),
        30.0,
        f"{_ABORT}; {_STOP} where shots let in more than at first; up to 20 mbar it is kept and graded as "
        "measured",
    ),
    FaultRow(
        10,
        "supply valve stuck open, its seat leaks",
        ("supply_stuck_open",),
        ("PRESSURE_RISES",),
        3.0,
        f"{_ABORT}; in a flow purge, where the vent is open, within 8 s; a seat that leaks moves the cells "
        "in air, or shows in the leak test, which then bars the figures in air",
        later=(LaterFault("supply_seeps", ("PRESSURE_RISES",), 200.0),),
    ),
    FaultRow(
        11,
        "supply valve stuck shut, bottle empty",
        ("supply_stuck_shut", "cylinder_empty"),
        ("NO_RESPONSE", "LEAK"),
        60.0,
        f"holds and asks, then {_STOP}",
    ),
    FaultRow(
        12, "regulator creeps up", ("regulator_creep",), ("SUPPLY_HIGH", "PRESSURE_RISES"), 100.0, _STOP
    ),
    FaultRow(
        13,
        "vent stuck shut or blocked",
        ("vent_stuck_shut", "vent_blocked"),
        ("VENT_BLOCKED", "PRESSURE_RISES"),
        60.0,
        f"{_ABORT}; the alarm stays while the pot is not vented; where a clogged tee lets nothing rise it "
        f"holds, then {_STOP}; gauges that fall faster than the vent allows are not believed",
        later=(LaterFault("tee_clogged", ("NO_RESPONSE",), 60.0),),
    ),
    FaultRow(14, "vent stuck open", ("vent_stuck_open",), ("VENT_OPEN",), 5.0, _ABORT),
    FaultRow(15, "leak", ("leak_large", "leak_small"), ("LEAK", "LEAK_TEST"), 200.0, _STOP),
    FaultRow(
        16,
        "purge insufficient, wrong gas, pot not aired",
        ("wrong_gas", "pot_enriched"),
        ("GAS_SUSPECT", "AIR_SUSPECT"),
        400.0,
        f"{_STOP}; below {100 * ALLOWED_PART:.0f} % two or more cells that are off alike by more than "
        f"{100 * ALIKE_FROM_AIR_PART:.0f} % are ungraded; a dead space that keeps its air shows on no gauge, "
        f"and in the cells only where it costs more than that: the purge's uncertainty covers it up to its "
        f"allowance (mixing {LEAST_SWING_EFFICIENCY:g} of perfect in swings, {LEAST_FLOW_EFFICIENCY:g} in a "
        "flow), no further",
        not_noticed=("purge_dead_space",),
    ),
    FaultRow(
        17,
        "relief valve lifts early",
        ("relief_early",),
        ("NO_RESPONSE", "LEAK", "VENT_OPEN", "RAMP_SLOW"),
        130.0,
        f"{_STOP} and names the pressure; where it only stands still, the rig first holds and tries again",
    ),
    FaultRow(
        18,
        "voltmeter gives no readings, or repeats one",
        (
            "voltmeter_link_lost",
            "voltmeter_silent",
            "voltmeter_overload",
            "voltmeter_refuses",
            "voltmeter_frozen",
        ),
        ("VOLTMETER_LOST",),
        25.0,
        f"holds for a minute, then {_STOP}; equal scans count once this meter has been seen to vary by more "
        "than its digits, and with coarser digits where the pressure moves and no digit of two cells does. A "
        "hold ends on a scan that differs from the one before. A gain that moves by 2 % leaves the cells "
        "ungraded, or ends the run as `CELLS_READ_HIGH`",
        later=(LaterFault("voltmeter_gain", ("off alike",), 400.0),),
    ),
    FaultRow(
        19,
        "cell unplugged, its contact bad, or two exchanged",
        ("cell_unplugged", "channels_swapped"),
        ("unplugged", "swapped"),
        5.0,
        "drops that channel, keeps the others; a bad contact is recorded as it reads, and grading finds it "
        "by its noise; two channels exchanged in mid-run are both dropped where their cells differ by 0.2 % "
        "in a hold, or by 2 % from hold to hold: between equal cells nothing can be seen, nor when they were "
        "exchanged before the first scan",
        not_noticed=("cell_noisy",),
    ),
    FaultRow(
        20,
        "cell dead or shorted",
        ("cell_shorted",),
        ("shorted", "unplugged"),
        10.0,
        "drops that channel; never a reject",
    ),
    FaultRow(
        21, "operator stops", ("ctrl_c", "sigterm"), ("STOPPED", "STOPPED_NOW"), 0.5, f"{_STOP}; {_ABORT}"
    ),
    FaultRow(
        22,
        "program killed, power lost",
        ("killed", "power_loss", "heartbeat_lost"),
        ("killed", "VALVES_LOST", "WATCHDOG", "VENT_OPEN"),
        4.0,
        f"the watchdog relay drops the valves; a program that still runs {_ABORT}; the next start makes the "
        "rig safe first",
    ),
    FaultRow(
        23,
        "disk full",
        ("disk_full",),
        ("RECORD_LOST", "DISK_LOW"),
        0.5,
        f"{_ABORT}; with less than 50 MB left it {_STOP}",
    ),
    FaultRow(24, "computer suspended", ("rig_suspended",), ("WATCHDOG", "STALLED"), 62.0, _ABORT),
    FaultRow(25, "time of day jumps", ("clock_jump",), ("note",), 12.0, "notes it; durations stay correct"),
    FaultRow(
        26,
        "wrong unit",
        ("gauge_unit_gauge", "gauge_unit_psi", "gauge_unit_kpa", "gauge_unit_atm"),
        ("VENTED_ZERO",),
        10.0,
        _REFUSE,
    ),
    FaultRow(
        27,
        "barometer wrong or lost",
        ("barometer_wrong", "barometer_link_lost"),
        ("BAROMETER", "VENTED_ZERO", "note"),
        25.0,
        f"{_STOP}; one that no longer answers is noted once, and its last reading is used",
    ),
    FaultRow(
        28,
        "temperature out of range or unknown",
        ("temperature_high", "thermometer_open", "thermometer_link_lost"),
        ("TEMPERATURE",),
        10.0,
        _STOP,
    ),
    FaultRow(29, "lid opened", ("lid_opened",), ("LID_OPEN",), 1.0, _ABORT),
    FaultRow(
        30,
        "second program on the rig",
        ("second_controller", "foreign_master"),
        ("OWNER_CHANGED", "PRESSURE_RISES", "NOT_OBEYED"),
        3.0,
        f"{_ABORT} and then does not fight: below the trip pressure the other program keeps the block while "
        "the alarm stands; at the start it refuses",
    ),
    FaultRow(
        31,
        "valve block does not answer",
        ("valves_link_lost", "valves_silent", "gateway_down"),
        ("VALVES_LOST", "GAUGE_LOST"),
        2.0,
        f"{_ABORT}; an outage of 0.3 s is bridged",
    ),
    FaultRow(
        32,
        "command not obeyed",
        ("valves_ignore_writes", "beats_refused"),
        ("WATCHDOG", "NOT_OBEYED", "NO_RESPONSE"),
        4.0,
        f'{_ABORT}; single answers "busy" are bridged and end no run, and where the order to de-energise is '
        "answered so, supply and vent are ordered one by one and the heartbeat stays away until the "
        "read-back shows it",
        not_noticed=("valves_busy", "de_energise_busy"),
    ),
    FaultRow(33, "wrong instrument", ("wrong_instrument", "gauge_word_order"), ("refused",), 1.0, _REFUSE),
    FaultRow(
        34,
        "bench, procedure or limits file edited during the run",
        (),
        ("note",),
        10.0,
        "notes it; continues with what it read at the start",
    ),
    FaultRow(
        35,
        "operator does not answer",
        (),
        ("NO_ANSWER", "NOBODY_THERE", "HANDS_IDLE"),
        600.0,
        f"{_REFUSE}; under pressure holds, then {_STOP}",
    ),
    FaultRow(
        36,
        "room air enriched or short of oxygen, or its monitor lost",
        ("room_oxygen", "room_oxygen_lost"),
        ("ROOM_OXYGEN", "ROOM_OXYGEN_LOST"),
        12.0,
        f"{_ABORT}; without the monitor it {_STOP}",
    ),
)
