"""Our least squares against the certified values of the NIST Statistical Reference Datasets.

Data and certified values: tests/data/nist_strd, source note there.
"""

import re
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from grading.fit import fit_least_squares

FOLDER = Path(__file__).parent.parent / "data" / "nist_strd"

MODELS = {
    "Misra1a": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "Misra1d": lambda b, x: b[0] * b[1] * x / (1 + b[1] * x),
    "BoxBOD": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "Chwirut2": lambda b, x: np.exp(-b[0] * x) / (b[1] + b[2] * x),
    "Rat42": lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)),
    "Rat43": lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)) ** (1 / b[3]),
    "MGH09": lambda b, x: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
    # Two exponentials and a constant: the shape of a two-mode step response.
    "MGH17": lambda b, x: b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4]),
    "Thurber": lambda b, x: (
        (b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3) / (1 + b[4] * x + b[5] * x**2 + b[6] * x**3)
    ),
}


def read(name):
    """Starts (2, P), certified parameters and standard deviations (P,), residual sum of squares, x, y."""
    lines = (FOLDER / f"{name}.dat").read_text(encoding="ascii").splitlines()
    certified = [
        m.groups() for m in (re.match(r"\s*b\d+ =\s+(\S+)\s+(\S+)\s+(\S+)\s+(\S+)", x) for x in lines) if m
    ]
    table = np.array(certified, dtype=float)
    rss = float(next(line.split(":")[1] for line in lines if line.startswith("Residual Sum of Squares")))
    data = np.array([line.split() for line in lines[60:] if line.strip()], dtype=float)
    return table[:, :2].T, table[:, 2], table[:, 3], rss, data[:, 1], data[:, 0]


@pytest.mark.parametrize("start", [0, 1], ids=["far start", "near start"])
@pytest.mark.parametrize("name", MODELS)
def test_nonlinear_fit_reproduces_the_certified_values(name, start):
    starts, parameters, sd, rss, x, y = read(name)
    model = MODELS[name]
    fit = fit_least_squares(lambda b: model(b, x), y, starts[start])
    assert fit.converged, fit.reason
    assert fit.parameters == pytest.approx(parameters, rel=5e-7)
    assert fit.standard_uncertainty == pytest.approx(sd, rel=1e-6)
    assert fit.chi_squared == pytest.approx(rss, rel=1e-9)
    assert fit.degrees_of_freedom == y.size - parameters.size


def norris():
    installed = files("scipy") / "stats" / "tests" / "data" / "nist_linregress" / "Norris.dat"
    # Some distributions strip the tests of scipy; the copy is the same file.
    path = installed if installed.is_file() else FOLDER / "Norris.dat"
    lines = path.read_text(encoding="ascii").splitlines()
    data = np.array([line.split() for line in lines[60:] if line.strip()], dtype=float)
    return data[:, 1], data[:, 0]


def test_straight_line_reproduces_norris():
    x, y = norris()
    fit = fit_least_squares(lambda b: b[0] + b[1] * x, y, np.array([0.0, 0.5]))
    assert fit.parameters == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-10)
    assert fit.standard_uncertainty == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-10)
    assert np.sqrt(fit.chi_squared / fit.degrees_of_freedom) == pytest.approx(0.884796396144373, rel=1e-12)
    total = np.sum((y - y.mean()) ** 2)
    assert 1.0 - fit.chi_squared / total == pytest.approx(0.999993745883712, rel=1e-13)


def test_both_copies_of_norris_are_the_same():
    installed = files("scipy") / "stats" / "tests" / "data" / "nist_linregress" / "Norris.dat"
    if not installed.is_file():
        pytest.skip("this scipy comes without its test data")
    assert installed.read_bytes() == (FOLDER / "Norris.dat").read_bytes()
