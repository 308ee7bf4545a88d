"""What a tracking filter does to the envelope of a mode before it is logged.

A filter of bandwidth B that follows the drive is, to an envelope, a low-pass of −3 dB at B/2, late by τ = 1/(πB):
F + τF′ = E. It acts on the control as well, so that the level A that drove the mode is the logged one as it was before
the filter, A + τA′. What that level drives is E + τE′ + X with

    X′ = (s − iφ′) X + iτφ″ E,

and the filter takes E + τE′ back to E: the log shows E + F[X]. Nothing is left where the frequency stands still,
whatever the level does; in a sweep the mode seems to lie higher by τφ″/2π, and its beats are smeared.

Of a filter of several poles every one adds the same again of what the ones before it left. With L = d/dt − (s − iφ′),
C₀ = E and L C_k = k iφ″ C_{k−1} − (k over 2) iφ‴ C_{k−2} + … (E differentiated k times by the time at which the law of
frequency begins), the pole of lateness τ takes C_k to C_k + τF[C_{k+1}], and the log shows C₀ after all poles. The
series is finite; it is cut where a power of shift over half-width is lost in it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import comb

import numpy as np

from reportgen.compute.identification.drive import Drive, finer
from reportgen.compute.identification.envelope import MOST_DERIVATIVES, Complexes, envelope, recurrence, rule
from reportgen.compute.sweep.pieces import BREAK_S
from reportgen.records.log import Floats

_NODES = ((8.0, 12), (50.0, 32), (240.0, 128), (np.inf, 256))
"""(largest rotation of a pole within a row, rad; Gauss-Legendre nodes)."""
_LOST = 1e-5
"""Power of shift over half-width of a mode from which the series for several poles is cut."""
_MEMORY = 30.0
"""Time constants of the filter after which its input is forgotten: e⁻³⁰ = 1e-13."""
_RINGING = 7.0
"""Time constants after which the beats of a mode are a thousandth of what they were."""
_TURN = 1.0
"""Rotation from row to row, rad, that a cubic through values and slopes follows."""
_MOST_PARTS = 8
"""Guard: parts that a step between rows is cut into."""
_PAUSE = 0.5 * BREAK_S / _MOST_PARTS
"""Seconds of a step, or of a part of one, that lies between two pieces of a sweep: what follows begins anew."""


def butterworth(order: int) -> tuple[complex, ...]:
    """Decay rates of the poles of a Butterworth low-pass over its corner πB.

    Butterworth, Wireless Engineer 7 (1930) 536.
    """
    k = np.arange(order)
    return tuple(complex(p) for p in -np.exp(1j * np.pi * (2 * k + order + 1) / (2 * order)))


def lateness(order: int) -> float:
    """Delay of slow changes, in 1/(πB)."""
    return float(sum(1.0 / p for p in butterworth(order)).real)


def through_filter(drive: Drive, pole: complex) -> tuple[Complexes, Complexes]:
    """E + F[X] and its derivative by s at the rows, each (n,), for the filter that the drive was logged through."""
    if len(drive.filter_poles) > 1:
        return _through_several(drive, pole)
    fine, parts = _resolved(drive, pole)
    (lag,) = _filter_response(drive, parts)
    tau = 1.0 / (np.pi * lag.bandwidth_hz)
    envelopes = envelope(fine, pole, derivatives=2)
    x, x_ds = _pushed(fine, pole, envelopes, tau)
    turn, push = pole - 1j * fine.omega, 1j * tau * fine.omega_dot
    slope, slope_ds = turn * x + push * envelopes[0], turn * x_ds + x + push * envelopes[1]
    value = envelopes[0] + lag.of_course(x, slope)
    by_s = envelopes[1] + lag.of_course(x_ds, slope_ds)
    return value[::parts], by_s[::parts]


def before_filter(drive: Drive, pole: complex) -> tuple[Complexes, Complexes]:
    """E + τE′ + X and its derivative by s at the rows, each (n,): the envelope whose filtered course is logged.

    Of a filter of several poles with their delays added up, which holds to the first power of the delay.
    """
    assert drive.bandwidth_hz is not None
    tau = float(np.sum(1.0 / np.array(drive.filter_poles)).real) / (np.pi * drive.bandwidth_hz)
    e, by_s, by_s2 = envelope(drive, pole, derivatives=2)
    turn, push = pole - 1j * drive.omega, 1j * drive.omega_dot
    value = e + tau * (turn * e + drive.amplitude + push * by_s)
    return value, by_s + tau * (e + turn * by_s + push * by_s2)


def _through_several(drive: Drive, pole: complex) -> tuple[Complexes, Complexes]:
    """The same for a filter of several poles."""
    fine, parts = _resolved(drive, pole)
    lags = _filter_response(drive, parts)
    value, slope = _shifted(fine, pole, _shifts(drive, pole))
    for left, lag in zip(range(len(lags))[::-1], lags, strict=True):
        needed = min(value.shape[1] - 1, left)
        fed = slice(1, min(needed + 1, value.shape[1] - 1) + 1)
        once = lag.of_course(value[:, fed], slope[:, fed])
        moved, moved_slope = once / lag.rate, value[:, fed] - once
        value, slope = value[:, : needed + 1].copy(), slope[:, : needed + 1].copy()
        value[:, : moved.shape[1]] += moved
        slope[:, : moved.shape[1]] += moved_slope
    return value[0, 0, ::parts], value[1, 0, ::parts]


def _shifts(drive: Drive, pole: complex) -> int:
    """C_k that are followed."""
    assert drive.bandwidth_hz is not None
    late = float(np.sum([1.0 / p for p in drive.filter_poles]).real) / (np.pi * drive.bandwidth_hz)
    at = int(np.argmin(np.abs(drive.omega - pole.imag)))
    share = abs(float(drive.omega_dot[at])) * float(late[at]) / abs(pole.real)
    wanted = np.log(_LOST) / np.log(share) if share < 1.0 else np.inf
    return int(min(max(np.ceil(wanted), 1), len(drive.filter_poles), MOST_DERIVATIVES - 2))


def _shifted(drive: Drive, pole: complex, terms: int) -> tuple[Complexes, Complexes]:
    """C₀ … C_terms and their slopes by time, with their derivatives by s: shape (2, terms + 1, n).

    C_k = q^k E_k − κ (k/2) q^k E_{k+1} − κ (k over 2) q^(k−1) E_{k−1} to first order in κ, with q = iφ″ and E_m the
    m-th derivative of E by s: L⁻¹ q = q L⁻¹ − κ q L⁻² on every q that is taken out to the left.
    """
    e = np.stack(envelope(drive, pole, derivatives=terms + 2))
    push, turn, kappa = 1j * drive.omega_dot, pole - 1j * drive.omega, _quickening(drive)
    value = np.zeros((2, terms + 1, len(push)), complex)
    value[:, 0], value[:, 1] = e[:2], _pushed(drive, pole, list(e[:3]), np.ones_like(drive.omega))
    for k in range(2, terms + 1):
        value[:, k] = push**k * (e[k : k + 2] - 0.5 * k * kappa * e[k + 1 : k + 3])
        value[:, k] -= comb(k, 2) * kappa * push ** (k - 1) * e[k - 1 : k + 1]
    slope = turn * value
    slope[1] += value[0]
    slope[0, 0] += drive.amplitude
    for k in range(1, terms + 1):
        for j in range(1, k + 1):
            slope[:, k] += comb(k, j) * push * (-kappa) ** (j - 1) * value[:, k - j]
    return np.asarray(value), np.asarray(slope, complex)


def _quickening(drive: Drive) -> Floats:
    """κ = φ‴/φ″ at the rows, 1/s, (n,), for a rate in proportion to a power of frequency: 1 exponential, 0 linear."""
    moving = drive.omega_dot != 0.0
    x, y = np.log(drive.omega[moving]), np.log(np.abs(drive.omega_dot[moving]))
    spread = x - x.mean() if len(x) else x
    power = float(spread @ y / max(spread @ spread, 1e-300)) if len(x) else 0.0
    return np.asarray(float(np.clip(power, 0.0, 1.0)) * drive.omega_dot / drive.omega)


def decay_through_filter(drive: Drive, pole: complex, row: int, stop: int) -> tuple[Complexes, Complexes]:
    """e^{st} from a row on, turned back by the drive, as the filter passes it, and ∂/∂s: rows ``row`` … stop−1, (n,).

    The filter is taken as if it followed the decay before; what it does by itself at first is e^{−pt} of its poles.
    """
    if pole.imag < 0:
        return _attenuated(drive, pole, row, stop)
    turn = np.abs(drive.omega[row : stop - 1] - pole.imag) * drive.step[row : stop - 1]
    parts = int(np.clip(np.ceil(np.max(turn, initial=0.0) / _TURN), 1, _MOST_PARTS))
    fine, phase, lags = _from_row(drive, row, parts)
    last = (stop - row - 1) * parts + 1
    after, back = fine.time_s[:last] - fine.time_s[0], pole - 1j * fine.omega[:last]
    unit = np.exp(pole * after - 1j * phase[:last])
    course = np.stack([unit, after * unit])
    slope = np.stack([back * unit, back * after * unit + unit])
    for lag in lags:
        own = lag.first(last)
        passed = own.of_course(course, slope)
        course, slope = passed, own.rate * (course - passed)
    return course[0, ::parts], course[1, ::parts]


def _attenuated(drive: Drive, pole: complex, row: int, stop: int) -> tuple[Complexes, Complexes]:
    """The same of a decay that turns too fast for anything but a tone far beside the drive."""
    assert drive.bandwidth_hz is not None
    rows = slice(row, stop)
    after = drive.time_s[rows] - drive.time_s[row]
    turned = np.concatenate([[0.0], np.cumsum(drive.advance[row : stop - 1])])
    value = np.exp(pole * after - 1j * turned)
    by_s = after * value
    for rate in drive.filter_poles:
        late = 1.0 / (np.pi * drive.bandwidth_hz[rows] * rate)
        passed = 1.0 / (1.0 + late * (pole - 1j * drive.omega[rows]))
        value, by_s = value * passed, by_s * passed - value * late * passed**2
    return value, by_s


@lru_cache(maxsize=64)
def _from_row(drive: Drive, row: int, parts: int) -> tuple[Drive, Floats, tuple[FilterResponse, ...]]:
    """The drive from a row to the end of its piece, cut into so many parts a row; its phase, and its filter's poles."""
    later = np.flatnonzero(drive.step[row:] > _PAUSE)
    own = drive.part(row, row + int(later[0]) + 1 if len(later) else len(drive.omega))
    assert own.bandwidth_hz is not None
    fine = own if parts == 1 else finer.__wrapped__(own, parts)
    bandwidth = _between(own.bandwidth_hz, parts)
    lags = tuple(FilterResponse.of(fine.step, bandwidth, pole) for pole in drive.filter_poles)
    return fine, np.concatenate([[0.0], np.cumsum(fine.advance)]), lags


def by_delay(drive: Drive, pole: complex, course: Floats) -> Complexes:
    """∂(E + F[X])/∂τ at the rows for a filter late by τ · ``course``, (n,): F[F[X/τ]]; X/τ where there is none yet."""
    fine, parts = _resolved(drive, pole)
    course = _between(course, parts)
    envelopes = envelope(fine, pole, derivatives=2)
    x, _ = _pushed(fine, pole, envelopes, course)
    if drive.bandwidth_hz is None:
        return x[::parts]
    lag = _filter_response(drive, parts)[0]
    slope = (pole - 1j * fine.omega) * x + 1j * course * fine.omega_dot * envelopes[0]
    once = lag.of_course(x, slope)
    return lag.of_course(once, np.pi * lag.bandwidth_hz * (x - once))[::parts]


@lru_cache(maxsize=16)
def _filter_response(drive: Drive, parts: int) -> tuple[FilterResponse, ...]:
    """The poles of a drive's filter on rows cut into so many parts: the same for every mode."""
    assert drive.bandwidth_hz is not None
    step, bandwidth = drive.step if parts == 1 else finer(drive, parts).step, _between(drive.bandwidth_hz, parts)
    return tuple(FilterResponse.of(step, bandwidth, pole) for pole in drive.filter_poles)


def _resolved(drive: Drive, pole: complex) -> tuple[Drive, int]:
    """The drive with rows so fine that a cubic follows the beats of a mode until they have died away; rows to a row."""
    ringing = _RINGING / abs(pole.real)
    near = np.abs(drive.omega[:-1] - pole.imag) < np.abs(drive.omega_dot[:-1]) * ringing
    turn = np.abs(drive.omega[:-1] - pole.imag) * drive.step
    parts = int(np.clip(np.ceil(np.max(turn[near], initial=0.0) / _TURN), 1, _MOST_PARTS))
    return (drive if parts == 1 else finer(drive, parts)), parts


def _between(values: Floats, parts: int) -> Floats:
    """Values at rows, straight in between."""
    rows = np.arange((len(values) - 1) * parts + 1) / parts
    return values if parts == 1 else np.interp(rows, np.arange(len(values)), values)


def _pushed(drive: Drive, pole: complex, envelopes: list[Complexes], tau_s: Floats) -> tuple[Complexes, Complexes]:
    """X and ∂X/∂s at the rows for E, ∂E/∂s, ∂²E/∂s² there; ``tau_s`` (n,) seconds."""
    by_s, by_s2 = envelopes[1:]
    h = drive.step
    gain = np.exp(pole * h - 1j * drive.advance)
    turning = np.divide(np.diff(drive.omega), h, out=np.zeros_like(h), where=h > 0)
    push = 0.5j * (tau_s[1:] + tau_s[:-1]) * turning
    start, start_ds = complex(1j * tau_s[0] * turning[0] * by_s[0]), complex(1j * tau_s[0] * turning[0] * by_s2[0])
    anew = np.flatnonzero(h > _PAUSE)
    begun = 1j * tau_s[anew + 1] * drive.omega_dot[anew + 1]
    load = push * (by_s[1:] - gain * by_s[:-1])
    load[anew] = begun * by_s[anew + 1]
    x = np.concatenate([[start], recurrence(gain, load, start)])
    load = push * (by_s2[1:] - gain * (by_s2[:-1] + h * by_s[:-1])) + gain * h * x[:-1]
    load[anew] = begun * by_s2[anew + 1]
    return x, np.concatenate([[start_ds], recurrence(gain, load, start_ds)])


@dataclass(frozen=True, slots=True, eq=False)
class FilterResponse:
    """A pole of the filter from row to row, for courses that are the cubic through their values and slopes between."""

    bandwidth_hz: Floats
    """Of the whole filter at the rows, shape (n,)."""
    pole: complex
    """Its decay rate over πB."""
    gain: Complexes
    """What is left of a row's output at the next, shape (n−1,)."""
    weights: Complexes
    """Of the value before and after a step, and of both slopes, in what the step adds; shape (4, n−1)."""

    @classmethod
    def of(cls, step: Floats, bandwidth_hz: Floats, pole: complex = 1.0) -> FilterResponse:
        """For steps (n−1,) in seconds and a bandwidth (n,) at the rows."""
        rate = np.pi * 0.5 * (bandwidth_hz[1:] + bandwidth_hz[:-1]) * pole
        length = np.minimum(step, _MEMORY / rate.real)
        share = np.divide(length, step, out=np.ones_like(step), where=step > 0)
        turn = float(np.max(np.abs(rate.imag) * length, initial=0.0))
        x, w = rule(next(nodes for limit, nodes in _NODES if turn < limit))
        kernel = np.exp(-(rate * length)[:, None] * (1.0 - x)) * (rate * length)[:, None] * w
        cubics = [np.sum(kernel * part, axis=1) for part in _hermite(1.0 - share[:, None] * (1.0 - x))]
        weights = np.stack([*cubics[:2], step * cubics[2], step * cubics[3]]).astype(complex)
        return cls(bandwidth_hz, pole, np.exp(-rate * step).astype(complex), weights)

    def first(self, rows: int) -> FilterResponse:
        """Of the first rows alone."""
        weights = self.weights[:, : rows - 1]
        return FilterResponse(self.bandwidth_hz[:rows], self.pole, self.gain[: rows - 1], weights)

    @property
    def rate(self) -> Complexes:
        """Decay rate at the rows, 1/s, shape (n,)."""
        return np.asarray(np.pi * self.bandwidth_hz * self.pole, complex)

    def of_course(self, value: Complexes, slope: Complexes) -> Complexes:
        """F at the rows for E and E′ at the rows, all (…, n); started settled."""
        before, after, rising, falling = self.weights
        load = before * value[..., :-1] + after * value[..., 1:]
        load += rising * slope[..., :-1] + falling * slope[..., 1:]
        start = np.asarray(value[..., 0] - slope[..., 0] / self.rate[0])
        return np.concatenate([start[..., None], recurrence(self.gain, load, start)], axis=-1)


def _hermite(x: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """The cubics of value and slope at both ends of 0 … 1, each of the shape of ``x``."""
    return (1 + 2 * x) * (1 - x) ** 2, x * x * (3 - 2 * x), x * (1 - x) ** 2, -x * x * (1 - x)
