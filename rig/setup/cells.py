"""The cells file: which cell sits in which socket."""

from __future__ import annotations

import csv
import io
from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path

from grading.results import LONGEST_SERIAL, CellInfo
from rig_configs.files.checked_toml import FileError, TomlText
from rig_configs.files.shipped_files import open_config
from rig_configs.files.suggestions import suggestion

REQUIRED = ("socket", "serial")
OPTIONAL = (
    "maker",
    "model",
    "date_code",
    "customer",
    "lot",
    "condition",
    "temperature_coefficient_percent_per_k",
    "check_cell",
)


def load_cells(name_or_path: str | Path, sockets: Collection[int] | None = None) -> tuple[CellInfo, ...]:
    """Load a cells file; the cells come in socket order.

    Args:
        name_or_path: a shipped name such as `six_cells`, or a path.
        sockets: socket numbers that the bench has; None leaves them unchecked.

    Raises:
        FileError: naming file, line, column, what is wrong and what would be right.
    """
    return parse_cells(open_config("cells", name_or_path), sockets)


def parse_cells(source: TomlText, sockets: Collection[int] | None = None) -> tuple[CellInfo, ...]:
    """Check the text of a cells file; comma or semicolon separated, as its header is.

    Raises:
        FileError: naming file, line, column, what is wrong and what would be right.
    """
    file = source.file
    table = _read_table(file, source.text)
    problems = _header_problems(f"{file}:{table.header_line}", table.header)
    if problems:
        raise FileError(*problems)
    if not table.rows:
        raise FileError(f"{file}: has a header and no cells; add one line a cell")
    cells: list[CellInfo] = []
    taken = _Taken()
    for line, row in table.rows:
        where = f"{file}:{line}"
        if len(row) != len(table.header):
            problems.append(f"{where}: {len(row)} fields where the header has {len(table.header)}")
            continue
        values = dict(zip(table.header, (text.strip() for text in row), strict=True))
        cell, wrong = _cell(where, values, table.delimiter, sockets)
        problems.extend(wrong)
        problems.extend(taken.problems(where, line, cell))
        cells.append(cell)
    if problems:
        raise FileError(*problems)
    cells.sort(key=lambda cell: cell.socket or 0)
    return tuple(cells)


@dataclass(frozen=True, slots=True)
class _Table:
    """The fields of a cells file; each row with its line number.

    Attributes:
        header: column names in lower case.
    """

    delimiter: str
    header_line: int
    header: list[str]
    rows: list[tuple[int, list[str]]]


def _read_table(file: str, text: str) -> _Table:
    first = next((line for line in text.splitlines() if line.strip()), "")
    if not first:
        raise FileError(f"{file}: is empty; its first line should be 'socket,serial' or more columns")
    delimiter = ";" if first.count(";") > first.count(",") else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        rows = [(reader.line_num, row) for row in reader if any(map(str.strip, row))]
    except csv.Error as error:
        raise FileError(f"{file}:{reader.line_num}: not a CSV table: {error}") from None
    header_line, names = rows[0]
    if "\t" in first and len(names) == 1:
        raise FileError(f"{file}:{header_line}: separated by tabs; use commas or semicolons")
    return _Table(delimiter, header_line, [name.strip().lower() for name in names], rows[1:])


def _cell(
    where: str, values: dict[str, str], delimiter: str, sockets: Collection[int] | None
) -> tuple[CellInfo, list[str]]:
    """The cell of one row, and what is wrong with its fields."""
    coefficient_text = values.get("temperature_coefficient_percent_per_k", "")
    socket, socket_problems = _socket(where, values["socket"], sockets)
    coefficient, coefficient_problems = _coefficient(where, coefficient_text, delimiter)
    cell = CellInfo(
        cell=values["serial"],
        socket=socket,
        maker=values.get("maker", ""),
        model=values.get("model", ""),
        date_code=values.get("date_code", ""),
        customer=values.get("customer", ""),
        lot=values.get("lot", ""),
        condition=values.get("condition", ""),
        temperature_coefficient_percent_per_k=coefficient,
        check_cell=values.get("check_cell", "").lower() == "yes",
    )
    check_cell_problems = _check_cell_problems(where, values.get("check_cell", ""))
    return cell, [
        *socket_problems,
        *_serial_problems(where, cell.cell),
        *coefficient_problems,
        *check_cell_problems,
    ]


@dataclass(slots=True)
class _Taken:
    """The line on which each serial and each socket comes first."""

    serials: dict[str, int] = field(default_factory=dict)
    sockets: dict[int, int] = field(default_factory=dict)

    def problems(self, where: str, line: int, cell: CellInfo) -> list[str]:
        """Return what repeats earlier lines, and remember this one."""
        problems = []
        if cell.cell and cell.cell in self.serials:
            problems.append(
                f"{where}: serial: '{cell.cell}' is already on line {self.serials[cell.cell]}; "
                "a cell sits in one socket only"
            )
        self.serials.setdefault(cell.cell, line)
        if cell.socket is not None:
            if cell.socket in self.sockets:
                problems.append(
                    f"{where}: socket: {cell.socket} is already taken on line {self.sockets[cell.socket]}; "
                    "give each cell its own socket"
                )
            self.sockets.setdefault(cell.socket, line)
        return problems


def _header_problems(where: str, header: list[str]) -> list[str]:
    known = (*REQUIRED, *OPTIONAL)
    problems = [f"{where}: column '{name}' is missing" for name in REQUIRED if name not in header]
    for name in header:
        if name not in known:
            problems.append(f"{where}: unknown column '{name}'; {suggestion(name, known)}")
        elif header.count(name) > 1:
            problems.append(f"{where}: column '{name}' appears {header.count(name)} times")
    return list(dict.fromkeys(problems))


def _socket(where: str, text: str, sockets: Collection[int] | None) -> tuple[int | None, list[str]]:
    if not text.isascii() or not text.isdigit() or int(text) < 1:
        return None, [f"{where}: socket: '{text}' is not a socket number; write 1, 2, ..."]
    socket = int(text)
    if sockets is not None and socket not in sockets:
        return socket, [f"{where}: socket: {socket} is not on this bench; it has {_ranges(sockets)}"]
    return socket, []


def _serial_problems(where: str, serial: str) -> list[str]:
    if not serial:
        return [f"{where}: serial: is blank; write what is printed on the cell"]
    if len(serial) > LONGEST_SERIAL or not serial.isprintable():
        return [
            f"{where}: serial: {serial[:LONGEST_SERIAL]!r} is too long or holds unprintable characters; "
            f"write at most {LONGEST_SERIAL} printable ones"
        ]
    return []


def _check_cell_problems(where: str, text: str) -> list[str]:
    if text.lower() in ("yes", "no", ""):
        return []
    return [f"{where}: check_cell: '{text}' is neither yes nor no; write yes for a cell known to be good"]


def _coefficient(where: str, text: str, delimiter: str) -> tuple[float | None, list[str]]:
    if not text:
        return None, []
    plain = text.replace(",", ".") if delimiter == ";" else text
    try:
        value = float(plain)
    except ValueError:
        value = float("nan")
    if not -10.0 <= value <= 10.0:
        return None, [
            f"{where}: temperature_coefficient_percent_per_k: '{text}' is not a number from -10 to 10"
        ]
    return value, []


def _ranges(sockets: Collection[int]) -> str:
    """Return '1 to 8' for a run of numbers, else the numbers one by one."""
    ordered = sorted(sockets)
    if ordered == list(range(ordered[0], ordered[-1] + 1)) and len(ordered) > 2:
        return f"{ordered[0]} to {ordered[-1]}"
    return ", ".join(str(socket) for socket in ordered)
