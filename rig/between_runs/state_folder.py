"""Where a rig's lock and memory are kept: one folder for the whole computer and all its logins.

The folder's permissions decide who can use the rig: its files can be written by every login that can write
into it. Made by leadline, it is open to every login (0777). It must not be sticky: a memory is replaced
whole, and in a sticky folder no login can replace another's file.
"""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Final

VARIABLE: Final = "LEADLINE_STATE_DIR"
MACHINE_FOLDER: Final = Path("/var/lib/leadline")


class NoStateFolder(Exception):
    """There is no folder in which a lock and a memory can be kept; one line."""


@dataclass(frozen=True, slots=True)
class StateFolder:
    """A folder that exists.

    Attributes:
        caution: one line that says why other logins do not share it; empty when they do, or when the
            environment names it.
    """

    path: Path
    caution: str = ""


def state_folder() -> StateFolder:
    """Return the folder of locks and memories, made when it does not exist.

    It is the folder that the environment variable LEADLINE_STATE_DIR names, else the computer's, else the
    login's: leadline in XDG_STATE_HOME, or in .local/state at home.

    Raises:
        NoStateFolder: it can't be made, or the variable holds no absolute path.
    """
    named = os.environ.get(VARIABLE, "")
    if named:
        if not Path(named).is_absolute():
            raise NoStateFolder(f"{VARIABLE}: '{named}' is not an absolute path")
        return StateFolder(_made(Path(named)))
    why = _why_unusable(MACHINE_FOLDER)
    if not why:
        return StateFolder(MACHINE_FOLDER)
    own = _made(_login_folder())
    return StateFolder(
        own,
        f"{MACHINE_FOLDER} {why}: the rig's lock and memory are kept in {own}, for this login alone, and "
        f"another login is not kept out. An administrator can fix it: install -d -m 0777 {MACHINE_FOLDER}",
    )


def file_mode(folder: Path) -> int:
    """Return the permissions of files in a folder: who may write into it may write them."""
    return stat.S_IMODE(folder.stat().st_mode) & 0o666


def _why_unusable(folder: Path) -> str:
    """Why a folder cannot serve every login of this computer, after "FOLDER"; empty when it can."""
    try:
        folder.mkdir()
        folder.chmod(0o777)
    except FileExistsError:
        pass
    except OSError as error:
        return f"cannot be made ({error.strerror})"
    about = folder.lstat()
    if not stat.S_ISDIR(about.st_mode):
        return "is not a folder"
    if about.st_mode & stat.S_ISVTX:
        return "is sticky, so that no login can replace what another has written"
    if not os.access(folder, os.R_OK | os.W_OK | os.X_OK):
        return "may not be written by this login"
    return ""


def _login_folder() -> Path:
    """The login's folder for the state of programs; relative paths do not count, by the XDG rule."""
    named = Path(os.environ.get("XDG_STATE_HOME", ""))
    if named.is_absolute():
        return named / "leadline"
    try:
        return Path.home() / ".local" / "state" / "leadline"
    except RuntimeError:
        raise NoStateFolder(
            f"this login has no home folder to keep a rig's lock and memory in; name one in {VARIABLE}"
        ) from None


def _made(folder: Path) -> Path:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise NoStateFolder(
            f"{folder}: cannot be made ({error.strerror}), and a rig's lock and memory are kept there; name "
            f"another folder in {VARIABLE}"
        ) from None
    return folder
