"""Third-party peers. On a user's machine missing ones are skipped; in CI they must be installed."""

import importlib.util
import os
import shutil
import socket
import subprocess
import time

import pytest

from drivers.catalogue import open_instrument
from drivers.ports import InstrumentSpec


@pytest.fixture(scope="session")
def missing():
    """Skip with the reason, or fail where CI has to have it."""

    def stop(what):
        if os.environ.get("CI"):
            pytest.fail(f"{what} must be installed in CI")
        pytest.skip(f"{what} is not installed")

    return stop


@pytest.fixture(scope="session")
def program(missing):
    """Path of an installed program."""
    return lambda name: shutil.which(name) or missing(name)


@pytest.fixture(scope="session")
def library(missing):
    """Check that a Python module is installed."""
    return lambda name: importlib.util.find_spec(name) or missing(name)


@pytest.fixture
def instrument():
    """Make drivers by catalogue name; every one is closed after the test."""
    made = []

    def make(driver, address, number="", /, *, deadline_s=5.0, **options):
        made.append(open_instrument(InstrumentSpec("unit", driver, address, number, deadline_s, options)))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture
def run():
    """Start programs that serve; they are ended after the test."""
    started = []

    def start(*command):
        started.append(subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True))
        return started[-1]

    yield start
    for process in started:
        process.terminate()
        process.communicate(timeout=60)


@pytest.fixture
def serial_pair(program, run, tmp_path):
    """Two serial devices whose ends are joined, as a null modem cable would."""
    ends = [tmp_path / "near", tmp_path / "far"]
    run(program("socat"), *(f"pty,raw,echo=0,link={end}" for end in ends))
    give_up_s = time.monotonic() + 60
    while not all(end.exists() for end in ends):
        assert time.monotonic() < give_up_s
        time.sleep(0.01)
    return ends


@pytest.fixture
def free_port():
    """A loopback port on which nothing listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]
