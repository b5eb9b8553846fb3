"""The cells file: which cell sits in which socket."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Collection
from dataclasses import dataclass
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
)


@dataclass(frozen=True, slots=True)
class CellList:
    """The cells of one run in socket order.

    Attributes:
        file: as shown to a person.
        sha256: hex digest of the file's text.
        cells: each with its socket.
    """

    file: str
    text: str
    sha256: str
    cells: tuple[CellInfo, ...]

    def by_socket(self) -> dict[int, CellInfo]:
        """Return the cells keyed by socket number."""
        return {cell.socket: cell for cell in self.cells if cell.socket is not None}


def load_cells(name_or_path: str | Path, sockets: Collection[int] | None = None) -> CellList:
    """Load a cells file.

    Args:
        name_or_path: a shipped name such as `six_cells`, or a path.
        sockets: socket numbers that the bench has; None leaves them unchecked.

    Raises:
        FileError: naming file, line, column, what is wrong and what would be right.
    """
    return parse_cells(open_config("cells", name_or_path), sockets)


def parse_cells(source: TomlText, sockets: Collection[int] | None = None) -> CellList:
    """Check the text of a cells file; comma or semicolon separated, told by its header.

    Raises:
        FileError: naming file, line, column, what is wrong and what would be right.
    """
    file = source.file
    header_line = next((line for line in source.text.splitlines() if line.strip()), "")
    if not header_line:
        raise FileError(f"{file}: is empty; its first line should be 'socket,serial' or more columns")
    delimiter = ";" if header_line.count(";") > header_line.count(",") else ","
    reader = csv.reader(io.StringIO(source.text, newline=""), delimiter=delimiter, strict=True)
    try:
        rows = [(reader.line_num, row) for row in reader if any(field.strip() for field in row)]
    except csv.Error as error:
        raise FileError(f"{file}:{reader.line_num}: not a CSV table: {error}") from None
    header = [name.strip().lower() for name in rows[0][1]]
    if "\t" in header_line and len(rows[0][1]) == 1:
        raise FileError(f"{file}:{rows[0][0]}: separated by tabs; use commas or semicolons")
    problems = _header_problems(f"{file}:{rows[0][0]}", header)
    if problems:
        raise FileError(*problems)
    if len(rows) == 1:
        raise FileError(f"{file}: has a header and no cells; add one line a cell")
    cells: list[CellInfo] = []
    seen_serial: dict[str, int] = {}
    seen_socket: dict[int, int] = {}
    for line, row in rows[1:]:
        where = f"{file}:{line}"
        if len(row) != len(header):
            problems.append(f"{where}: {len(row)} fields where the header has {len(header)}")
            continue
        values = dict(zip(header, (field.strip() for field in row), strict=True))
        socket, problem = _socket(where, values["socket"], sockets)
        problems.extend(problem)
        serial = values["serial"]
        problems.extend(_serial_problems(where, serial))
        coefficient, problem = _coefficient(
            where, values.get("temperature_coefficient_percent_per_k", ""), delimiter
        )
        problems.extend(problem)
        if serial and serial in seen_serial:
            problems.append(
                f"{where}: serial: '{serial}' is already on line {seen_serial[serial]}; "
                "a cell sits in one socket only"
            )
        if socket is not None and socket in seen_socket:
            problems.append(
                f"{where}: socket: {socket} is already taken on line {seen_socket[socket]}; "
                "give each cell a socket of its own"
            )
        seen_serial.setdefault(serial, line)
        if socket is not None:
            seen_socket.setdefault(socket, line)
        cells.append(
            CellInfo(
                cell=serial,
                socket=socket,
                maker=values.get("maker", ""),
                model=values.get("model", ""),
                date_code=values.get("date_code", ""),
                customer=values.get("customer", ""),
                lot=values.get("lot", ""),
                condition=values.get("condition", ""),
                temperature_coefficient_percent_per_k=coefficient,
            )
        )
    if problems:
        raise FileError(*problems)
    cells.sort(key=lambda cell: cell.socket or 0)
    digest = hashlib.sha256(source.text.encode()).hexdigest()
    return CellList(file, source.text, digest, tuple(cells))


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
