"""The response of a pole to a moving sweep, held against closed forms, published formulas and scipy's integrators."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.special import wofz

from reportgen.compute.identification.drive import Drive, drive_of
from reportgen.compute.identification.drive_level import DriveLevel
from reportgen.compute.identification.envelope import envelope
from reportgen.compute.identification.modal_model import (
    NO_POLES,
    Background,
    channel_kind,
    columns,
    columns_of_mode,
    mode_envelopes,
)
from reportgen.compute.identification.recorded_peak import (
    eta_of_loss,
    fastest_rate,
    half_power,
    half_power_share,
    iso_7626_2_rate,
    sweep_parameter,
    swept_curve,
)
from reportgen.compute.identification.sweep_law import sweep_law
from reportgen.compute.identification.swept_response import SweptResponse
from reportgen.compute.identification.tracking_filter import FilterResponse, by_delay, through_filter
from reportgen.render.catalogue import said


def drive(time, frequency, level=None) -> Drive:
    level = np.ones(len(time)) if level is None else level
    swept = SweptResponse(
        frequency_hz=frequency, time_s=time, control=level, responses=np.ones((len(time), 1)), channels=("A1",),
        dimensions=("acceleration",),
    )  # fmt: skip
    return drive_of(swept, np.ones(len(time), bool), DriveLevel.as_read(level))


def pole(f0: float, q: float) -> complex:
    return 2 * np.pi * f0 * (-0.5 / q + 1j * np.sqrt(1 - 0.25 / q**2))


def exponential(start: float, stop: float, octaves_per_minute: float, h: float):
    t = np.arange(0.0, abs(np.log2(stop / start)) / octaves_per_minute * 60.0, h)
    return t, start * 2.0 ** (np.sign(stop - start) * octaves_per_minute * t / 60.0)


@pytest.mark.parametrize(
    "start, stop, rate, h, f0, q",
    [
        (8, 40, 4.0, 0.1, 18.0, 60.0),
        (40, 8, 4.0, 0.1, 18.0, 60.0),
        (8, 40, 4.0, 0.5, 18.0, 10.0),
        (50, 90, 1.0, 1.0, 70.0, 40.0),
    ],
)
def test_envelope_is_what_scipy_integrates(start, stop, rate, h, f0, q):
    t, f = exponential(start, stop, rate, h)
    level = 1.0 + 0.3 * np.sin(0.2 * t)
    s, turn = pole(f0, q), np.sign(stop - start) * rate * np.log(2) / 60
    exact = solve_ivp(
        lambda u, y: (s - 2j * np.pi * start * np.exp(turn * u)) * y + 1.0 + 0.3 * np.sin(0.2 * u),
        (0, t[-1]), [level[0] / (2j * np.pi * start - s)], method="DOP853", t_eval=t, rtol=1e-9, atol=1e-12, max_step=h,
    ).y[0]  # fmt: skip
    found, _ = envelope(drive(t, f, level), s)
    settled = t > 8.0 / abs(s.real)  # how the level moved before the first row, neither of both knows
    assert np.max(np.abs(found - exact)[settled]) < 2e-4 * np.max(np.abs(exact))


def test_slope_by_the_pole_is_its_difference_quotient():
    t, f = exponential(8, 40, 4.0, 0.1)
    d, s = drive(t, f), pole(18.0, 60.0)
    step = 1e-6 * abs(s)
    low, high = envelope(d, s - step)[0], envelope(d, s + step)[0]
    slope = envelope(d, s)[1]
    assert np.max(np.abs((high - low) / (2 * step) - slope)) < 1e-3 * np.max(np.abs(slope))


@pytest.mark.parametrize("sign", [1, -1])
def test_linear_sweep_is_the_faddeeva_function(sign):
    """E = (√π/2c)·w(ip/2c), c² = −iφ″/2: Abramowitz and Stegun 7.1.3, 7.4.2."""
    t = np.arange(0.0, 100.0, 0.2)
    f = (60.0 if sign > 0 else 140.0) + sign * 0.8 * t
    s, rate = pole(100.0, 50.0), sign * 2 * np.pi * 0.8
    c = np.sqrt(abs(rate) / 2) * np.exp(-0.25j * np.pi * sign)
    closed = np.sqrt(np.pi) / (2 * c) * wofz(1j * (2j * np.pi * f - s) / (2 * c))
    found, _ = envelope(drive(t, f), s)
    later = t > 5.0
    assert np.max(np.abs(found - closed)[later]) < 1e-4 * np.max(np.abs(closed))


def test_build_up_after_a_step_of_level_is_exponential():
    """1 − e^{−πN/Q} after N cycles at resonance: 95 % after 0.9536 Q cycles (closed form)."""
    q, f0 = 50.0, 20.0
    t = np.arange(0.0, 20.0, 0.05)
    level = np.where(t < 2.0, 1e-6, 1.0)
    found, _ = envelope(drive(t, np.full(len(t), f0 * np.sqrt(1 - 0.25 / q**2)), level), pole(f0, q))
    after = t[np.argmax(level == 1.0)] - 0.025  # the level is straight between rows: half way up
    reached = np.interp(after + 0.9536 * q / f0, t, np.abs(found)) / np.abs(found[-1])
    assert reached == pytest.approx(0.95, abs=0.004)


UNIVERSAL = [
    (0.01, 0.999980, 0.00636), (0.1, 0.998129, 0.06224), (0.5, 0.973677, 0.26445), (1.0, 0.938026, 0.45644),
    (2.0, 0.876991, 0.75425), (5.0, 0.757014, 1.38856), (10.0, 0.646071, 2.13553), (50.0, 0.388541, 5.40541),
]  # fmt: skip
"""(η, peak ratio, shift in f₀/Q): computed to 40 digits by Faddeeva function and by quadrature."""


@pytest.mark.parametrize("eta, ratio, shift", UNIVERSAL)
def test_universal_curve(eta, ratio, shift):
    found = swept_curve(eta)
    assert found[0] == pytest.approx(ratio, abs=2e-6)
    assert found[1] == pytest.approx(shift, abs=2e-4 * max(1.0, shift))


@pytest.mark.parametrize("eta", [0.05, 0.15, 0.5, 1.2, 5.0, 10.0, 30.0])
def test_cronins_formula_holds_within_its_known_error(eta):
    """G = 1 − exp(−2.86 η^−0.445), Cronin 1968 as quoted by Lalanne vol. 1 (from memory): +0.62/−0.68 % up to 30."""
    assert 1 - np.exp(-2.86 * eta**-0.445) == pytest.approx(swept_curve(eta)[0], rel=0.0069)


@pytest.mark.parametrize("loss, eta", [(0.01, 0.26074), (0.05, 0.82860), (0.20, 3.71959), (0.50, 24.1194)])
def test_sweep_parameter_of_a_loss(loss, eta):
    assert eta_of_loss(loss) == pytest.approx(eta, rel=1e-4)
    assert swept_curve(eta_of_loss(loss))[0] == pytest.approx(1.0 - loss, abs=1e-6)


def test_fastest_rate_for_five_per_cent():
    """71.73 f/Q² oct/min and 49.72 f²/Q² Hz/min keep the loss at 5 % (exact curve)."""
    assert fastest_rate(100.0, 50.0, "oct/min") == pytest.approx(71.73 * 100 / 2500, rel=2e-4)
    assert fastest_rate(100.0, 50.0, "Hz/s") == pytest.approx(49.72 * 1e4 / 2500 / 60, rel=2e-4)


def test_limit_of_iso_7626_2_means_a_peak_five_and_a_half_per_cent_low():
    """54 f²/Q² Hz/min (ISO 7626-2, from memory) is η = 0.900: peak 5.5 % low."""
    rate = iso_7626_2_rate(80.0, 30.0, "Hz/s")
    assert 1 - swept_curve(sweep_parameter(80.0, 30.0, rate))[0] == pytest.approx(0.055, abs=5e-4)


# Half-power Q over Q of the universal curve (shared table of the project, computed with mpmath by two methods).
@pytest.mark.parametrize("eta, share", [(0.1, 0.99525), (0.9, 0.81516), (3.0, 0.56857), (10.0, 0.34871)])
def test_half_power_q_of_the_universal_curve(eta, share):
    assert half_power_share(eta) == pytest.approx(share, abs=2e-5)


FINITE_Q = [
    (10, 0.1, 0.9966, 0.9996), (10, 1.0, 0.9303, 0.9466), (10, 10.0, 0.6285, 0.6692),
    (50, 0.1, 0.9978, 0.9984), (50, 1.0, 0.9363, 0.9397), (50, 3.0, 0.8261, 0.8316), (50, 10.0, 0.6420, 0.6503),
]  # fmt: skip
"""(Q, η, peak over steady peak of |T| for an exponential sweep up, down): recursion, Faddeeva and DOP853 agree."""


def swept_transmissibility(f0: float, q: float, eta: float, sign: int):
    octaves_per_minute = eta * f0 / (0.0115525 * q * q)
    ends = (f0 * 0.5, f0 * 2.2) if sign > 0 else (f0 * 2.2, f0 * 0.3)
    t, f = exponential(*ends, octaves_per_minute, q / (np.pi * f0) / 25)
    d = drive(t, f)
    poles = NO_POLES.joined(f0, q)
    kind = channel_kind("acceleration", "acceleration")
    modes = [columns_of_mode(poles, k, mode_envelopes(d, s), kind, 1.0) for k, s in enumerate(poles.s)]
    basis = columns(d, modes, kind, Background((), 1.0, np.zeros((0, len(t)), complex)))
    return f, np.abs(basis.values[0])


@pytest.mark.parametrize("q, eta, up, down", FINITE_Q)
def test_peak_of_a_swept_mode_of_finite_q(q, eta, up, down):
    z = 0.5 / q
    r = np.sqrt((np.sqrt(1 + 8 * z * z) - 1) / (4 * z * z))
    steady = np.sqrt((1 + (2 * z * r) ** 2) / ((1 - r * r) ** 2 + (2 * z * r) ** 2))
    for sign, expected in ((1, up), (-1, down)):
        _, size = swept_transmissibility(100.0, q, eta, sign)
        assert size.max() / steady == pytest.approx(expected, abs=4e-4)


def test_worked_case_of_half_power_and_shift():
    """Q = 50, η = 1, f₀ = 100 Hz, exponential up: peak 46.83 at 100.901 Hz, half-power Q 39.70 (computed)."""
    f, size = swept_transmissibility(100.0, 50.0, 1.0, 1)
    assert size.max() == pytest.approx(46.83, rel=3e-4)
    assert f[np.argmax(size)] == pytest.approx(100.901, abs=0.03)
    value, reason = half_power(f, size, int(np.argmax(size)))
    assert reason is None
    assert value == pytest.approx(39.70, rel=3e-3)


def test_half_power_on_coarse_lines_is_refused():
    f = np.arange(80.0, 120.0, 1.0)
    r = f / 100.0
    size = np.sqrt((1 + (0.02 * r) ** 2) / ((1 - r * r) ** 2 + (0.02 * r) ** 2))
    value, reason = half_power(f, size, int(np.argmax(size)))
    assert value is None
    assert "lines" in said(reason)


def test_half_power_of_a_steady_curve():
    """T of Q = 50 in steps of 0.05 Hz reads 49.98 (closed form of the half-power points)."""
    f = np.arange(90.0, 110.0, 0.05)
    r = f / 100.0
    size = np.sqrt((1 + (0.02 * r) ** 2) / ((1 - r * r) ** 2 + (0.02 * r) ** 2))
    assert half_power(f, size, int(np.argmax(size)))[0] == pytest.approx(49.98, rel=5e-3)


@pytest.mark.parametrize("decimals, within", [(4, 2e-6), (2, 2e-4), (1, 1e-3)])
def test_sweep_law_sees_through_printed_digits(decimals, within):
    t, f = exponential(10.0, 500.0, 4.0, 0.2)
    times, smooth, law = sweep_law(np.round(t, 3), np.round(f, decimals))
    assert "exponential" in said(law)
    then = 10.0 * 2.0 ** (4.0 * times / 60.0)
    assert np.max(np.abs(smooth / then - 1)) < within
    assert np.max(np.abs(times - t)) < 1e-3


def test_sweep_law_tells_the_time_of_a_row_finer_than_its_last_digit():
    t, f = exponential(10.0, 50.0, 8.0, 0.0263)
    t = t + 0.004 * np.sin(np.arange(len(t)))  # rows that are not evenly spaced
    f = 10.0 * 2.0 ** (8.0 * t / 60.0)
    times, _, _ = sweep_law(np.round(t, 3), np.round(f, 4))
    assert np.max(np.abs(np.round(t, 3) - t)) > 4e-4
    assert np.max(np.abs(times - t)) < 1e-4


def test_evenly_spaced_rows_are_seen_through_their_last_digit():
    t, f = exponential(10.0, 50.0, 8.0, 0.0263)
    times, _, _ = sweep_law(np.round(t, 3), np.round(f, 2))
    assert np.max(np.abs(times - t)) < 1e-4


def test_sweep_law_keeps_holds_and_turns():
    t = np.arange(0.0, 90.0, 0.1)
    f = np.where(t < 30, 20 * 2 ** (t / 30), np.where(t < 50, 40.0, 40 * 2 ** (-(t - 50) / 40)))
    _, smooth, _ = sweep_law(t, np.round(f, 3))
    assert np.max(np.abs(smooth / f - 1)) < 1e-4


def test_sweep_law_leaves_what_follows_no_law():
    t = np.arange(0.0, 100.0, 0.1)
    f = 50 + 20 * np.sin(0.9 * t) * np.sin(0.13 * t)
    _, smooth, law = sweep_law(t, f)
    assert np.max(np.abs(smooth - f)) < 1e-3
    assert law.code in ("law.as-logged", "law.linear")


def filtered(d, tau):
    return replace(d, bandwidth_hz=np.full(len(d.omega), 1.0 / (np.pi * tau)))


def test_tracking_filter_is_late_by_one_over_pi_b():
    """A ramp through a low-pass of −3 dB at B/2 comes out 1/(πB) later (closed form)."""
    t = np.linspace(0.0, 10.0, 201)
    ramp, slope = (2.0 + 3.0 * t).astype(complex), np.full(201, 3.0, complex)
    out = FilterResponse.of(np.diff(t), np.full(201, 2.0)).of_course(ramp, slope)
    assert np.max(np.abs(out - (ramp - 3.0 / (np.pi * 2.0)))) < 1e-9


def _through_scipy(t, level, turn, f0, q, tau):
    """(mode behind the filter, control behind the filter): envelope and two low-passes by scipy's own integrator."""
    s, start = pole(f0, q), 8.0

    def motion(u, y):
        a = np.interp(u, t, level)
        return [
            (s - 2j * np.pi * start * np.exp(turn * u)) * y[0] + a, (y[0] - y[1]) / tau, (a - y[2]) / tau
        ]  # fmt: skip

    rest = level[0] / (2j * np.pi * start - s)
    made = solve_ivp(motion, (0, t[-1]), [rest, rest, level[0] + 0j], "DOP853", t, rtol=1e-9, atol=1e-12, max_step=0.02)
    return made.y[1], made.y[2].real


@pytest.mark.parametrize("tau", [0.004, 0.03])
@pytest.mark.parametrize("dip", [0.0, 0.5])
def test_filter_on_response_and_control_is_what_scipy_integrates(tau, dip):
    """A controller that dips by half while the sweep passes the resonance: the delay common to both channels cancels,
    what the filter does while the frequency moves does not."""
    t, f = exponential(8.0, 40.0, 4.0, 0.05)
    level = 1.0 - dip * np.exp(-0.5 * ((t - np.interp(18.2, f, t)) / 0.6) ** 2)
    behind, control = _through_scipy(t, level, 4.0 * np.log(2) / 60, 18.0, 60.0, tau)
    found, _ = through_filter(filtered(drive(t, f, control), tau), pole(18.0, 60.0))
    settled = t > 1.0
    assert np.max(np.abs(found - behind)[settled]) < 5e-4 * np.max(np.abs(behind))
    unfiltered = envelope(drive(t, f, control), pole(18.0, 60.0))[0]
    assert np.max(np.abs(unfiltered - behind)[settled]) > 3e-3 * np.max(np.abs(behind))


def test_slopes_of_a_filtered_envelope_are_difference_quotients():
    t, f = exponential(8.0, 40.0, 4.0, 0.05)
    d, s, tau = drive(t, f, 1.0 + 0.2 * np.sin(0.9 * t)), pole(18.0, 60.0), 0.02

    def value(by_s=0.0, by_tau=0.0):
        return through_filter(filtered(d, tau + by_tau), s + by_s)[0]

    by_s = through_filter(filtered(d, tau), s)[1]
    step = 1e-6 * abs(s)
    assert np.max(np.abs((value(step) - value(-step)) / (2 * step) - by_s)) < 2e-3 * np.max(np.abs(by_s))
    late = by_delay(filtered(d, tau), s, np.ones(len(t)))
    quotient = (value(by_tau=1e-5) - value(by_tau=-1e-5)) / 2e-5
    assert np.max(np.abs(quotient - late)) < 1e-2 * np.max(np.abs(late))
