"""Common part of SCPI instruments: identity, error queue, numbers with their sentinels, channel lists.

| fact | our words |
|---|---|
| `*IDN?` | maker, model, serial, firmware, comma separated; `0` for what it does not report |
| `SYST:ERR?` | oldest error, `0,"No error"` when there is none; only the number is standard |
| `*CLS` | empties the error queue |
| 9.9E37, -9.9E37 | above, below the range; 9.91E37 no value at all |
| channel list | `(@101,102)` or `(@101:108)`; a maker may answer it as a block `#214(@101,102)` |
"""

from __future__ import annotations

import re
from string import Formatter
from typing import Literal

from pydantic import Field, ValidationInfo, field_validator

from drivers.addresses import SERIAL_LATE_S
from drivers.errors import BadReply, Refused
from drivers.identity import check_serial
from drivers.options import Options
from drivers.ports import MOST_SOCKETS, Clock, Identity, InstrumentSpec
from drivers.scpi.visa_link import TextSettings, VisaLink

NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?"
ONE_NUMBER = re.compile(rf"\s*({NUMBER})\s*")
ANY_TEXT = re.compile(r"[ -~]*")
_ERROR = re.compile(r'\s*([+-]?\d+)\s*(?:,\s*"?([^"]*)"?)?\s*')
_CHANNELS = re.compile(r"(?:#\d+)?\(@([\d:, ]*)\)")
_CHANNEL_RANGE = re.compile(r"([0-9]{1,12})(?::([0-9]{1,12}))?")

_MOST_QUEUED_ERRORS = 32


class ScpiOptions(Options):
    """Options of every SCPI driver; `words` replaces single commands of the driver's table.

    A command that is empty is not sent. The serial keys count for `ASRL...` addresses only.
    """

    visa_library: str = ""
    write_end: str = "\n"
    read_end: str = Field(default="\n", min_length=1, max_length=1)
    baud: int = Field(default=9600, gt=0)
    data_bits: Literal[7, 8] = 8
    parity: Literal["N", "E", "O"] = "N"
    stop_bits: Literal[1, 2] = 1
    echo: bool = False
    late_s: float = Field(default=SERIAL_LATE_S, ge=0, le=10)

    def text_settings(self) -> TextSettings:
        """Settings of the line."""
        return TextSettings(
            library=self.visa_library,
            write_end=self.write_end,
            read_end=self.read_end,
            baud=self.baud,
            data_bits=self.data_bits,
            parity=self.parity,
            stop_bits=self.stop_bits,
            echo=self.echo,
            late_s=self.late_s,
        )


class Words(Options):
    """SCPI commands as data; every driver adds its own. Only printable ASCII, one line each.

    Names in braces are filled in; a replacement may use only those that the driver's own word uses.
    """

    identify: str = "*IDN?"
    clear: str = "*CLS"
    error: str = "SYST:ERR?"

    @field_validator("*")
    @classmethod
    def _one_line(cls, word: str, info: ValidationInfo) -> str:
        if not ANY_TEXT.fullmatch(word):
            raise ValueError("a command is one line of printable ASCII")
        default = str(cls.model_fields[str(info.field_name)].default)
        # A placeholder whose default has a format is a number, and any other a text.
        known = {name: 1.0 if form else "" for name, form in _placeholders(default)}
        try:
            used = _placeholders(word)
        except ValueError:
            raise ValueError("a brace has no partner; write {{ or }} for a brace that is sent") from None
        for name, _ in used:
            if name not in known:
                can = ", ".join(f"{{{name}}}" for name in sorted(known)) or "nothing"
                raise ValueError(f"{{{name}}} cannot be filled in here, {can} can")
        missing = known.keys() - dict(used)
        if word and missing:
            raise ValueError(f"has no place for its value; write {{{min(missing)}}} where it goes")
        try:
            word.format(**known)
        except (ValueError, LookupError, AttributeError):
            raise ValueError(f"its format does not suit the value; write it as in '{default}'") from None
        return word


def _placeholders(word: str) -> list[tuple[str, str]]:
    """Return what stands in braces, each name with its format.

    Raises:
        ValueError: a brace has no partner.
    """
    return [(name, form or "") for _, name, form, _ in Formatter().parse(word) if name is not None]


class ScpiInstrument:
    """One SCPI instrument: identity, settings and errors. Drivers add their readings.

    Args:
        spec: the bench file's entry.
        options: its checked options.
        words: its commands.
        clock: the rig's clock, for the pause between reconnects.
    """

    def __init__(
        self, spec: InstrumentSpec, options: ScpiOptions, words: Words, clock: Clock | None = None
    ) -> None:
        self._spec = spec
        self._words = words
        self.link = VisaLink(
            spec.name,
            spec.address,
            deadline_s=spec.deadline_s,
            patience_s=spec.patience_s,
            settings=options.text_settings(),
            clock=clock,
        )

    @property
    def name(self) -> str:
        """Name in the bench file."""
        return self._spec.name

    def identify(self) -> Identity:
        """Ask the instrument for its identity."""
        if not self._words.identify:
            return Identity()
        answer = self.link.query(self._words.identify, ANY_TEXT)[0]
        parts = [part.strip().strip('"') for part in answer.split(",", 3)]
        parts += [""] * (4 - len(parts))
        return Identity(*("" if part == "0" else part for part in parts))

    def configure(self) -> None:
        """Check identity, then send the settings of the bench file and have them confirmed."""
        self.link.configure(self._configure)

    def close(self) -> None:
        """Close the link; never raises."""
        self.link.close()

    def _configure(self) -> None:
        check_serial(self._spec, self.identify())
        if self._words.clear:
            self.link.write(self._words.clear)
        self.send_settings()
        self.check_errors("the settings")

    def send_settings(self) -> None:
        """Send this driver's own settings; none by default."""

    def send(self, word: str, **values: object) -> None:
        """Send one command with its values filled in; nothing when the command is empty."""
        if word:
            self.link.write(word.format(**values))

    def query_number(self, word: str, *, deadline_s: float | None = None, **values: object) -> float:
        """Ask for one number and return it as sent, sentinels included."""
        return float(self.link.query(word.format(**values), ONE_NUMBER, deadline_s=deadline_s)[1])

    def check_errors(self, after: str) -> None:
        """Empty the error queue.

        Raises:
            Refused: with the oldest error, when the instrument has any.
        """
        if not self._words.error:
            return
        first = ""
        for _ in range(_MOST_QUEUED_ERRORS):
            answer = self.link.query(self._words.error, _ERROR)
            if int(answer[1]) == 0:
                break
            first = first or f"{answer[1]} {answer[2] or ''}".strip()
        if first:
            raise Refused(self.name, f"refused {after}: error {first}")

    def confirm_number(self, word: str, expected: float, what: str) -> None:
        """Read a setting back; nothing when the command is empty.

        Raises:
            Refused: when the instrument took another value (by more than 1 in 10 000).
        """
        if word:
            taken = self.query_number(word)
            if abs(taken - expected) > 1e-4 * abs(expected):
                raise Refused(self.name, f"took {what} {taken:g} when sent {expected:g}")


def parse_channels(text: str) -> tuple[str, ...]:
    """Read a channel list such as `101:104,107` into single channels.

    Raises:
        ValueError: when it is not a list of channel numbers, names one twice, or more than a pot has sockets.
    """
    channels: list[str] = []
    for part in text.replace(" ", "").split(","):
        match = _CHANNEL_RANGE.fullmatch(part)
        if match is None:
            raise ValueError("should be a channel list such as 101:108 or 101,102,105")
        first, last = match[1], match[2] or match[1]
        if int(last) < int(first):
            raise ValueError(f"{part!r} runs backwards")
        # Counted before the range is written out: a typing error may ask for more than fits into memory.
        if len(channels) + int(last) - int(first) + 1 > MOST_SOCKETS:
            raise ValueError(f"should name at most {MOST_SOCKETS} channels, as many as a pot has sockets")
        if match[2] is None:
            channels.append(first)
        else:
            channels += [str(number).zfill(len(first)) for number in range(int(first), int(last) + 1)]
    if len(set(channels)) != len(channels):
        raise ValueError("names a channel twice")
    return tuple(channels)


def read_channel_list(link: VisaLink, word: str) -> tuple[str, ...]:
    """Ask for a channel list, sent plain or as a definite-length block: `#214(@101,102,103)`.

    Raises:
        BadReply: when the answer is not a usable channel list.
    """
    answer = link.query(word, _CHANNELS)
    if answer[0].startswith("#"):
        digits = int(answer[0][1])
        body = answer[0][2 + digits :]
        if answer[0][2 : 2 + digits] != str(len(body)).zfill(digits):
            raise BadReply(
                link.instrument, f"sent a block of {len(body)} characters, but gives another length"
            )
    try:
        return parse_channels(answer[1]) if answer[1].strip() else ()
    except ValueError as error:
        raise BadReply(link.instrument, f"sent the channel list {answer[1]!r}: {error}") from None
