"""How fast a full scan goes over the wire, and whether 20 scans a second keep time while certificates print.

A full scan is eight channels (INIT, SYST:ERR?, FETC?), two gauges and a temperature, through the drivers and
their checks. The floor is the same bytes over raw sockets in the same process, without any check. Peers
answer at once from a separate process, so that what is measured is this side; with a real meter the
apertures come on top (eight channels of one power-line cycle: 160 ms).

Run: python tests/benchmarks/scan_speed.py [SECONDS]
"""

import contextlib
import importlib.util
import json
import os
import socket
import socketserver
import statistics
import struct
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from drivers.catalogue import open_instrument
from drivers.ports import InstrumentSpec
from drivers.system_clock import SystemClock

CHANNELS = 8
MOST_TIMES_FLOOR = 4.0
RATE_HZ = 20
MOST_P99_LATENESS_MS = 20.0

SCAN_ANSWER = ",".join(f"+{0.048 + 0.0005 * channel:.5E}" for channel in range(CHANNELS))
SCPI_ANSWERS = {
    "*IDN?": "Tideway Works,TW-8,S-1,1.2",
    "SENS:VOLT:DC:RANG?": "0.1",
    "SENS:VOLT:DC:NPLC?": "1",
    "ROUT:SCAN?": "(@101:108)",
    "SYST:ERR?": '0,"No error"',
    "FETC?": SCAN_ANSWER,
    "UNIT:TEMP?": "C",
    "MEAS:TEMP?": "+2.13500E+01",
}
GAUGE = [
    *struct.unpack(">4H", struct.pack(">ff", 1.0132, 3.14159265)), 0, 1,
    *struct.unpack(">4H", b"TG-00001"), 0, 0, 7,
]  # fmt: skip


class ScpiPeer(socketserver.StreamRequestHandler):
    disable_nagle_algorithm = True

    def handle(self):
        for line in self.rfile:
            answer = SCPI_ANSWERS.get(line.decode().strip())
            if answer is not None:
                self.wfile.write(answer.encode() + b"\n")


class ModbusPeer(socketserver.BaseRequestHandler):
    def handle(self):
        self.request.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        while request := self.request.recv(260):
            address, count = struct.unpack(">HH", request[8:12])
            words = GAUGE[address : address + count]
            pdu = struct.pack(f">BB{count}H", 3, 2 * count, *words)
            self.request.sendall(request[:4] + struct.pack(">H", len(pdu) + 1) + request[6:7] + pdu)


def serve():
    """Serve the four instruments until standard input closes; say their ports."""
    servers = [
        socketserver.ThreadingTCPServer(("127.0.0.1", 0), peer)
        for peer in (ScpiPeer, ModbusPeer, ModbusPeer, ScpiPeer)
    ]
    for server in servers:
        server.daemon_threads = True
        threading.Thread(target=server.serve_forever, daemon=True).start()
    print(json.dumps([server.server_address[1] for server in servers]), flush=True)
    sys.stdin.read()


def driver_scan(ports):
    """One full scan through the drivers."""
    scanner, gauge_a, gauge_b, thermometer = [
        open_instrument(InstrumentSpec(name, driver, address.format(port), deadline_s=1.0))
        for (name, driver, address), port in zip(
            [
                ("scanner", "scpi_scanner", "TCPIP::127.0.0.1::{}::SOCKET"),
                ("gauge_a", "modbus_gauge", "tcp://127.0.0.1:{}/1"),
                ("gauge_b", "modbus_gauge", "tcp://127.0.0.1:{}/1"),
                ("thermometer", "scpi_thermometer", "TCPIP::127.0.0.1::{}::SOCKET"),
            ],
            ports,
            strict=True,
        )
    ]
    for instrument in (scanner, gauge_a, gauge_b, thermometer):
        instrument.configure()

    def scan():
        gauge_a.read_pressure_bar()
        gauge_b.read_pressure_bar()
        thermometer.read_temperature_c()
        scanner.begin_scan()
        assert len(scanner.collect_scan()) == CHANNELS

    return scan


def raw_scan(ports):
    """The same bytes over raw sockets."""
    sockets = [socket.create_connection(("127.0.0.1", port)) for port in ports]
    for connection in sockets:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    scanner, gauge_a, gauge_b, thermometer = sockets
    frame = struct.pack(">HHHBBHH", 1, 0, 6, 1, 3, 0, len(GAUGE))

    def ask(connection, request):
        connection.sendall(request)
        return connection.recv(4096)

    def scan():
        ask(gauge_a, frame)
        ask(gauge_b, frame)
        ask(thermometer, b"MEAS:TEMP?\n")
        scanner.sendall(b"INIT\n")
        ask(scanner, b"SYST:ERR?\n")
        ask(scanner, b"FETC?\n")

    return scan


def timed(scans, seconds):
    """Run the given scans by turns for so long, so that all have the same conditions; times of each, in s."""
    times = [[] for _ in scans]
    end_s = time.perf_counter() + seconds
    while time.perf_counter() < end_s:
        for scan, list_s in zip(scans, times, strict=True):
            began_s = time.perf_counter()
            scan()
            list_s.append(time.perf_counter() - began_s)
    return times


def lateness_ms(scan, seconds):
    """Scan at the fixed rate on an absolute schedule; how late each tick began, in ms, and missed ticks."""
    clock = SystemClock()
    first_s = clock.monotonic_s() + 0.1
    late_ms, missed, tick = [], 0, 0
    while tick < seconds * RATE_HZ:
        due_s = first_s + tick / RATE_HZ
        clock.sleep_until(due_s)
        late_ms.append((clock.monotonic_s() - due_s) * 1e3)
        scan()
        due_now = int((clock.monotonic_s() - first_s) * RATE_HZ) + 1
        missed += max(0, due_now - tick - 1)
        tick = max(tick + 1, due_now)
    return late_ms, missed


def print_certificates():
    """Print the certificates of a made-up grading again and again, at the low priority of a real one."""
    from grading.papers import write_certificates

    os.nice(5)
    path = Path(__file__).parents[1] / "grading" / "sample_grading.py"
    spec = importlib.util.spec_from_file_location("sample_grading", path)
    samples = importlib.util.module_from_spec(spec)
    sys.modules["sample_grading"] = samples
    spec.loader.exec_module(samples)
    with tempfile.TemporaryDirectory() as folder:
        while True:
            print(len(write_certificates(Path(folder), samples.sample())), flush=True)


def quantile(values, q):
    """The q-quantile of values by rank."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(q * len(ordered)))]


def child(role):
    """Start this script in another role."""
    return subprocess.Popen(
        [sys.executable, __file__, role], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )


def main(seconds):
    peers = child("serve")
    ports = json.loads(peers.stdout.readline())
    ours, floor = driver_scan(ports), raw_scan(ports)
    timed([ours, floor], 0.3)
    ours_s, floor_s = timed([ours, floor], seconds)
    for name, values in (("drivers", ours_s), ("raw sockets", floor_s)):
        median_ms, p99_ms = 1e3 * quantile(values, 0.5), 1e3 * quantile(values, 0.99)
        rate = f"{1e3 / median_ms:6.0f} scans/s"
        print(f"{name:12} {rate}   median {median_ms:.3f} ms   p99 {p99_ms:.3f} ms   n {len(values)}")
    ratio = statistics.median(ours_s) / statistics.median(floor_s)
    print(f"drivers take {ratio:.2f} times the floor at the median (limit {MOST_TIMES_FLOOR:g})")

    quiet_ms, quiet_missed = lateness_ms(ours, seconds)
    printer = child("print")
    if not printer.stdout.readline():
        sys.exit("no certificate was printed")
    printing_ms, printing_missed = lateness_ms(ours, 3 * seconds)
    printer.kill()
    printed = sum(int(line) for line in printer.communicate()[0].split())
    peers.communicate("")
    for name, values, missed in (
        ("quiet", quiet_ms, quiet_missed),
        (f"while {printed} documents print", printing_ms, printing_missed),
    ):
        median_ms, p99_ms = quantile(values, 0.5), quantile(values, 0.99)
        lateness = f"median {median_ms:.2f} ms, p99 {p99_ms:.2f} ms, worst {max(values):.2f} ms"
        print(f"{RATE_HZ} Hz {name}: late by {lateness}, {missed} of {len(values) + missed} ticks missed")
    print(f"p99 limit {MOST_P99_LATENESS_MS:g} ms")
    return int(ratio > MOST_TIMES_FLOOR or quantile(printing_ms, 0.99) > MOST_P99_LATENESS_MS)


if __name__ == "__main__":
    role = sys.argv[1] if len(sys.argv) > 1 else "3"
    with contextlib.suppress(KeyboardInterrupt, BrokenPipeError):
        if role == "serve":
            serve()
        elif role == "print":
            print_certificates()
        else:
            sys.exit(main(float(role)))
