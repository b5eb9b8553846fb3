"""No test shares a rig's lock or memory with another, nor with the computer that it runs on."""

import pytest


@pytest.fixture(autouse=True)
def state_folder(tmp_path_factory, monkeypatch):
    """The folder of locks and memories, fresh for each test and for the programs that it starts."""
    folder = tmp_path_factory.mktemp("state")
    monkeypatch.setenv("LEADLINE_STATE_DIR", str(folder))
    return folder
