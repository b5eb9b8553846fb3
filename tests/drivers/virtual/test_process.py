"""The process that serves the bench: it starts, ends, and leaves nothing behind."""

import os
import signal
import socket
import subprocess
import sys
import time
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from drivers.catalogue import open_instrument
from drivers.ports import InstrumentSpec
from drivers.virtual.bench import Bench
from drivers.virtual.servers.hands import Hands
from drivers.virtual.servers.serve import serve_forever
from drivers.virtual.start import start
from drivers.virtual_spec import FaultSpec, VirtualBenchError

ROOT = Path(__file__).parents[3]
needs_proc = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for the process in /proc")


def port_of(endpoint):
    return int(endpoint.split("::")[2] if endpoint.startswith("TCPIP") else endpoint[16:].split("/")[0])


def listens(port):
    try:
        socket.create_connection(("127.0.0.1", port), timeout=30.0).close()
    except OSError:
        return False
    return True


def wait_until(condition, seconds=60.0):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return True
        time.sleep(0.02)
    return False


def alive(pid):
    with suppress(OSError):
        # A process that has ended but whose parent has not looked is a zombie: state Z.
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    return False


def children_of(pid):
    return {int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()}


def test_stop_closes_every_port_and_ends_the_process(six_cell_spec, capfd):
    session = start(replace(six_cell_spec, mode="lockstep"))
    ports = [port_of(endpoint) for endpoint in session.endpoints.values()]
    assert all(listens(port) for port in ports)
    session.stop()
    assert not any(listens(port) for port in ports)
    session.stop()
    assert session.clock.monotonic_s() == 0.0
    assert session.clock.utc().tzinfo is not None
    with pytest.raises(VirtualBenchError, match="stopped"):
        session.pot()
    assert capfd.readouterr().err == ""


def test_stop_right_after_start_is_quiet(six_cell_spec, capfd):
    for _ in range(3):
        start(replace(six_cell_spec, mode="lockstep")).stop()
    assert capfd.readouterr() == ("", "")


def test_no_file_of_shared_time_can_be_left_behind(six_cell_spec, tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    session = start(replace(six_cell_spec, mode="lockstep"))
    if sys.platform != "win32":
        assert list(tmp_path.iterdir()) == []
    session.stop()
    assert list(tmp_path.iterdir()) == []


@needs_proc
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_the_bench_dies_with_its_parent(how):
    parent = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import time\n"
            "from drivers.virtual.start import start\n"
            "from drivers.virtual_spec import VirtualInstrument, VirtualSpec\n"
            "spec = VirtualSpec(instruments={'g': VirtualInstrument('gauge', 'modbus_gauge')})\n"
            "print(start(spec).endpoints['g'], flush=True)\n"
            "time.sleep(60)\n",
        ],
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )
    try:
        port = port_of(parent.stdout.readline().strip())
        (child,) = children_of(parent.pid)
        assert listens(port)
        parent.send_signal(how)
        parent.wait(timeout=60)
        assert wait_until(lambda: not alive(child))
        assert not listens(port)
    finally:
        parent.kill()
        parent.wait()
        parent.stdout.close()


@needs_proc
def test_ctrl_c_at_the_terminal_does_not_reach_the_bench(six_cell_spec):
    before = children_of(os.getpid())
    session = start(replace(six_cell_spec, mode="lockstep"))
    try:
        (child,) = children_of(os.getpid()) - before
        assert os.getpgid(child) != os.getpgid(0)
    finally:
        session.stop()


def test_what_the_bench_cannot_play_is_reported_by_the_caller(six_cell_spec):
    with pytest.raises(VirtualBenchError, match="no drawer"):
        start(replace(six_cell_spec, mode="lockstep", drawer="nine_cells"))
    with pytest.raises(VirtualBenchError, match="no such fault"):
        start(replace(six_cell_spec, mode="lockstep", faults=(FaultSpec("gremlins", 1.0),)))


def test_in_real_time_the_bench_runs_by_itself_at_its_speed(start_rig):
    rig = start_rig(mode="real_time", speed=2.0)

    def look():
        """Bench time, and the real time before and after it was asked for."""
        before_s = time.monotonic()
        bench_s = rig.session.pot().bench_s
        return before_s, bench_s, time.monotonic()

    begun_s, begun_bench_s, begun_by_s = look()
    rig.arm()
    while time.monotonic() < begun_s + 1.0:
        rig.beat()
        rig.clock.sleep_until(rig.clock.monotonic_s() + 0.5)
    assert not rig.valves.read_state().vent_open
    ended_s, ended_bench_s, ended_by_s = look()
    passed_s = ended_bench_s - begun_bench_s
    assert 2.0 * (ended_s - begun_by_s) - 0.2 <= passed_s <= 2.0 * (ended_by_s - begun_s) + 0.2


def test_in_real_time_a_scan_takes_its_time(start_rig):
    rig = start_rig(mode="real_time")
    began_s = time.monotonic()
    rig.scanner.begin_scan()
    assert len(rig.scanner.collect_scan()) == 6
    assert time.monotonic() - began_s >= 0.11


def test_in_real_time_the_watchdog_acts_without_anybody_asking(start_rig):
    rig = start_rig(mode="real_time", speed=20.0)
    rig.arm()
    assert wait_until(lambda: rig.session.pot().watchdog_tripped)
    assert rig.session.pot().vent_open


def test_in_real_time_a_silent_instrument_keeps_its_connection_and_says_nothing(six_cell_spec):
    session = start(replace(six_cell_spec, mode="real_time", faults=(FaultSpec("voltmeter_silent", 0.0),)))
    try:
        with socket.create_connection(("127.0.0.1", port_of(session.endpoints["scanner"]))) as scanner:
            scanner.sendall(b"*IDN?\n")
            scanner.settimeout(0.3)
            with pytest.raises(TimeoutError):
                scanner.recv(1)
    finally:
        session.stop()


def test_a_bench_in_real_time_cannot_suspend_the_rig(start_rig):
    rig = start_rig(mode="real_time")
    with pytest.raises(VirtualBenchError, match="cannot suspend"):
        rig.session.inject(FaultSpec("rig_suspended", at_s=0.0))


def served_lines(six_cell_spec, tmp_path, serial_lines, stdin=None):
    """Serve in a separate process until interrupted, as the command does; yields addresses by name."""
    script = (
        "import sys\n"
        "from drivers.virtual.servers.serve import serve_forever\n"
        "from drivers.virtual.spec_text import spec_from_text\n"
        "serve_forever(spec_from_text(sys.argv[1]), lambda line: print(line, flush=True))\n"
    )
    from drivers.virtual.spec_text import spec_to_text

    spec = replace(six_cell_spec, mode="real_time", serial_lines=serial_lines)
    return subprocess.Popen(
        [sys.executable, "-c", script, spec_to_text(spec)],
        stdin=stdin,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )


def test_serving_people_prints_addresses_and_ends_at_ctrl_c(six_cell_spec, tmp_path):
    with served_lines(six_cell_spec, tmp_path, serial_lines=False) as process:
        lines = [process.stdout.readline() for _ in range(8)]
        addresses = dict(line.strip().split(": ", 1) for line in lines[:7])
        assert set(addresses) == set(six_cell_spec.instruments)
        gauge = open_instrument(
            InstrumentSpec("gauge_a", "modbus_gauge", addresses["gauge_a"], "TG-20117", 30.0)
        )
        gauge.configure()
        assert gauge.read_pressure_bar() == pytest.approx(1.0, abs=4e-3)
        gauge.close()
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=60) == 0
        assert process.stderr.read() == ""
        assert not listens(port_of(addresses["gauge_a"]))


def test_a_person_at_a_served_bench_moves_the_lid_and_no_valve_of_a_block(six_cell_spec, tmp_path):
    with served_lines(six_cell_spec, tmp_path, serial_lines=False, stdin=subprocess.PIPE) as process:
        while not (line := process.stdout.readline()).startswith("type and press Enter"):
            name, _, address = line.strip().partition(": ")
            if name == "valves":
                valves_address = address
        assert line.strip().endswith("lid off, lid on")
        valves = open_instrument(InstrumentSpec("valves", "modbus_valves", valves_address, "TV-00058", 30.0))
        valves.configure()

        def type_line(text):
            process.stdin.write(text + "\n")
            process.stdin.flush()
            return process.stdout.readline().strip()

        assert type_line("lid off") == "the lid is off"
        assert valves.read_state().lid_closed is False
        assert type_line("Lid on") == "the lid is on"
        assert valves.read_state().lid_closed is True
        assert "this bench has valves instead of hand valves" in type_line("vent 1")
        assert "is not understood; type lid off, lid on" in type_line("lid up")
        valves.close()
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=60) == 0
        assert process.stderr.read() == ""


def test_hands_turn_the_valves_of_a_served_hand_pot(six_cell_spec):
    by_hand = {name: six_cell_spec.instruments[name] for name in ("scanner", "gauge_a")}
    bench = Bench(replace(six_cell_spec, instruments=by_hand))
    hands = Hands(bench)
    assert hands.words == "lid off, lid on, supply 0.2, vent 1 (0 shut to 1 open)"
    assert hands.obey("vent 0") == "the vent is 0 % open"
    assert hands.obey("supply 0.5") == "the supply is 50 % open"
    bench.advance_to(30_000_000)
    assert bench.pot.pressure_bar > 1.3
    assert "pressure holds it" in hands.obey("lid off")
    for wrong in ("supply", "supply two", "supply 2", "drink", ""):
        assert "\n" not in hands.obey(wrong)
    assert "cannot open to 2" in hands.obey("supply 2")
    assert bench.pot.supply_turn == 0.5


@pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
def test_serving_people_on_serial_lines(six_cell_spec, tmp_path):
    with served_lines(six_cell_spec, tmp_path, serial_lines=True) as process:
        addresses = {}
        while not (line := process.stdout.readline()).startswith("bench time"):
            name, _, address = line.strip().partition(": ")
            addresses.setdefault(name, []).append(address)
        (gauge_address,) = [one for one in addresses["gauge_a"] if one.startswith("rtu:")]
        (thermometer_address,) = [one for one in addresses["thermometer"] if one.startswith("ASRL")]
        gauge = open_instrument(InstrumentSpec("gauge_a", "modbus_gauge", gauge_address, "TG-20117", 30.0))
        thermometer = open_instrument(
            InstrumentSpec("thermometer", "scpi_thermometer", thermometer_address, "TT-4-0113", 30.0)
        )
        for instrument in (gauge, thermometer):
            instrument.configure()
        assert gauge.read_pressure_bar() == pytest.approx(1.0, abs=4e-3)
        assert 15.0 < thermometer.read_temperature_c() < 25.0
        for instrument in (gauge, thermometer):
            instrument.close()
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=60) == 0
        assert process.stderr.read() == ""


def test_serving_people_refuses_what_it_cannot_play(six_cell_spec):
    with pytest.raises(VirtualBenchError, match="no drawer"):
        serve_forever(replace(six_cell_spec, drawer="none"), print)
