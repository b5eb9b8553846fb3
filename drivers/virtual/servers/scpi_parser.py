"""An SCPI command parser and status system, after what IEEE 488.2 and SCPI 1999 ask of an instrument.

A command is given as `SENSe:VOLTage[:DC]:NPLCycles`: capitals are the short form, brackets may be left out.
A program message holds commands joined by `;`; one that does not begin with `:` continues at the level of the
one before. Answers of one message are joined by `;`. Errors go to the error queue, never to the
answer. Registers and bits: IEEE 488.2 (from memory; the standard's text was not at hand).
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Generator, Iterable

Waiting = Generator[float, None, str]
Handler = Callable[[str], "str | Waiting | None"]

COMMAND_ERROR_BIT = 32
EXECUTION_ERROR_BIT = 16
DEVICE_ERROR_BIT = 8
QUERY_ERROR_BIT = 4
OPERATION_COMPLETE_BIT = 1
POWER_ON_BIT = 128

ERROR_TEXTS = {
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -213: "Init ignored",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -240: "Hardware error",
    -350: "Queue overflow",
    -410: "Query INTERRUPTED",
}
_LONGEST_QUEUE = 16
_LONGEST_MESSAGE = 4096


class ScpiError(Exception):
    """An error for the queue."""

    def __init__(self, number: int) -> None:
        super().__init__(ERROR_TEXTS[number])
        self.number = number


def spellings(command: str) -> Iterable[str]:
    """Every way to write a command, in capitals: short and long forms, with and without optional levels."""
    query = command.endswith("?")
    levels: list[list[str]] = []
    for optional, word in re.findall(r"(\[)?:?([A-Za-z*]+)\]?", command.rstrip("?")):
        short = "".join(letter for letter in word if not letter.islower()).upper()
        forms = sorted({short, word.upper()})
        levels.append([*forms, ""] if optional else forms)
    for choice in itertools.product(*levels):
        yield ":".join(word for word in choice if word) + ("?" if query else "")


class ScpiParser:
    """Takes program messages and returns answers; one per instrument.

    Attributes:
        errors: the error queue, oldest first.
    """

    def __init__(self, identity: Callable[[], str], reset: Callable[[], None]) -> None:
        """Make the commands that every instrument has; `add` adds its own."""
        self.errors: list[int] = []
        self._event_status = POWER_ON_BIT
        self._event_enable = 0
        self._service_enable = 0
        self._operation_enable = 0
        self._questionable_enable = 0
        self._handlers: dict[str, Handler] = {}
        self.commands: list[tuple[str, str]] = []
        self._reset = reset
        self.add("*CLS", "empty the error queue and the event registers", self._clear)
        self.add("*ESE", "event status enable", self._set_event_enable)
        self.add("*ESE?", "event status enable", lambda _: str(self._event_enable))
        self.add("*ESR?", "event status; reading clears it", self._read_event_status)
        self.add("*IDN?", "maker, model, serial number, firmware", lambda _: identity())
        self.add("*OPC", "set bit 0 of the event status when all is done", self._complete)
        self.add("*OPC?", "1 when all is done", lambda _: "1")
        self.add("*RST", "settings of power-on; the error queue stays", self._restart)
        self.add("*SRE", "service request enable", self._set_service_enable)
        self.add("*SRE?", "service request enable", lambda _: str(self._service_enable))
        self.add("*STB?", "status byte", lambda _: str(self._status_byte()))
        self.add("*TST?", "self test; 0 passed", lambda _: "0")
        self.add("*WAI", "wait until all is done", lambda _: None)
        self.add("SYSTem:ERRor[:NEXT]?", 'oldest error, or 0,"No error"', self._next_error)
        self.add("SYSTem:ERRor:COUNt?", "number of queued errors", lambda _: str(len(self.errors)))
        self.add("SYSTem:VERSion?", "SCPI version", lambda _: "1999.0")
        for name in ("OPERation", "QUEStionable"):
            self.add(f"STATus:{name}[:EVENt]?", "event register", lambda _: "0")
            self.add(f"STATus:{name}:CONDition?", "condition register", lambda _: "0")
        self.add("STATus:OPERation:ENABle", "enable register", self._set_operation_enable)
        self.add("STATus:OPERation:ENABle?", "enable register", lambda _: str(self._operation_enable))
        self.add("STATus:QUEStionable:ENABle", "enable register", self._set_questionable_enable)
        self.add("STATus:QUEStionable:ENABle?", "enable register", lambda _: str(self._questionable_enable))
        self.add("STATus:PRESet", "clear the enable registers", self._preset)

    def add(self, command: str, text: str, handler: Handler) -> None:
        """Add one command with its line for the manual."""
        self.commands.append((command, text))
        for spelling in spellings(command):
            self._handlers[spelling] = handler

    def fail(self, number: int) -> None:
        """Queue an error and set its bit of the event status."""
        group = -number // 100
        self._event_status |= {
            1: COMMAND_ERROR_BIT,
            2: EXECUTION_ERROR_BIT,
            3: DEVICE_ERROR_BIT,
            4: QUERY_ERROR_BIT,
        }[group]
        if len(self.errors) < _LONGEST_QUEUE:
            self.errors.append(number)
        else:
            self.errors[-1] = -350

    def handle(self, message: str) -> Generator[float, None, str | None]:
        """Work through one program message.

        Yields the seconds that a command has to wait before it continues; returns the answer without its
        terminator, or None when nothing was asked.
        """
        if len(message) > _LONGEST_MESSAGE:
            self.fail(-102)
            return None
        answers: list[str] = []
        level = ""
        for part in _split(message):
            command, _, argument = part.strip().partition(" ")
            if not command:
                continue
            header = command.upper()
            handler: Handler | None = None
            if header.startswith("*"):
                handler = self._handlers.get(header)
            else:
                if header.startswith(":"):
                    header = header[1:]
                    level = ""
                handler = self._handlers.get(level + header)
                if handler is not None:
                    header = level + header
                else:
                    handler = self._handlers.get(header)
                level = header.rpartition(":")[0] + ":" if ":" in header else ""
            if handler is None:
                self.fail(-113)
                break
            try:
                answer = handler(argument.strip())
                if answer is not None and not isinstance(answer, str):
                    answer = yield from answer
            except ScpiError as error:
                self.fail(error.number)
                break
            if answer is not None:
                answers.append(answer)
        return ";".join(answers) if answers else None

    def _clear(self, argument: str) -> None:
        no_argument(argument)
        self.errors.clear()
        self._event_status = 0

    def _restart(self, argument: str) -> None:
        no_argument(argument)
        self._reset()

    def _complete(self, argument: str) -> None:
        no_argument(argument)
        self._event_status |= OPERATION_COMPLETE_BIT

    def _read_event_status(self, argument: str) -> str:
        no_argument(argument)
        status, self._event_status = self._event_status, 0
        return str(status)

    def _status_byte(self) -> int:
        status = 4 if self.errors else 0
        if self._event_status & self._event_enable:
            status |= 32
        if status & self._service_enable:
            status |= 64
        return status

    def _next_error(self, argument: str) -> str:
        no_argument(argument)
        if not self.errors:
            return '0,"No error"'
        number = self.errors.pop(0)
        return f'{number},"{ERROR_TEXTS[number]}"'

    def _set_event_enable(self, argument: str) -> None:
        self._event_enable = int(number_of(argument, 0, 255))

    def _set_service_enable(self, argument: str) -> None:
        self._service_enable = int(number_of(argument, 0, 255)) & ~64

    def _set_operation_enable(self, argument: str) -> None:
        self._operation_enable = int(number_of(argument, 0, 32767))

    def _set_questionable_enable(self, argument: str) -> None:
        self._questionable_enable = int(number_of(argument, 0, 32767))

    def _preset(self, argument: str) -> None:
        no_argument(argument)
        self._operation_enable = self._questionable_enable = 0


def no_argument(argument: str) -> None:
    """Refuse a parameter where none is allowed."""
    if argument:
        raise ScpiError(-108)


def number_of(argument: str, low: float, high: float) -> float:
    """One decimal number within `low` to `high`."""
    if not argument:
        raise ScpiError(-109)
    if "," in argument:
        raise ScpiError(-108)
    try:
        value = float(argument)
    except ValueError:
        raise ScpiError(-104) from None
    if not low <= value <= high:
        raise ScpiError(-222)
    return value


def switch_of(argument: str) -> bool:
    """ON, OFF, 1 or 0."""
    if not argument:
        raise ScpiError(-109)
    try:
        return {"ON": True, "1": True, "OFF": False, "0": False, "ONCE": True}[argument.upper()]
    except KeyError:
        raise ScpiError(-224) from None


def channels_of(argument: str, known: tuple[int, ...]) -> tuple[int, ...]:
    """A channel list such as `(@101,103:105)`, every channel one of `known`."""
    if not argument:
        raise ScpiError(-109)
    match = re.fullmatch(r"\(\s*@([\d:,\s]+)\)", argument)
    if match is None:
        raise ScpiError(-104)
    channels: list[int] = []
    for part in match[1].split(","):
        first, colon, last = part.strip().partition(":")
        if not first.strip().isdecimal() or (colon and not last.strip().isdecimal()):
            raise ScpiError(-104)
        begin = int(first)
        end = int(last) if colon else begin
        if begin not in known or end not in known:
            raise ScpiError(-222)
        step = 1 if end >= begin else -1
        channels += range(begin, end + step, step)
    return tuple(channels)


def block(text: str) -> str:
    """Definite-length block of IEEE 488.2: `#`, number of digits, length, data."""
    length = str(len(text))
    return f"#{len(length)}{length}{text}"


def _split(message: str) -> list[str]:
    """Split at `;` outside of quotes."""
    if '"' not in message and "'" not in message:
        return message.split(";")
    parts, quote, current = [], "", ""
    for letter in message:
        if quote:
            quote = "" if letter == quote else quote
        elif letter in "\"'":
            quote = letter
        elif letter == ";":
            parts.append(current)
            current = ""
            continue
        current += letter
    parts.append(current)
    return parts
