"""The virtual bench served to others: a second process runs against it as against hardware."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from rig.cli.main import main
from rig.setup.bench_file import load_bench, parse_bench
from rig.setup.served import bench_text
from rig_configs.files.checked_toml import FileError, TomlText


def test_written_bench_differs_in_addresses_alone() -> None:
    virtual = load_bench("virtual_bench")
    addresses = {name: f"tcp://127.0.0.1:{place + 502}/1" for place, name in enumerate(virtual.instruments)}
    addresses |= {
        name: f"TCPIP::127.0.0.1::{addresses[name][16:19]}::SOCKET" for name in ("scanner", "thermometer")
    }
    real = parse_bench(TomlText("served.toml", bench_text(virtual, addresses)))
    assert real.virtual is None
    assert {name: entry.address for name, entry in real.instruments.items()} == addresses
    assert (real.limits, real.pot, real.gas, real.scan) == (
        virtual.limits,
        virtual.pot,
        virtual.gas,
        virtual.scan,
    )


def test_second_process_finds_a_sound_bench(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "served.toml"
    server = subprocess.Popen(
        [sys.executable, "-m", "rig.cli.main", "bench", "serve", "--write", str(file)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        until_s = time.monotonic() + 20
        while not file.exists() and time.monotonic() < until_s and server.poll() is None:
            time.sleep(0.05)
        assert main(["preflight", str(file), "--out", str(tmp_path)]) == 0
        assert "Ready" in capsys.readouterr().out
    finally:
        server.send_signal(signal.SIGINT)
        out, err = server.communicate(timeout=20)
    assert (server.returncode, err) == (0, "")
    assert f"bench file: {file}" in out


def test_place_that_cannot_be_written_is_refused_before_serving(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["bench", "serve", "--write", "/proc/served.toml"]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_bench_without_a_virtual_table_is_not_served() -> None:
    from rig.setup.bench import virtual_spec

    with pytest.raises(FileError, match=r"has no \[virtual\] table"):
        virtual_spec(load_bench("solenoid_bench"))
