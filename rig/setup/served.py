"""A bench file for a virtual bench that is being served, so that a second terminal can run against it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from rig.setup.bench_file import BenchFile
from rig_configs.files.whole_file import write_whole

_HEAD = "# Written by leadline bench serve: its addresses answer only while that runs.\n"


def write_served(bench: BenchFile, file: Path, addresses: Mapping[str, str]) -> None:
    """Write the bench file for the served instruments; the addresses are by instrument name."""
    write_whole(file, bench_text(bench, addresses).encode(), sync=False)


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
