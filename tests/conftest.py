"""For all tests: none shares a rig's state with another or with the computer; none needs an idle machine."""

import pytest
from hypothesis import HealthCheck, settings

# The usual deadline for one example is 0.2 s of real time, which a loaded machine passes at any moment.
settings.register_profile("patient", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("patient")


@pytest.fixture(autouse=True)
def state_folder(tmp_path_factory, monkeypatch):
    """The folder of locks and memories, fresh for each test and for the programs that it starts."""
    folder = tmp_path_factory.mktemp("state")
    monkeypatch.setenv("LEADLINE_STATE_DIR", str(folder))
    return folder
