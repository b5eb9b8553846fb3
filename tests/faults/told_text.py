"""Holds what is said and recorded to what is true in the pot at that moment.

The phrases are here alone. A sentence claims something when it has one of the claim's words and none of the
words that turn it into an order, a question, a condition or the opposite. What was only commanded ("no valve
has power") claims nothing about the gas, and neither does what a person or a gauge is quoted with while the
alarm stays. "The pot reads vented" is a claim.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from drivers.virtual_spec import PotTruth

VENTED_BAR = 0.05
"""Above the room by more than this, nothing may say that the pot is vented or that the lid may be opened."""
_MOVES_WITHIN_S = 0.1
"""A solenoid drops within 29 ms: a supply that flows this long after it was called shut is not shut."""

_NO_STATEMENT = re.compile(
    r"\bnot\b|\bno(?:body| longer)\b|\bnever\b|\bcannot\b|\bcould\b|\bwhether\b|\buntil\b|\bonce\b|\bwhen\b"
    r"|\bif\b|\bunless\b|\bbefore\b|\bkeep\b|\basked for\b|\border|\bcommand|\?|\btype\b|\bmay have\b"
    r"|\bwith the supply shut\b|\bask(?:s|ed)?\b|\bno gauge\b|\bno source\b|\bno witness\b|\bkept\b",
    re.IGNORECASE,
)
_VENTED = re.compile(
    r"\bvented\b|\bmay open\b|\bmay be opened\b|\bno pressure\b|\bat ambient pressure\b|\bopen the lid\b",
    re.IGNORECASE,
)
_NOT_OF_THE_POT_NOW = re.compile(
    r"vented zero|vented-zero|with the pot vented|vented without|vented on the ramp|vented first"
    r"|vented at once|on the vented pot|(?:with|gives|gave) no pressure|no pressure (?:was|is|can be)"
    r"|VENTED was typed|gauges? shows? no pressure now"
    r"|is vented and checked|(?:leave|stay|kept|rest)\b.*at ambient pressure",
    re.IGNORECASE,
)
_SUPPLY_SHUT = re.compile(r"\bsupply (?:is |valve is )?shut\b|\bsupply valve shut\b", re.IGNORECASE)
_SENTENCE = re.compile(r"(?<=[.!?;])\s+")


def claims(text: str) -> set[str]:
    """What a text claims: "vented" (or that the lid may be opened), "supply shut"."""
    found = set()
    for sentence in _SENTENCE.split(text):
        if _NO_STATEMENT.search(sentence):
            continue
        if _VENTED.search(sentence) and not _NOT_OF_THE_POT_NOW.search(sentence):
            found.add("vented")
        if _SUPPLY_SHUT.search(sentence):
            found.add("supply shut")
    return found


class ToldText:
    """Hears every text of one run.

    Attributes:
        broken: what was said and was not so, one line each.
    """

    def __init__(self, read_pot: Callable[[], PotTruth], now_s: Callable[[], float]) -> None:
        self.broken: list[str] = []
        self._read_pot = read_pot
        self._now_s = now_s
        self._heard: set[tuple[float, str]] = set()
        self._moving: list[tuple[float, str]] = []

    def hear(self, text: str) -> None:
        """Hold one text to the truth of this moment; the person's own answers count as theirs."""
        now_s = self._now_s()
        if (now_s, text) in self._heard or text.startswith("> "):
            return
        self._heard.add((now_s, text))
        claimed = claims(text)
        if not claimed:
            return
        pot = self._read_pot()
        over_bar = pot.pressure_bar - pot.room_pressure_bar
        if "vented" in claimed and over_bar > VENTED_BAR:
            self.broken.append(f"at {now_s:.1f} s, {over_bar:+.3f} bar in the pot: {text!r}")
        if "supply shut" in claimed and pot.supply_open:
            self._moving.append((now_s, text))

    def hear_event(self, kind: str, data: Mapping[str, Any]) -> None:
        """Hold the sentences of an event; commands and a person's answers are no claims of the program."""
        if kind in ("valve", "answer"):
            return
        for value in data.values():
            if isinstance(value, str):
                self.hear(value)

    def look(self) -> None:
        """Look whether a supply that was called shut has shut meanwhile; call it at every tick."""
        if not self._moving:
            return
        now_s = self._now_s()
        due = [said for said in self._moving if now_s - said[0] >= _MOVES_WITHIN_S]
        if due and self._read_pot().supply_open:
            self.broken += [f"at {said_s:.1f} s, the supply flows: {text!r}" for said_s, text in due]
        self._moving = [said for said in self._moving if said not in due]
