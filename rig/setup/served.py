"""A bench file for a virtual bench that is being served, so that a second terminal can run against it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from rig.setup.bench_file import BenchFile
from rig_configs.files.whole_file import write_whole

_HEAD = "# Written by leadline bench serve: its addresses answer only while that runs.\n"


class ServedBench:
    """Passes the server's lines on, and writes the bench file once every address is known."""

    def __init__(self, bench: BenchFile, file: Path, say: Callable[[str], None]) -> None:
        """Write to `file`; every line goes on to `say`."""
        self._bench = bench
        self._file = file
        self._say = say
        self._addresses: dict[str, str] = {}
        self._written = False

    def line(self, text: str) -> None:
        """Take one line of the server in: `NAME: ADDRESS`, or anything else."""
        self._say(text)
        name, _, address = text.partition(": ")
        if name in self._bench.instruments:
            self._addresses.setdefault(name, address)
        if not self._written and len(self._addresses) == len(self._bench.instruments):
            self._written = True
            text = bench_text(self._bench, self._addresses)
            write_whole(self._file, text.encode(), sync=False)
            self._say(f"bench file: {self._file}")


def bench_text(bench: BenchFile, addresses: Mapping[str, str]) -> str:
    """Return the text of a bench of hardware at these addresses, made from a virtual one.

    Args:
        bench: a bench file with a [virtual] table.
        addresses: by instrument name.
    """
    lines = bench.text.splitlines()
    for name, address in addresses.items():
        at = bench.source.lines["instruments", name, "address"] - 1
        lines[at] = f'address = "{address}"'
    start = bench.source.lines["virtual",] - 1
    # The table ends where the next one that is not part of it begins.
    after = (number - 1 for path, number in bench.source.lines.items() if path[0] != "virtual")
    end = min((line for line in after if line > start), default=len(lines))
    del lines[start:end]
    return _HEAD + "\n".join(lines) + "\n"
