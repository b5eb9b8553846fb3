"""Least squares against the certified values of the NIST Statistical Reference Datasets.

Data and certified values: tests/data/nist_strd, source note there. The code that certificates use is
checked against them as far as it can express the models; the oracle for the other models is checked as well.
"""

import re
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from least_squares import fit_least_squares

from grading.fit import SeparableBatch
from grading.response.block import CellBlock, repeat_groups
from grading.response.models import ThreeFits
from grading.response.shape import column_and_slopes, log_ratio
from grading.uncertainty import StepErrors

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
def test_the_oracle_reproduces_the_certified_values(name, start):
    starts, parameters, sd, rss, x, y = read(name)
    model = MODELS[name]
    fit = fit_least_squares(lambda b: model(b, x), y, starts[start])
    assert fit.parameters == pytest.approx(parameters, rel=5e-7)
    assert fit.standard_uncertainty == pytest.approx(sd, rel=1e-6)
    assert fit.chi_squared == pytest.approx(rss, rel=1e-9)
    assert fit.degrees_of_freedom == y.size - parameters.size


# Models of one amplitude and one or two shape parameters: moving column with its derivatives, shape of the
# certified parameters, and parameters of amplitude and shape.


def saturation(shape, x):
    rest = np.exp(-shape[0] * x)
    return 1 - rest, (x * rest)[None]


def hyperbola(shape, x):
    return x / (1 + shape[0] * x), (-((x / (1 + shape[0] * x)) ** 2))[None]


def decay_over_line(shape, x):
    value = np.exp(-shape[0] * x) / (1 + shape[1] * x)
    return value, np.stack([-x * value, -x * value / (1 + shape[1] * x)])


def logistic(shape, x):
    value = 1 / (1 + np.exp(shape[0] - shape[1] * x))
    return value, np.stack([-value * (1 - value), x * value * (1 - value)])


SEPARABLE = {
    "Misra1a": (saturation, lambda b: b[1:], lambda a, s: (a, s[0])),
    "Misra1d": (hyperbola, lambda b: b[1:], lambda a, s: (a / s[0], s[0])),
    "BoxBOD": (saturation, lambda b: b[1:], lambda a, s: (a, s[0])),
    "Chwirut2": (
        decay_over_line,
        lambda b: np.array([b[0], b[2] / b[1]]),
        lambda a, s: (s[0], 1 / a, s[1] / a),
    ),
    "Rat42": (logistic, lambda b: b[1:], lambda a, s: (a, s[0], s[1])),
}


def batch_of_both_starts(name):
    """The data twice, whitened by the certified scatter as a cell's are by its uncertainties; the starts."""
    starts, parameters, _, rss, _, y = read(name)
    w = np.full((y.size, 2), np.sqrt((y.size - parameters.size) / rss))
    return SeparableBatch(w, np.stack([y, y], axis=1), None), starts


def solve(name, **options):
    """Fit from both starts at once: parameters (2, P), and chi-squared over its certified value (2,)."""
    _, parameters, _, _, x, y = read(name)
    column, shape_of, parameters_of = SEPARABLE[name]
    batch, starts = batch_of_both_starts(name)
    fit = batch.solve(
        lambda shape, index: column(shape, x[:, None]),
        np.stack([shape_of(start) for start in starts], axis=1),
        np.zeros_like(shape_of(parameters)),
        100.0 * shape_of(parameters),
        **options,
    )
    assert np.all(fit.converged)
    found = [parameters_of(fit.amplitude[i], fit.shape[:, i]) for i in range(2)]
    return np.array(found), fit.chi_squared / (y.size - parameters.size)


@pytest.mark.parametrize("name", SEPARABLE)
def test_the_batched_fit_reaches_the_certified_digits(name):
    _, parameters, *_ = read(name)
    found, chi_squared = solve(name, tolerance=1e-15, most_iterations=100)
    for start in range(2):
        assert found[start] == pytest.approx(parameters, rel=2e-7)
    assert chi_squared == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize("name", SEPARABLE)
def test_the_batched_fit_as_certificates_use_it_stops_well_inside_the_uncertainty(name):
    _, parameters, sd, *_ = read(name)
    found, chi_squared = solve(name)
    assert np.max(np.abs(found - parameters) / sd) < 3e-3
    assert chi_squared == pytest.approx(1.0, rel=1e-6)


def test_the_response_family_itself_reproduces_misra1d():
    # With a sharpness of 1 and no output at zero, the family of grading.response.shape is Misra1d:
    # S p / (1 + S p / L), with b1 = L and b2 = S / L. The shortfall at the top is ln(1 + b2 p).
    starts, parameters, _, _, x, _ = read("Misra1d")
    batch, _ = batch_of_both_starts("Misra1d")
    po2, top = x[:, None] + np.zeros(2), np.full(2, x.max())
    ratio = log_ratio(po2, top)

    def moving(shape, index):
        g, slopes, _ = column_and_slopes(np.concatenate([shape, 0.0 * shape]), ratio[:, index], po2[:, index])
        return g, slopes[:1]

    shortfall = np.log1p(starts[:, 1] * x.max())[None]
    fit = batch.solve(
        moving, shortfall, np.array([0.0]), np.array([3.0]), tolerance=1e-15, most_iterations=100
    )
    b2 = np.expm1(fit.shape[0]) / top
    assert np.all(fit.converged)
    for start in range(2):
        assert [fit.amplitude[start] / b2[start], b2[start]] == pytest.approx(parameters, rel=2e-7)


def norris():
    installed = files("scipy") / "stats" / "tests" / "data" / "nist_linregress" / "Norris.dat"
    # Some distributions leave out the tests of scipy; the copy is the same file.
    path = installed if installed.is_file() else FOLDER / "Norris.dat"
    lines = path.read_text(encoding="ascii").splitlines()
    data = np.array([line.split() for line in lines[60:] if line.strip()], dtype=float)
    return data[:, 1], data[:, 0]


NORRIS = np.array([-0.262323073774029, 1.00211681802045])
NORRIS_SD = np.array([0.232818234301152, 0.429796848199937e-3])
NORRIS_SCATTER = 0.884796396144373


def test_the_oracle_reproduces_norris():
    x, y = norris()
    fit = fit_least_squares(lambda b: b[0] + b[1] * x, y, np.array([0.0, 0.5]))
    assert fit.parameters == pytest.approx(NORRIS, rel=1e-10)
    assert fit.standard_uncertainty == pytest.approx(NORRIS_SD, rel=1e-10)
    assert np.sqrt(fit.chi_squared / fit.degrees_of_freedom) == pytest.approx(NORRIS_SCATTER, rel=1e-12)
    total = np.sum((y - y.mean()) ** 2)
    assert 1.0 - fit.chi_squared / total == pytest.approx(0.999993745883712, rel=1e-13)


def test_the_straight_line_of_a_certificate_reproduces_norris():
    x, y = norris()
    k = x.size
    # Norris as one cell: x as exact PO2, y as output that scatters as certified.
    errors = StepErrors(
        po2_bar=x[None],
        output_mv=y[None],
        common=np.zeros((1, 0, 2 * k)),
        common_names=(),
        common_dof=np.zeros(0),
        independent=np.repeat([0.0, NORRIS_SCATTER], k)[None, None],
        independent_names=("scatter",),
        independent_dof=np.full((1, 1, 2 * k), np.inf),
    )
    fits = ThreeFits(CellBlock(errors, slice(0, 1), repeat_groups(errors.po2_bar, None), None))
    covariance, _ = fits.covariance(np.zeros((2, 1)), fits.line.amplitude, np.array([0]))
    assert [fits.line.fixed[0], fits.line.amplitude[0]] == pytest.approx(NORRIS, rel=1e-10)
    assert np.sqrt(np.diag(covariance[0]))[:2] == pytest.approx(NORRIS_SD, rel=1e-8)
    assert fits.chi_squared[0, 0] == pytest.approx(k - 2, rel=1e-9)
    assert fits.spare[0, 0] == k - 2


def test_both_copies_of_norris_are_the_same():
    installed = files("scipy") / "stats" / "tests" / "data" / "nist_linregress" / "Norris.dat"
    if not installed.is_file():
        pytest.skip("this scipy has no test data")
    assert installed.read_bytes() == (FOLDER / "Norris.dat").read_bytes()
