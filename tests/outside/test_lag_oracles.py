"""The lag of a cell against scipy.signal, python-control and closed forms."""

import control
import numpy as np
import pytest
from scipy.linalg import solve_banded
from scipy.signal import lsim

from grading.settling.lag import Drive, membrane_poles, one_pole, places, poles, poles_t90_s, shifts


def ramped(t_s, start_s=5.0, ramp_s=12.0):
    return 1.0 + 0.6 * np.clip((t_s - start_s) / ramp_s, 0.0, 1.0)


@pytest.mark.parametrize("tau_s", [0.3, 2.6, 17.0])
def test_one_pole_agrees_with_scipy_lsim(tau_s):
    """scipy.signal.lsim interpolates the input linearly, as we do (its documentation, `interp=True`)."""
    t_s = np.arange(0.0, 60.0, 0.2)
    po2 = ramped(t_s) + 0.01 * np.sin(t_s)
    drive = Drive.joined([(t_s, po2)])
    ours = one_pole(drive, tau_s, places(drive, t_s))
    _, theirs, _ = lsim(([1.0], [tau_s, 1.0]), po2 - po2[0], t_s)
    assert ours == pytest.approx(theirs + po2[0], abs=1e-12)


def test_one_pole_agrees_with_python_control_on_two_modes():
    """python-control forced_response, first-order hold on an even grid."""
    t_s = np.arange(0.0, 80.0, 0.1)
    po2 = ramped(t_s)
    system = control.tf([0.92], [2.6, 1.0]) + control.tf([0.08], [40.0, 1.0])
    theirs = control.forced_response(system, t_s, po2 - po2[0], interpolate=True).outputs + po2[0]
    drive = Drive.joined([(t_s, po2)])
    ours = poles(drive, np.array([2.6, 40.0]), np.array([0.92, 0.08]), places(drive, t_s))
    assert ours == pytest.approx(theirs, abs=1e-9)


def test_uneven_samples_and_instants_between_them_follow_the_closed_form_of_a_ramp():
    """Answer of 1/(1 + tau s) to a ramp of slope m from rest: m (t - tau + tau exp(-t/tau))."""
    rng = np.random.default_rng(1)
    t_s = np.concatenate([[0.0], np.cumsum(rng.uniform(0.05, 0.6, 200))])
    slope, tau_s = 0.03, 2.2
    drive = Drive.joined([(t_s, 1.0 + slope * t_s)])
    at_s = np.sort(rng.uniform(0.0, t_s[-1], 500))
    ours = one_pole(drive, tau_s, places(drive, at_s))
    assert ours == pytest.approx(1.0 + slope * (at_s - tau_s + tau_s * np.exp(-at_s / tau_s)), abs=1e-12)


def test_traces_laid_end_to_end_know_nothing_of_each_other():
    t_s = np.arange(0.0, 40.0, 0.25)
    first, second = ramped(t_s), 2.0 - 0.3 * np.clip((t_s - 8.0) / 3.0, 0.0, 1.0)
    traces = [(t_s, first), (t_s, second)]
    joined = Drive.joined(traces)
    at_s = np.concatenate([t_s + shift for shift in shifts(traces)])
    both = one_pole(joined, 3.0, places(joined, at_s))
    alone = [one_pole(d, 3.0, places(d, t_s)) for d in (Drive.joined([trace]) for trace in traces)]
    assert both == pytest.approx(np.concatenate(alone), abs=1e-12)


def test_t90_agrees_with_python_control_and_with_ln_10():
    """python-control step_info gives the rise time tau ln 9 and the settling time tau ln 50 of one pole."""
    info = control.step_info(control.tf([1.0], [2.6, 1.0]), T=np.linspace(0.0, 60.0, 200_001))
    assert info["RiseTime"] == pytest.approx(2.6 * np.log(9.0), rel=1e-3)
    assert poles_t90_s(np.array([2.6]), np.array([1.0])) == pytest.approx(2.6 * np.log(10.0), rel=1e-9)
    system = control.tf([0.92], [2.6, 1.0]) + control.tf([0.08], [40.0, 1.0])
    t_s = np.linspace(0.0, 100.0, 400_001)
    reached = control.step_response(system, t_s).outputs >= 0.9
    ours = poles_t90_s(np.array([2.6, 40.0]), np.array([0.92, 0.08]))
    assert ours == pytest.approx(t_s[np.argmax(reached)], abs=1e-3)


def test_t90_of_a_membrane_is_that_of_crank_s_series():
    """Crank, The Mathematics of Diffusion, plane sheet: flux 1 + 2 sum (-1)^n exp(-n^2 t/tau) after a step.

    T90 is 2.99561 tau, close to ln 20 = 2.99573, which is the first term alone.
    """
    t90 = poles_t90_s(*membrane_poles(1.0))
    n = np.arange(1, 200)
    assert 1.0 + 2.0 * np.sum((-1.0) ** n * np.exp(-(n**2) * t90)) == pytest.approx(0.9, abs=1e-9)
    assert t90 == pytest.approx(np.log(20.0), rel=1e-4)


def test_the_series_of_a_membrane_agrees_with_its_partial_differential_equation():
    """Crank-Nicolson of dc/dt = D d2c/dx2 with the driving PO2 on one face and none on the other."""
    tau_s, cells, step_s = 2.0, 200, 0.01
    t_s = np.arange(0.0, 30.0, step_s)
    po2 = ramped(t_s, 2.0, 5.0)
    d = 1.0 / (np.pi**2 * tau_s)
    x = np.linspace(0.0, 1.0, cells + 1)
    h = x[1]
    r = d * step_s / (2.0 * h * h)
    inner = cells - 1
    band = np.zeros((3, inner))
    band[0, 1:], band[1], band[2, :-1] = -r, 1.0 + 2.0 * r, -r
    c = 1.0 - x
    flux = [1.0]
    for after in po2[1:]:
        right = c[1:-1] + r * (c[2:] - 2.0 * c[1:-1] + c[:-2])
        right[0] += r * after
        c[0], c[1:-1] = after, solve_banded((1, 1), band, right)
        flux.append((4.0 * c[-2] - c[-3]) / (2.0 * h))
    drive = Drive.joined([(t_s, po2)])
    ours = poles(drive, *membrane_poles(tau_s), places(drive, t_s))
    assert ours == pytest.approx(np.array(flux), abs=3e-4)
