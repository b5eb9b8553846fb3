"""What is shipped with the program: files by name, and drivers."""

from __future__ import annotations

from rig_configs.files.shipped_files import shipped_names


def shipped() -> dict[str, list[str]]:
    """Return the names of the shipped files by kind, and of the drivers."""
    from drivers.catalogue import driver_names

    return {
        "benches": shipped_names("benches"),
        "procedures": shipped_names("procedures"),
        "cells": shipped_names("cells"),
        "limits": shipped_names("limits"),
        "drivers": sorted(driver_names()),
    }
