from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest

from drivers.ports import Instrument, InstrumentSpec
from drivers.virtual.start import start
from drivers.virtual_spec import VirtualInstrument, VirtualSession, VirtualSpec

SIX_SERIALS = ("TB-0417", "OS-1123", "TB-0388", "OS-1090", "TB-0402", "OS-1131")


@pytest.fixture
def six_cell_spec() -> VirtualSpec:
    """A direct bench with every instrument and the six cells of the drawer."""
    return VirtualSpec(
        mode="direct",
        room_pressure_bar=1.0,
        cells=dict(enumerate(SIX_SERIALS, start=1)),
        instruments={
            "scanner": VirtualInstrument(
                "voltmeter",
                "scpi_scanner",
                "TW-8-0031",
                options={"channels": "101:106", "nplc": 1, "range_v": 1.0},
            ),
            "gauge_a": VirtualInstrument("gauge", "modbus_gauge", "TG-20117"),
            "gauge_b": VirtualInstrument("second_gauge", "modbus_gauge", "TG-20118"),
            "barometer": VirtualInstrument("barometer", "modbus_gauge", "TB-10042"),
            "thermometer": VirtualInstrument("thermometer", "scpi_thermometer", "TT-4-0113"),
            "room": VirtualInstrument("room_oxygen", "modbus_room_oxygen", "TR-00007"),
            "valves": VirtualInstrument("valves", "modbus_valves", "TV-00058"),
        },
    )


class Rig:
    """A started bench and its instruments, driven by a fixed script: one seed, one list of readings."""

    def __init__(self, session: VirtualSession, instruments: dict[str, Any]) -> None:
        self.session = session
        self.clock = session.clock
        self.scanner = instruments["scanner"]
        self.gauge_a = instruments["gauge_a"]
        self.gauge_b = instruments["gauge_b"]
        self.barometer = instruments["barometer"]
        self.thermometer = instruments["thermometer"]
        self.room = instruments["room"]
        self.valves = instruments["valves"]
        self._instruments: list[Instrument] = list(instruments.values())
        self._beats = 0

    def beat(self) -> None:
        self._beats = (self._beats + 1) % 65536
        self.valves.beat(self._beats)

    def arm(self) -> None:
        """Make the valve block ready and shut the vent."""
        self.valves.de_energise()
        self.beat()
        self.valves.shut_vent()

    def wait(self, seconds: float) -> None:
        """Let bench time pass with the heartbeat alive."""
        end_s = self.clock.monotonic_s() + seconds
        while self.clock.monotonic_s() < end_s - 1e-9:
            self.clock.sleep_until(min(self.clock.monotonic_s() + 1.0, end_s))
            self.beat()

    def fill_to(self, pressure_bar: float) -> None:
        """Fill by full shots, then wait until the gas has cooled."""
        while self.session.pot().pressure_bar < pressure_bar:
            self.valves.open_supply_for(200)
            self.wait(0.25)
        self.wait(30.0)

    def scan_mv(self) -> list[float | None]:
        self.scanner.begin_scan()
        self.clock.sleep_until(self.clock.monotonic_s() + self.scanner.scan_duration_s)
        return [reading.output_mv for reading in self.scanner.collect_scan()]

    def close(self) -> None:
        for instrument in self._instruments:
            instrument.close()
        self.session.stop()


@pytest.fixture
def start_rig(six_cell_spec: VirtualSpec) -> Iterator[Callable[..., Rig]]:
    """Start a bench with changes to the spec; over the wire it is reached through the wire drivers."""
    from drivers.catalogue import open_instrument

    running: list[Rig] = []

    def begin(**changes: Any) -> Rig:
        spec = replace(six_cell_spec, **changes)
        session = start(spec)
        instruments: dict[str, Any] = dict(session.instruments)
        for name, endpoint in session.endpoints.items():
            played = spec.instruments[name]
            instruments[name] = open_instrument(
                InstrumentSpec(
                    name,
                    played.driver,
                    endpoint,
                    played.serial,
                    deadline_s=played.deadline_s,
                    patience_s=5.0,
                    options=played.options,
                ),
                clock=session.clock,
            )
        for instrument in instruments.values():
            instrument.configure()
        running.append(Rig(session, instruments))
        return running[-1]

    yield begin
    for rig in running:
        rig.close()
