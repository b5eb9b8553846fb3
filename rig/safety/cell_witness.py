"""The cells as a second, diverse witness of pressure: in oxygen their millivolts follow the pot.

They share nothing with the gauges: no port, no line, no sensor. They cannot tell pressure from gas, and air
that comes in through an open vent lowers them. So they may contradict 'vented' and never confirm it.

The second-highest of the living cells counts. Ceilings, fading and bad contacts only lower a reading, so that
one cell that reads high for a reason of its own is left out, and two that do agree. A cell that is alone in
the pot counts too, from a much larger pressure on.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Final

from drivers.ports import ReadingStatus
from grading.record.format import Reading

AIR_DOUBT_BAR: Final = 0.10
"""With a reference in air alone: PO2 this far above the room's pressure is pressure, whatever the gas. The
slope from air to oxygen is within some 3 % (zero output, humidity); the rest is margin (judgement)."""
TYPED_DOUBT_BAR: Final = 0.012
"""What a reading of a dial adds where the reference pressure was typed (judgement)."""
ALONE_DOUBT_BAR: Final = 0.10
"""One living cell alone must show at least this much: nothing confirms what it reads (judgement)."""
STALE_S: Final = 5.0
_OVER = str(ReadingStatus.OVER)
RENEWED_EVERY_S: Final = 30.0
LEAST_MV: Final = 1.0
_NEAR_AMBIENT: Final = 1.2
_READINGS_KEPT = 4
_RISING = 1.005
"""Over the readings that are kept, some 1.2 s: ten times their noise (judgement)."""
_MOST_RISE_PART = 0.03
"""What drift, hysteresis and the gas may add between two holds, with room to spare (judgement)."""

_BASE_BAR = 0.0060
_DRIFT_BAR_PER_MIN = 0.0007
_BAR_PER_CELL, _FEW_CELLS = 0.00025, 4
"""With these, fewer than 1 in 1000 sets of two to eight cells of mixed health contradict a vented pot after a
hold at PO2 1.0."""
READ_HIGH_PART: Final = 0.008
_READ_HIGH_PART_PER_MIN: Final = 0.0003
_FEWEST_FOR_GAIN = 3
"""The same for cells that read high. All of them are derived with `tests/benchmarks/cell_witness.py`."""


class CellWitness:
    """Follows the cells of one run."""

    def __init__(self, supply_fraction: float, *, pressure_is_typed: bool = False) -> None:
        """Start without a reference, for a bottle of this dry oxygen fraction."""
        self._supply_fraction = supply_fraction
        self._doubt_bar = TYPED_DOUBT_BAR if pressure_is_typed else 0.0
        self._recent: dict[int, deque[tuple[float, float]]] = {}
        self._air: dict[int, float] = {}
        self._best: dict[int, float] = {}
        self._renewed_s = 0.0
        self._fraction = supply_fraction
        self._filled = False

    @property
    def has_reference(self) -> bool:
        """Whether a hold in oxygen has given one."""
        return bool(self._best)

    def air(self, output_mv: Mapping[int, float], po2_bar: float) -> None:
        """Take the settled outputs in ambient air at this PO2."""
        self._air = {socket: mv / po2_bar for socket, mv in output_mv.items() if mv > LEAST_MV}

    def renew(
        self, t_s: float, output_mv: Mapping[int, float], pressure_bar: float, oxygen_fraction: float
    ) -> None:
        """Take the settled outputs of a hold in oxygen at this absolute pressure, by socket.

        A hold near ambient pressure stands for itself: it replaces all others. One at a higher pressure is
        kept beside them, since a cell with a ceiling gives less there. A hold in which the cells read higher
        than they can is not taken: the pressure that the gauges show is then itself in doubt.
        """
        per_bar = {socket: mv / pressure_bar for socket, mv in output_mv.items() if mv > LEAST_MV}
        fewest = 2 if len(self._best) > 1 else 1
        if len(per_bar) < fewest or self._too_high(per_bar, oxygen_fraction):
            return
        before = {} if pressure_bar < _NEAR_AMBIENT else self._best
        for socket, mv_per_bar in before.items():
            per_bar[socket] = max(mv_per_bar, per_bar.get(socket, mv_per_bar))
        self._best, self._renewed_s = per_bar, t_s
        self._fraction = oxygen_fraction
        self._filled = False

    def _too_high(self, per_bar: Mapping[int, float], oxygen_fraction: float) -> bool:
        """Whether the second-highest cell, or the only one, gives more than it can."""
        if self._best:
            most, known = 1.0 + _MOST_RISE_PART, self._best
            most *= max(1.0, oxygen_fraction / self._fraction)
        else:
            most, known = 1.0 + AIR_DOUBT_BAR, self._air
        parts = sorted(per_bar[socket] / known[socket] for socket in per_bar.keys() & known.keys())
        return bool(parts) and parts[max(-2, -len(parts))] > most

    def filled(self) -> None:
        """Note that bottle gas is let in: the pot may hold more oxygen than at the last reference."""
        self._filled = True

    def look(self, t_s: float, output_mv: Mapping[int, Reading]) -> None:
        """Take one scan of the voltmeter; blank readings are left out.

        A socket that counts as unplugged stays in: an open contact reads low, and cells that follow a
        pressure which the gauges do not see jump as if they had come unplugged. A cell that was rising when
        it passed the meter's range is at least as high as its last reading.
        """
        for socket, reading in output_mv.items():
            kept = self._recent.setdefault(socket, deque(maxlen=_READINGS_KEPT))
            if reading.value is not None:
                kept.append((t_s + reading.offset_s, reading.value))
            elif reading.status == _OVER and kept and kept[-1][1] > _RISING * kept[0][1]:
                kept[-1] = (t_s + reading.offset_s, kept[-1][1])
            else:
                kept.clear()

    def judge(self, t_s: float, ambient_bar: float) -> tuple[bool, float | None]:
        """Judge what the cells show now.

        Returns:
            Whether two or more living cells with a reference are read, and how far above ambient they, or the
            only one, show the pot to be, in bar; None where they do not show it.
        """
        shown = sorted(self._shown_bar(t_s), reverse=True)
        if not shown:
            return False, None
        several = len(shown) > 1
        over_bar = shown[1 if several else 0] - ambient_bar
        allowed_bar = self._threshold_bar(t_s, len(shown))
        if not several:
            allowed_bar = max(allowed_bar, ALONE_DOUBT_BAR)
        return several, over_bar if over_bar > allowed_bar else None

    def _shown_bar(self, t_s: float) -> list[float]:
        """Pressure that each living cell shows: total pressure after a hold in oxygen, before that PO2."""
        per_bar = self._best or self._air
        richer = self._supply_fraction / self._fraction if self._filled else 1.0
        return [
            sum(mv for _, mv in kept) / len(kept) / per_bar[socket] / richer
            for socket, kept in self._recent.items()
            if socket in per_bar and kept and t_s - kept[-1][0] <= STALE_S
        ]

    def _threshold_bar(self, t_s: float, cells: int) -> float:
        if not self._best:
            return AIR_DOUBT_BAR
        return self._doubt_bar + threshold_bar(t_s - self._renewed_s, cells)


def threshold_bar(age_s: float, cells: int) -> float:
    """Return how much pressure the cells must show before they are believed, in bar.

    It grows with the age of the reference, as drift, fading and hysteresis do, and with the number of living
    cells: of many, two that read high are found more often.

    Args:
        age_s: of the reference, in seconds.
        cells: living cells.
    """
    return _BASE_BAR + _BAR_PER_CELL * max(0, cells - _FEW_CELLS) + _DRIFT_BAR_PER_MIN * age_s / 60.0


def cells_read_high(
    calibration_mv_per_bar: Mapping[int, float],
    now_mv_per_bar: Mapping[int, float],
    *,
    minutes: float,
    gas_doubt_part: float,
) -> float | None:
    """Return by which part the cells read above the straight line through their calibration hold, or None.

    No fault of a cell does that: ceilings, fading and poor contacts lower a reading. What is left is a gauge
    that reads low, a meter that reads high, or a gas other than it was. The second-highest of three or more
    cells counts.

    Args:
        calibration_mv_per_bar: output per bar of PO2 in the hold at PO2 1.0, by socket.
        now_mv_per_bar: the same in this hold.
        minutes: since the calibration hold.
        gas_doubt_part: how much more oxygen than claimed the gas may hold now against then, as a part.
    """
    parts = sorted(
        (
            now_mv_per_bar[socket] / calibration_mv_per_bar[socket] - 1.0
            for socket in calibration_mv_per_bar.keys() & now_mv_per_bar.keys()
            if calibration_mv_per_bar[socket] > LEAST_MV
        ),
        reverse=True,
    )
    if len(parts) < _FEWEST_FOR_GAIN:
        return None
    allowed = READ_HIGH_PART + _READ_HIGH_PART_PER_MIN * minutes + gas_doubt_part
    return parts[1] if parts[1] > allowed else None
