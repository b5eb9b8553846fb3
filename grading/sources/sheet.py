"""Reads a CSV table from a person or a logger, and says exactly where it is wrong.

Separator and decimal mark are recognised from the file and never guessed: a file that can be read in two ways
is refused. Units other than bar and degrees Celsius are in the column names.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np

from grading.gas import ATMOSPHERE_BAR, KILOPASCAL_BAR, PSI_BAR
from grading.measurement import FloatArray, SourceError
from rig_configs.files.suggestions import suggestion

MOST_FAULTS_SHOWN: Final = 20

_BAR_PER_UNIT: Final = {
    "bar": 1.0,
    "mbar": 0.001,
    "hpa": 0.001,
    "kpa": KILOPASCAL_BAR,
    "mpa": 10.0,
    "pa": 1e-5,
    "atm": ATMOSPHERE_BAR,
}
ABSOLUTE_PRESSURE: Final = {
    **{f"pressure_{unit}": factor for unit, factor in _BAR_PER_UNIT.items()},
    "pressure_psia": PSI_BAR,
}
GAUGE_PRESSURE: Final = {
    **{f"pressure_gauge_{unit}": factor for unit, factor in _BAR_PER_UNIT.items()},
    "pressure_gauge_psi": PSI_BAR,
    "pressure_psig": PSI_BAR,
}
BAROMETER: Final = {
    **{f"barometer_{unit}": factor for unit, factor in _BAR_PER_UNIT.items()},
    "barometer_psia": PSI_BAR,
}
PRESSURE_COLUMNS: Final = (*ABSOLUTE_PRESSURE, *GAUGE_PRESSURE, *BAROMETER)
ASSUMED_HUMIDITY: Final = 0.5
HUMIDITY_ASSUMED: Final = f"relative humidity not given: {ASSUMED_HUMIDITY:.0%} assumed in air"
_PLAUSIBLE_PRESSURE_BAR: Final = (0.3, 12.0)
_PLAUSIBLE_TEMPERATURE_C: Final = (-20.0, 70.0)
_MOST_MV: Final = 1000.0
_NUMBER_CHARACTERS: Final = frozenset("0123456789.,+-eE \t")


@dataclass(slots=True)
class Sheet:
    """A table as text: column names and rows of fields, each row with its line number in the file.

    Attributes:
        file: its name in messages.
        separator: "," or ";".
        names: column names, stripped and in lower case, as `written` holds them untouched.
        columns: fields by column, each of the length of `line`.
        line: line number of each row, from 1.
    """

    file: str
    separator: str
    names: tuple[str, ...]
    written: tuple[str, ...]
    columns: dict[str, list[str]]
    line: list[int]
    decimal: str = "."
    faults: list[tuple[int, str]] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.line)

    def fault(self, row: int, column: str, message: str) -> None:
        """Note what is wrong with one field; `close` raises all of them together."""
        written = self.written[self.names.index(column)]
        self.faults.append((self.line[row], f"{self.file} line {self.line[row]}, {written}: {message}"))

    def close(self) -> None:
        """Raise what has been noted, in the order of the file.

        Raises:
            SourceError: one line for each fault, the first `MOST_FAULTS_SHOWN` of them.
        """
        if self.faults:
            lines = [text for _, text in sorted(self.faults, key=lambda fault: fault[0])]
            if len(lines) > MOST_FAULTS_SHOWN:
                lines[MOST_FAULTS_SHOWN:] = [
                    f"{self.file}: and {len(lines) - MOST_FAULTS_SHOWN} more like these"
                ]
            raise SourceError("\n".join(lines))

    def require(self, names: Sequence[str], kind: str) -> None:
        """Refuse a table without one of these columns; `kind` is what needs it, as in messages.

        Raises:
            SourceError: with the first missing column.
        """
        absent = [name for name in names if name not in self.names]
        if absent:
            raise SourceError(f"{self.file} line 1: column {absent[0]} is missing; a {kind} needs it")

    def numbers(
        self,
        name: str,
        *,
        blank: bool = False,
        judge: Callable[[float], str | None] | None = None,
        low: float = -math.inf,
        high: float = math.inf,
    ) -> FloatArray:
        """Return a column as numbers; NaN for a blank field or one that is noted as a fault.

        Args:
            name: column, in lower case.
            blank: whether a field may be blank.
            judge: says what is wrong with a number outside `low` to `high`, in words.
            low: numbers below it are passed to `judge`.
            high: numbers above it are passed to `judge`.
        """
        fields = self.columns[name]
        values = self._fast(fields)
        if values is None:
            values = np.array([self._number(row, name, text, blank) for row, text in enumerate(fields)])
        if judge is not None:
            with np.errstate(invalid="ignore"):
                outside = np.flatnonzero((values < low) | (values > high))
            for row in outside:
                message = judge(float(values[row]))
                if message is not None:
                    self.fault(int(row), name, message)
        return values

    def words(self, name: str, allowed: Sequence[str], *, blank: str | None = None) -> list[str]:
        """Return a column of words out of `allowed`; `blank` stands for an empty field."""
        fields = self.columns[name]
        if set(fields) <= set(allowed):
            return fields
        words = []
        for row, text in enumerate(fields):
            word = text.strip().lower()
            if not word and blank is not None:
                word = blank
            elif word not in allowed:
                self.fault(row, name, f"{text!r} is not one of {', '.join(allowed)}")
                word = allowed[0]
            words.append(word)
        return words

    def pressure_bar(self) -> FloatArray:
        """Absolute pressure from whichever pressure column there is, in bar.

        Raises:
            SourceError: no pressure column, more than one, or a gauge pressure without a barometer.
        """
        absolute = [name for name in self.names if name in ABSOLUTE_PRESSURE]
        gauge = [name for name in self.names if name in GAUGE_PRESSURE]
        barometer = [name for name in self.names if name in BAROMETER]
        if len(absolute) + len(gauge) != 1:
            found = ", ".join((*absolute, *gauge)) or "none"
            raise SourceError(
                f"{self.file} line 1: one column of pressure is needed, found {found}; name it "
                "pressure_bar (absolute), pressure_kpa or pressure_psia, or pressure_gauge_bar beside "
                "barometer_bar"
            )
        name = (*absolute, *gauge)[0]
        if absolute:
            factor = ABSOLUTE_PRESSURE[name]
            return self._converted(name, factor, *_PLAUSIBLE_PRESSURE_BAR) * factor
        if len(barometer) != 1:
            raise SourceError(
                f"{self.file} line 1: {name} is a gauge pressure and needs one column of ambient pressure "
                "beside it: add barometer_bar"
            )
        ambient = self._converted(barometer[0], BAROMETER[barometer[0]], 0.5, 1.2) * BAROMETER[barometer[0]]
        factor = GAUGE_PRESSURE[name]
        return ambient + self._converted(name, factor, -0.2, _PLAUSIBLE_PRESSURE_BAR[1]) * factor

    def temperature_c(self, *, blank: bool = False) -> FloatArray:
        """The column temperature_c, in degrees Celsius."""
        low, high = _PLAUSIBLE_TEMPERATURE_C
        return self.numbers(
            "temperature_c",
            blank=blank,
            low=low,
            high=high,
            judge=lambda value: (
                f"{value:g} degrees Celsius is outside {low:g} to {high:g}; is the unit right?"
            ),
        )

    def oxygen_fraction(self, *, blank: bool) -> FloatArray:
        """The column oxygen_fraction, 0 to 1."""
        return self.numbers(
            "oxygen_fraction",
            blank=blank,
            low=0.0,
            high=1.0,
            judge=lambda value: (
                f"{value:g} looks like percent; write {value / 100.0:g}"
                if 1.0 < value <= 100.0
                else f"{value:g} is not a fraction (0 to 1)"
            ),
        )

    def relative_humidity(self, *, blank: bool = False) -> FloatArray:
        """The column relative_humidity, 0 to 1."""
        return self.numbers(
            "relative_humidity",
            blank=blank,
            low=0.0,
            high=1.0,
            judge=lambda value: f"{value:g} is not a fraction (0 to 1); write 50 % as 0.50",
        )

    def output_mv(self, name: str, *, blank: bool = False) -> FloatArray:
        """A column of a cell's output, in mV."""
        return self.numbers(
            name,
            blank=blank,
            low=-_MOST_MV,
            high=_MOST_MV,
            judge=lambda value: f"{value:g} mV is not the output of a cell; is it in microvolts?",
        )

    def _converted(self, name: str, factor: float, low_bar: float, high_bar: float) -> FloatArray:
        unit = name.rpartition("_")[2]

        def judge(value: float) -> str:
            return (
                f"{value:g} {unit} is {value * factor:.3g} bar, outside {low_bar:g} to {high_bar:g} bar; "
                "if the unit is another one, name it in the header (pressure_kpa, pressure_psia, ...)"
            )

        return self.numbers(name, judge=judge, low=low_bar / factor, high=high_bar / factor)

    def _fast(self, fields: list[str]) -> FloatArray | None:
        """The whole column at once when every field is a plain number, else None."""
        if not _NUMBER_CHARACTERS.issuperset("".join(fields)):
            return None
        try:
            if self.decimal == ",":
                return np.array([float(text.replace(",", ".")) for text in fields])
            return np.array([float(text) for text in fields])
        except ValueError:
            return None

    def _number(self, row: int, name: str, text: str, blank: bool) -> float:
        bare = text.strip()
        if not bare:
            if not blank:
                self.fault(row, name, "blank; write a number")
            return math.nan
        value = parse_number(bare, self.decimal)
        if value is None:
            example = "1,25" if self.decimal == "," else "1.25"
            self.fault(row, name, f"{bare!r} is not a number; write it like {example}")
            return math.nan
        return value


def median_or_none(values: FloatArray) -> float | None:
    """The median; None of no values."""
    return float(np.median(values)) if values.size else None


def range_or_none(values: FloatArray) -> tuple[float, float] | None:
    """Least and greatest; None of no values."""
    return (float(np.min(values)), float(np.max(values))) if values.size else None


def parse_number(text: str, decimal: str) -> float | None:
    """Return the number in `text` with this decimal mark, or None; NaN and infinities do not count."""
    other = "," if decimal == "." else "."
    if other in text or not _NUMBER_CHARACTERS.issuperset(text) or text.count(decimal) > 1:
        return None
    try:
        value = float(text.replace(decimal, "."))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def read_sheet(path: Path) -> Sheet:
    """Read a CSV file with one header row.

    Raises:
        SourceError: not text, no rows, separator or decimal mark ambiguous, rows of the wrong length.
    """
    text = _text(path)
    file = path.name
    header_line, _, _ = text.lstrip("\r\n").partition("\n")
    separator = _separator(file, header_line)
    if '"' not in text and "\r" not in text.replace("\r\n", "\n"):
        lines = text.replace("\r\n", "\n").split("\n")
        numbered = [(n, line.split(separator)) for n, line in enumerate(lines, start=1) if line.strip()]
    else:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
        numbered = [(reader.line_num, row) for row in reader if any(map(str.strip, row))]
    (_, header), body = numbered[0], numbered[1:]
    written = tuple(name.strip() for name in header)
    names = tuple(name.lower() for name in written)
    _check_names(file, names)
    if not body:
        raise SourceError(f"{file}: a header without rows; nothing to grade")
    wrong = [(n, len(row)) for n, row in body if len(row) != len(names)]
    if wrong:
        hint = " (a decimal comma needs semicolons between the fields)" if separator == "," else ""
        lines = [
            f"{file} line {n}: {count} fields where the header has {len(names)}{hint}"
            for n, count in wrong[:MOST_FAULTS_SHOWN]
        ]
        raise SourceError("\n".join(lines))
    columns = {
        name: list(fields)
        for name, fields in zip(names, zip(*(row for _, row in body), strict=True), strict=True)
    }
    sheet = Sheet(file, separator, names, written, columns, [n for n, _ in body])
    sheet.decimal = _decimal(sheet)
    return sheet


def unknown_column(file: str, name: str, known: Sequence[str]) -> SourceError:
    """The error for an unknown column, with the nearest known name."""
    if name in ("pressure", "pressure_psi"):
        return SourceError(
            f"{file} line 1: {name!r} does not say absolute or gauge, or the unit; name it pressure_bar, "
            "pressure_psia, or pressure_gauge_bar or pressure_psig beside barometer_bar"
        )
    return SourceError(f"{file} line 1: unknown column '{name}'; {suggestion(name, known)}")


def _text(path: Path) -> str:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise SourceError(f"{path}: {error.strerror}") from error
    encoding = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise SourceError(f"{path.name} line {line}: not UTF-8 text; save the table as CSV UTF-8") from error
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        raise SourceError(f"{path.name} line {line}: NUL bytes; this is not a CSV table, or it is damaged")
    if not text.strip():
        raise SourceError(f"{path.name}: empty")
    return text


def _separator(file: str, header: str) -> str:
    comma, semicolon = "," in header, ";" in header
    if comma and semicolon:
        raise SourceError(
            f"{file} line 1: commas and semicolons in the header; use one of them between the columns only"
        )
    if not (comma or semicolon):
        mend = "tabs" if "\t" in header else "one column only"
        raise SourceError(f"{file} line 1: {mend}; separate the columns with commas or semicolons")
    return "," if comma else ";"


def _decimal(sheet: Sheet) -> str:
    """The decimal mark of a table; a comma only where semicolons separate and no number has a point."""
    if sheet.separator == ",":
        return "."
    commas: tuple[int, str, str] | None = None
    points: tuple[int, str, str] | None = None
    for name, fields in sheet.columns.items():
        for row, text in enumerate(fields):
            if "," in text and parse_number(text.strip(), ",") is not None:
                commas = commas or (row, name, text.strip())
            elif "." in text and parse_number(text.strip(), ".") is not None:
                points = points or (row, name, text.strip())
            if commas and points:
                raise SourceError(
                    f"{sheet.file} line {sheet.line[commas[0]]}, {commas[1]}: {commas[2]!r} has a decimal "
                    f"comma and line {sheet.line[points[0]]}, {points[1]}: {points[2]!r} a decimal point"
                )
    return "," if commas else "."


def _check_names(file: str, names: Sequence[str]) -> None:
    seen: set[str] = set()
    for at, name in enumerate(names, start=1):
        if not name:
            raise SourceError(f"{file} line 1: column {at} has no name")
        if name in seen:
            raise SourceError(f"{file} line 1: two columns are named {name!r}")
        seen.add(name)
