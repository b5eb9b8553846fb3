"""Peers of our own on loopback and pty pairs: scripted, faulty, or a bank of registers."""

import contextlib
import os
import select
import socket
import struct
import threading
import time
import tty

import pytest


def float_words(value):
    """Two registers, high word first, of a float32."""
    return list(struct.unpack(">HH", struct.pack(">f", value)))


def text_words(text, count):
    """`count` registers of two ASCII characters each, padded with NUL."""
    return list(struct.unpack(f">{count}H", text.encode().ljust(2 * count, b"\0")))


def crc16(data):
    """CRC of a Modbus RTU frame, low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return struct.pack("<H", crc)


class TcpPeer:
    """Serves every connection on a loopback port with `serve(conn)`, each in a separate thread."""

    def __init__(self, serve, port=0):
        self._serve = serve
        self._connections = []
        self._threads = []
        self._listener = socket.socket()
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._listener.bind(("127.0.0.1", port))
        self._listener.listen()
        self.port = self._listener.getsockname()[1]
        self.accepted = 0
        self._start(self._accept)

    @property
    def visa(self):
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    @property
    def modbus(self):
        return f"tcp://127.0.0.1:{self.port}/1"

    def _start(self, target, *args):
        thread = threading.Thread(target=target, args=args)
        thread.start()
        self._threads.append(thread)

    def _accept(self):
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self.accepted += 1
            self._connections.append(connection)
            self._start(self._run, connection)

    def _run(self, connection):
        with contextlib.suppress(OSError, ValueError), connection:
            self._serve(connection)

    def stop(self):
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for connection in self._connections:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
            connection.close()
        for thread in self._threads:
            thread.join()


def lines_of(connection):
    """Yield the lines that come over a socket, without their ends, until it is closed."""
    waiting = b""
    while True:
        data = connection.recv(4096)
        if not data:
            return
        waiting += data
        while b"\n" in waiting:
            line, _, waiting = waiting.partition(b"\n")
            yield line.decode("ascii")


def frames_of(connection):
    """Yield (header, function and data) of the Modbus TCP requests that come over a socket."""
    waiting = b""
    while True:
        data = connection.recv(4096)
        if not data:
            return
        waiting += data
        while len(waiting) >= 8:
            length = 6 + struct.unpack(">H", waiting[4:6])[0]
            if len(waiting) < length:
                break
            yield waiting[:7], waiting[7:length]
            waiting = waiting[length:]


class RegisterBank:
    """Registers, and the requests to them: `requests` holds (function, address, count or values)."""

    def __init__(self, registers):
        self.registers = dict(registers)
        self.requests = []
        self.refuse = {}

    def put(self, address, words):
        for index, word in enumerate(words):
            self.registers[address + index] = word

    def answer(self, pdu):
        function, address = struct.unpack(">BH", pdu[:3])
        if function in (3, 4):
            count = struct.unpack(">H", pdu[3:5])[0]
            self.requests.append((function, address, count))
            if any(address + index not in self.registers for index in range(count)):
                return bytes([function | 0x80, 2])
            words = [self.registers[address + index] for index in range(count)]
            return struct.pack(f">BB{count}H", function, 2 * count, *words)
        if function == 6:
            values = struct.unpack(">H", pdu[3:5])
        else:
            values = struct.unpack(f">{(len(pdu) - 6) // 2}H", pdu[6:])
        self.requests.append((function, address, list(values)))
        if address in self.refuse:
            return bytes([function | 0x80, self.refuse[address]])
        self.put(address, values)
        return pdu[:5]

    def serve(self, connection):
        for header, pdu in frames_of(connection):
            answer = self.answer(pdu)
            connection.sendall(header[:4] + struct.pack(">H", len(answer) + 1) + header[6:7] + answer)

    @property
    def writes(self):
        return [request for request in self.requests if request[0] in (6, 16)]


class Dialogue:
    """Answers commands exactly as written down; `leftovers` lists what was not as expected."""

    def __init__(self, exchanges):
        self._exchanges = list(exchanges)
        self._unexpected = []

    def serve(self, connection):
        for line in lines_of(connection):
            if not self._exchanges or self._exchanges[0][0] != line:
                self._unexpected.append(line)
                return
            _, answer = self._exchanges.pop(0)
            if answer is not None:
                connection.sendall(answer.encode("latin-1") + b"\n")

    @property
    def leftovers(self):
        return {"never came": self._exchanges, "came unexpected": self._unexpected}

    def wait_for_the_last(self):
        """Give a last command that wants no answer the time to arrive: a busy machine is slow to serve it."""
        give_up_s = time.monotonic() + 10.0
        while self._exchanges and not self._unexpected and time.monotonic() < give_up_s:
            time.sleep(0.01)


class SerialPeer:
    """Serves the far end of a pty with `serve(peer)`; `device` is the near end's path."""

    def __init__(self, serve):
        self._master, self._slave = os.openpty()
        tty.setraw(self._master)
        tty.setraw(self._slave)
        self.device = os.ttyname(self._slave)
        self._stop_read, self._stop_write = os.pipe()
        self._thread = threading.Thread(target=self._run, args=(serve,))
        self._thread.start()

    @property
    def visa(self):
        return f"ASRL{self.device}::INSTR"

    def modbus(self, query="baud=115200"):
        return f"rtu://{self.device}/1?{query}"

    def _run(self, serve):
        with contextlib.suppress(EOFError, OSError):
            serve(self)

    def read(self):
        """The input so far, at least one byte. Raises EOFError when the test is over."""
        ready = select.select([self._master, self._stop_read], [], [])[0]
        if self._stop_read in ready:
            raise EOFError
        return os.read(self._master, 4096)

    def wait(self, seconds):
        """Let time pass, unless the test is over."""
        if select.select([self._stop_read], [], [], seconds)[0]:
            raise EOFError

    def write(self, data):
        os.write(self._master, data)

    def lines(self):
        """Yield the lines that come."""
        waiting = b""
        while True:
            waiting += self.read()
            while b"\n" in waiting:
                line, _, waiting = waiting.partition(b"\n")
                yield line.decode("ascii")

    def rtu_requests(self):
        """Yield (unit, function and data) of read and single-write requests of eight bytes."""
        waiting = b""
        while True:
            waiting += self.read()
            while len(waiting) >= 8:
                frame, waiting = waiting[:8], waiting[8:]
                yield frame[0], frame[1:6]

    def write_rtu(self, unit, pdu):
        frame = bytes([unit]) + pdu
        self.write(frame + crc16(frame))

    def stop(self):
        os.write(self._stop_write, b"x")
        self._thread.join()
        for fd in (self._master, self._slave, self._stop_read, self._stop_write):
            os.close(fd)


@pytest.fixture
def peers():
    """The kinds of peers; every one that a test starts is stopped after it."""
    started = []

    class Peers:
        Bank = RegisterBank
        lines = staticmethod(lines_of)
        frames = staticmethod(frames_of)
        crc16 = staticmethod(crc16)
        float_words = staticmethod(float_words)
        text_words = staticmethod(text_words)

        @staticmethod
        def tcp(serve, port=0):
            started.append(TcpPeer(serve, port))
            return started[-1]

        @staticmethod
        def serial(serve):
            started.append(SerialPeer(serve))
            return started[-1]

    yield Peers
    for peer in reversed(started):
        peer.stop()


@pytest.fixture
def dialogue(peers):
    """Start an instrument with one scripted dialogue; the test fails on leftovers."""
    dialogues = []

    def start(*exchanges):
        dialogues.append(Dialogue(exchanges))
        return peers.tcp(dialogues[-1].serve)

    yield start
    for one in dialogues:
        one.wait_for_the_last()
        assert one.leftovers == {"never came": [], "came unexpected": []}


@pytest.fixture
def opened():
    """Keep drivers and links in a list that is closed after the test."""
    kept = []
    yield lambda thing: kept.append(thing) or thing
    for thing in kept:
        thing.close()


@pytest.fixture
def gauge_bank():
    """Registers of the default gauge map, at 1.0132 bar, serial TW-1."""
    bank = RegisterBank({})
    bank.put(0, float_words(1.0132) + float_words(3.14159265) + [0, 1] + text_words("TW-1", 4))
    bank.put(10, [*float_words(21.0), 7])
    return bank


@pytest.fixture
def valve_bank():
    """Registers of the default valve map, safe state, lid closed, serial TV-3."""
    bank = RegisterBank({})
    bank.put(0, [0, 0, 0, 0, 0, 0, 1, 400, 2000, 0, *text_words("TV-3", 4), *float_words(3.14159265), 0, 0])
    return bank


@pytest.fixture
def free_port():
    """A loopback port on which nothing listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.fixture(autouse=True)
def no_threads_left():
    """A driver or link that leaves a thread behind would keep a rig from ending."""
    before = set(threading.enumerate())
    yield
    deadline = time.monotonic() + 60
    while set(threading.enumerate()) - before and time.monotonic() < deadline:
        time.sleep(0.01)
    assert not set(threading.enumerate()) - before
