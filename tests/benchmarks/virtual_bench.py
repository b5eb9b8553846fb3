"""What the virtual bench costs: a tick without a wire and a tick over it.

    python tests/benchmarks/virtual_bench.py [--ticks 3000]

A tick is 0.2 s of bench time. Wanted on one core: 15 us for the bench alone when the valves are shut, 55 us
(60 simulated minutes a second) without a wire with a scan of two cells, 1.5 ms a tick over the wire.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from typing import Any

from drivers.catalogue import open_instrument, start_virtual
from drivers.ports import InstrumentSpec
from drivers.virtual_spec import VirtualInstrument, VirtualMode, VirtualSession, VirtualSpec

TICK_S = 0.2


def spec_of(mode: VirtualMode, cells: int) -> VirtualSpec:
    """A bench with `cells` cells and every instrument."""
    channels = {"channels": f"101:{100 + cells}", "nplc": 1, "range_v": 1.0}
    return VirtualSpec(
        mode=mode,
        cells={socket: f"TB-{socket:04d}" for socket in range(1, cells + 1)},
        instruments={
            "scanner": VirtualInstrument("voltmeter", "scpi_scanner", options=channels),
            "gauge_a": VirtualInstrument("gauge", "modbus_gauge"),
            "gauge_b": VirtualInstrument("second_gauge", "modbus_gauge"),
            "valves": VirtualInstrument("valves", "modbus_valves"),
        },
    )


def open_all(spec: VirtualSpec) -> tuple[VirtualSession, dict[str, Any]]:
    """Start the bench and open its instruments, over the wire or without."""
    session = start_virtual(spec)
    instruments: dict[str, Any] = dict(session.instruments)
    for name, endpoint in session.endpoints.items():
        played = spec.instruments[name]
        entry = InstrumentSpec(name, played.driver, endpoint, "", 5.0, played.options)
        instruments[name] = open_instrument(entry, clock=session.clock)
    for instrument in instruments.values():
        instrument.configure()
    instruments["valves"].de_energise()
    instruments["valves"].beat(1)
    instruments["valves"].shut_vent()
    return session, instruments


def tick_us(spec: VirtualSpec, ticks: int, work: Callable[[dict[str, Any], int], None], scan: bool) -> float:
    """Mean time of one tick in microseconds."""
    session, instruments = open_all(spec)
    scanner, clock = instruments["scanner"], session.clock
    begin = time.perf_counter()
    for tick in range(1, ticks + 1):
        if scan:
            scanner.begin_scan()
        work(instruments, tick)
        if scan:
            clock.sleep_until(tick * TICK_S - 0.04)
            scanner.collect_scan()
        clock.sleep_until(tick * TICK_S)
    took = time.perf_counter() - begin
    for instrument in instruments.values():
        instrument.close()
    session.stop()
    return took / ticks * 1e6


def beat_only(instruments: dict[str, Any], tick: int) -> None:
    """Keep the watchdog content."""
    instruments["valves"].beat(tick % 65536)


def whole_scan(instruments: dict[str, Any], tick: int) -> None:
    """Heartbeat, both gauges, valves read back."""
    beat_only(instruments, tick)
    instruments["gauge_a"].read_pressure_bar()
    instruments["gauge_b"].read_pressure_bar()
    instruments["valves"].read_state()


def main() -> None:
    """Print the times."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--ticks", type=int, default=3000)
    ticks = parser.parse_args().ticks
    idle = tick_us(spec_of("direct", 2), ticks, beat_only, scan=False)
    print(f"direct, valves shut, nothing read        {idle:8.1f} us a tick")
    for cells in (2, 6):
        cost = tick_us(spec_of("direct", cells), ticks, whole_scan, scan=True)
        minutes = TICK_S / 60.0 / (cost * 1e-6)
        print(f"direct, whole scan of {cells} cells            {cost:8.1f} us a tick, {minutes:.0f} min/s")
    cost = tick_us(spec_of("lockstep", 6), ticks, whole_scan, scan=True)
    print(f"lockstep over the wire, scan of 6 cells  {cost:8.1f} us a tick")


if __name__ == "__main__":
    main()
