"""An SCPI pressure controller that ramps by itself.

| fact | our words |
|---|---|
| `UNIT:PRES BAR` | pressures in bar |
| `SENS:PRES:MODE ABS` | absolute, not gauge; read back, and refused if not taken |
| `SENS:PRES?` | measured pressure |
| `SOUR:PRES p` | set point |
| `SOUR:PRES:SLEW r` | ramp, in bar/min or bar/s by the make (`slew_per`) |
| `SOUR:PRES?`, `SOUR:PRES:SLEW?` | set point and ramp as taken; refused when it is another |
| `OUTP:MODE CONT, MEAS, VENT` | controls, only measures, vents to ambient |
| `SYST:COMM:TIM t` | vents by itself after so many seconds without a message; read back |

Only unit, mode and link time-out are settings, sent again after a lost link; set point, ramp and output are
not. The time-out is sent where the bench file has one, and where its word is not empty.
"""

from __future__ import annotations

import re
from typing import Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from drivers.errors import BadReply, Refused
from drivers.limits import PressureOrders
from drivers.options import read_options
from drivers.ports import Clock, InstrumentSpec
from drivers.scpi.commands import ANY_TEXT, ScpiInstrument, ScpiOptions, Words
from drivers.sentinels import number_or_no_reading


class ControllerWords(Words):
    """Commands of a pressure controller. Set point and ramp cannot be left out, nor read back by no word."""

    unit: str = "UNIT:PRES BAR"
    unit_query: str = "UNIT:PRES?"
    mode: str = "SENS:PRES:MODE ABS"
    mode_query: str = "SENS:PRES:MODE?"
    read: str = "SENS:PRES?"
    set_pressure: str = "SOUR:PRES {pressure_bar:.5f}"
    set_pressure_query: str = "SOUR:PRES?"
    set_ramp: str = "SOUR:PRES:SLEW {ramp:.6g}"
    set_ramp_query: str = "SOUR:PRES:SLEW?"
    control: str = "OUTP:MODE CONT"
    measure: str = "OUTP:MODE MEAS"
    vent: str = "OUTP:MODE VENT"
    link_timeout: str = "SYST:COMM:TIM {seconds:g}"
    link_timeout_query: str = "SYST:COMM:TIM?"

    @field_validator(
        "set_pressure", "set_pressure_query", "set_ramp", "set_ramp_query", "control", "measure", "vent"
    )
    @classmethod
    def _sent(cls, word: str, info: ValidationInfo) -> str:
        if not word:
            usual = cls.model_fields[str(info.field_name)].default
            raise ValueError(f"is empty, but the pot depends on it; write its command, such as {usual}")
        return word


class ControllerLimits(ScpiOptions):
    """Options of a pressure controller: the commands it may get (absolute bar, bar/min), and its words.

    `lowest_bar` and `highest_bar` limit set points; readings are accepted from 0 to twice the highest.
    """

    lowest_bar: float = Field(default=0.8, ge=0)
    highest_bar: float = Field(default=2.5, gt=0)
    most_ramp_bar_per_min: float = Field(default=1.0, gt=0)
    slew_per: Literal["min", "s"] = "min"
    unit_answer: str = "BAR"
    mode_answer: str = "ABS"
    words: ControllerWords = ControllerWords()

    @model_validator(mode="after")
    def _in_order(self) -> ControllerLimits:
        if self.lowest_bar >= self.highest_bar:
            raise ValueError("lowest_bar must be below highest_bar")
        return self


class ScpiPressureController(ScpiInstrument):
    """A pressure controller; absolute pressure in bar."""

    def __init__(self, spec: InstrumentSpec, clock: Clock | None = None) -> None:
        options = self._options = read_options(ControllerLimits, spec)
        super().__init__(spec, options, options.words, clock)
        self._link_timeout_s: float | None = None
        self._orders = PressureOrders(
            spec.name, options.lowest_bar, options.highest_bar, options.most_ramp_bar_per_min
        )

    def send_settings(self) -> None:
        """Send unit (bar), mode (absolute) and link time-out (s), and read them back."""
        words, options = self._options.words, self._options
        self.send(words.unit)
        self.send(words.mode)
        self._confirm_word(words.unit_query, options.unit_answer, "the unit")
        self._confirm_word(words.mode_query, options.mode_answer, "the mode")
        self._set_link_timeout(self._spec.link_timeout_s)

    @property
    def link_timeout_s(self) -> float | None:
        """After how long without a message it vents by itself, in seconds, as read back; None: not known."""
        return self._link_timeout_s

    def _set_link_timeout(self, timeout_s: float | None) -> None:
        words = self._options.words
        self._link_timeout_s = None
        if timeout_s is not None and words.link_timeout and words.link_timeout_query:
            self.send(words.link_timeout, seconds=timeout_s)
            self.confirm_number(words.link_timeout_query, timeout_s, "the link time-out (s)")
            self._link_timeout_s = timeout_s

    def _confirm_word(self, query: str, expected: str, what: str) -> None:
        if query:
            taken = self.link.query(query, ANY_TEXT)[0].strip().strip('"')
            if not re.match(re.escape(expected), taken, re.IGNORECASE):
                raise Refused(self.name, f"took {what} {taken!r} when sent {expected!r}")

    def read_pressure_bar(self) -> float:
        """Read absolute pressure, in bar.

        Raises:
            NoReading: when the controller has none.
            BadReply: when the number is not possible.
        """
        pressure_bar = number_or_no_reading(self.name, self.query_number(self._options.words.read))
        if not 0 <= pressure_bar <= 2 * self._options.highest_bar:
            raise BadReply(self.name, f"{pressure_bar:g} bar is not possible here")
        return pressure_bar

    def set_ramp_bar_per_min(self, ramp_bar_per_min: float) -> None:
        """Set the ramp, in bar/min. Refused before the wire when it is not above 0 or too steep."""
        self._orders.check_ramp(ramp_bar_per_min)
        options = self._options
        ramp = ramp_bar_per_min / 60 if options.slew_per == "s" else ramp_bar_per_min
        self.send(options.words.set_ramp, ramp=ramp)
        self.check_errors("the ramp")
        self.confirm_number(options.words.set_ramp_query, ramp, f"the ramp (bar/{options.slew_per})")

    def set_pressure_bar(self, pressure_bar: float) -> None:
        """Set the absolute set point, in bar. Refused before the wire when out of range."""
        self._orders.check_set_point(pressure_bar)
        words = self._options.words
        self.send(words.set_pressure, pressure_bar=pressure_bar)
        self.check_errors("the set point")
        self.confirm_number(words.set_pressure_query, pressure_bar, "the set point (bar)")

    def vent(self) -> None:
        """Vent to ambient (no unit). Does not wait for a pause after a lost link."""
        self.link.write(self._options.words.vent, urgent=True)
        self.check_errors("to vent")

    def hold_output(self, on: bool) -> None:
        """Switch control on or off (no unit)."""
        self.send(self._options.words.control if on else self._options.words.measure)
        self.check_errors("to switch control")
