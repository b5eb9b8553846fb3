"""Invented measurements from code: N cells on the usual steps, outputs from any function of PO2."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from grading.measurement import ErrorModel, Measurement, StepTable
from grading.results import CellInfo, RunConditions, StepResponse

AIR_PO2_BAR = 0.2095
UP = (1.0, 1.2, 1.4, 1.6, 1.8, 2.0)
DOWN = (1.8, 1.6, 1.4, 1.2, 1.0)


def measurement(
    *responses,
    up=UP,
    down=DOWN,
    air=True,
    names=None,
    errors=None,
    fraction=0.995,
    noise_percent=0.02,
    fade_percent_per_min=0.0,
    t90_s=None,
    u_output_mv=0.002,
    settled=1,
    temperature_c=22.0,
    temperature_coefficients=None,
    edit=None,
    **others,
):
    """A Measurement of one cell per response; a response maps PO2 in bar to mV.

    `edit(fields)` may change the StepTable's arrays before it is made; `others` go to Measurement.
    """
    steps = [("air", "up", np.nan)] if air else []
    steps += [("oxygen", "up", nominal) for nominal in up]
    steps += [("oxygen", "down", nominal) for nominal in down]
    count, k = len(responses), len(steps)
    nominal = np.array([step[2] for step in steps])
    in_air = np.array([step[0] == "air" for step in steps])
    # Gas mixture and pressure are chosen so that the reference PO2 is exactly the nominal one.
    pressure = np.where(in_air, 1.0, nominal / fraction)
    po2 = np.where(in_air, AIR_PO2_BAR, nominal)
    output = np.array([[float(response(p)) for p in po2] for response in responses])

    def full(value):
        return np.broadcast_to(np.asarray(value, dtype=float), (count, k)).copy()

    fields = {
        "step": np.arange(k),
        "gas": tuple(step[0] for step in steps),
        "direction": tuple(step[1] for step in steps),
        "nominal_po2_bar": nominal,
        "time_s": 120.0 * np.arange(k),
        "pressure_bar": full(pressure),
        "u_pressure_bar": full(0.0001),
        "oxygen_fraction": full(np.where(in_air, AIR_PO2_BAR, fraction)),
        "temperature_c": full(temperature_c),
        "relative_humidity": full(0.0),
        "output_mv": output,
        "u_output_mv": full(u_output_mv),
        "output_dof": full(50.0),
        "settled": np.full((count, k), settled),
        "noise_percent": full(noise_percent),
        "fade_percent_per_min": full(fade_percent_per_min),
        "u_fade_percent_per_min": full(0.02),
    }
    if edit is not None:
        edit(fields)
    names = names or [f"TB-{417 + i:04d}" for i in range(count)]
    coefficients = temperature_coefficients or [None] * count
    cells = tuple(
        CellInfo(name, temperature_coefficient_percent_per_k=coefficient)
        for name, coefficient in zip(names, coefficients, strict=True)
    )
    if t90_s is not None:
        lag = tuple(
            StepResponse(direction, 2, "one pole", t90_s, 0.05, degrees_of_freedom=40.0)
            for direction in ("up", "down")
        )
        others.setdefault("responses", (lag,) * count)
    return Measurement(
        source="made up",
        source_kind="record",
        cells=cells,
        steps=StepTable(**fields),
        errors=errors or ErrorModel(),
        conditions=RunConditions(),
        **others,
    )


@pytest.fixture(scope="session")
def measured():
    """The builder `measurement`."""
    return measurement


@pytest.fixture(scope="session")
def samples():
    """The module of invented gradings beside this file, for pictures and papers."""
    path = Path(__file__).with_name("sample_grading.py")
    spec = importlib.util.spec_from_file_location("sample_grading", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module
