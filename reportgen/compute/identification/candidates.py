"""Where modes may be: a matched filter of swept resonances run over what the model leaves unexplained.

The filter's shapes are the closed form of the response to a locally linear sweep, E = (√π/2c) w(−ip/2c) with
c² = −iφ″/2 and w the Faddeeva function (Lewis 1932; Abramowitz and Stegun 7.1), so a resonance that the sweep had no
time to build up is looked for at its own frequency and not where the log shows its peak.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.special import wofz

from reportgen.compute.identification.drive import Drive
from reportgen.compute.identification.envelope import Complexes
from reportgen.compute.identification.least_squares import FitProblem
from reportgen.compute.identification.readings import Weights
from reportgen.records.log import Floats

_Q_STEPS = (4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0, 512.0)
"""Q of the shapes: a factor r = √2 off its Q a shape still answers with (2√r/(1+r))² = 97 % of a resonance's χ²."""
_SPACING = 0.4
"""Distance of neighbouring shapes in widths."""
_REACH = 6.0
"""Half length of a shape in widths."""
_FAR = 0.02
"""|p′|/|p|² below which three terms of the quasi-steady series are exact to 15 · 0.02³ = 1.2e-4 …"""
_RINGING = 14.0
"""… once a resonance that was passed has rung for so many time constants: e⁻¹⁴ = 1e-6 of its peak."""


@dataclass(frozen=True, slots=True)
class ResonanceCandidate:
    """A shape of the bank that answers above chance."""

    index: int
    """Of the shape."""
    frequency_hz: float
    q: float
    width: float
    """Of the swept resonance, as a fraction of frequency: half-power band or the band the sweep smears it to."""


def bank_of_shapes(drive: Drive) -> CandidateBank:
    """Swept resonances at all frequencies and Q that the rows can tell apart."""
    frequency = drive.omega / (2 * np.pi)
    order = np.argsort(frequency, kind="stable")
    rising = frequency[order]
    places = [place for q in _Q_STEPS for place in _places(rising, np.abs(drive.omega_dot[order]) / (2 * np.pi), q)]
    f, q, width = np.array(places).reshape(-1, 3).T
    first, stop = np.searchsorted(rising, [f * (1 - _REACH * width), f * (1 + _REACH * width)])
    resolved = np.diff(np.searchsorted(rising, [f * (1 - width), f * (1 + width)]), axis=0)[0] >= 4
    kept = (stop - first >= 6) & (resolved | (q <= 32))
    f, q, width, first, length = f[kept], q[kept], width[kept], first[kept], (stop - first)[kept]
    starts = np.concatenate([[0], np.cumsum(length)])
    shape = np.repeat(np.arange(len(f)), length)
    rows = order[np.arange(starts[-1]) + (first - starts[:-1])[shape]]
    values = _values(drive, rows, f[shape], q[shape])
    span = np.stack([first, first + length], axis=1)
    return CandidateBank(f, q, width, csr_array((values, rows, starts), shape=(len(f), len(frequency))), order, span)


def _places(rising: Floats, rate_hz_s: Floats, q: float) -> list[tuple[float, float, float]]:
    """(frequency, Q, width) of the shapes of one Q, each a part of its width from the one before."""
    rows, rates = rising.tolist(), rate_hz_s.tolist()
    found = []
    f = rows[0] * 0.8
    while f < rows[-1] * 1.25:
        near = min(max(bisect_left(rows, f), 1), len(rows) - 1)
        width = max(1.0 / q, rates[near] ** 0.5 / f)
        found.append((f, q, width))
        f *= 1 + _SPACING * width
    return found


def _values(drive: Drive, rows: np.ndarray, f: Floats, q: Floats) -> Complexes:
    """Conjugate of the envelope of swept resonances (f, Q) at rows, peak of the steady response 1; all (n,)."""
    pole = 2 * np.pi * f * (-0.5 / q + 1j * np.sqrt(1 - 0.25 / q**2))
    p = 1j * drive.omega[rows] - pole
    rate = drive.omega_dot[rows]
    passed = p.imag * rate > 0
    rings = passed & (np.abs(pole.real * p.imag) < _RINGING * np.abs(rate))
    square = p.real**2 + p.imag**2
    moving = ((np.abs(rate) > _FAR * square) | rings) & (np.abs(rate) > 1e-6 * pole.real**2)
    z = 1j * rate / (p * p)
    value = np.asarray((1.0 + z + 3.0 * z * z) / p, complex)
    rate, p = rate[moving], p[moving]
    c = np.sqrt(0.5 * np.abs(rate)) * np.where(rate > 0, np.exp(-0.25j * np.pi), np.exp(0.25j * np.pi))
    value[moving] = np.sqrt(np.pi) / (2 * c) * wofz(1j * p / (2 * c))
    return np.asarray(np.conj(value) * (np.abs(pole.real) * drive.amplitude[rows]))


class CandidateBank:
    """Shapes to be held against what is left, again and again under the same weights."""

    def __init__(
        self, frequency_hz: Floats, q: Floats, width: Floats, conjugate: csr_array, order: np.ndarray, span: np.ndarray
    ) -> None:
        self.frequency_hz, self.q, self.width = frequency_hz, q, width
        """Of every shape, (shapes,); widths as fractions of frequency."""
        self._conjugate = conjugate
        """Of the envelope on the rows of each shape, (shapes, n)."""
        self._square = self._placed(np.abs(conjugate.data) ** 2)
        self._order, self._span = order, span
        """Rows by frequency, (n,), and where among them each shape begins and ends, (shapes, 2)."""
        self._weights: Weights | None = None
        self._sums: _Sums | None = None

    def __len__(self) -> int:
        return len(self.q)

    def explained(self, residual: Complexes, problem: FitProblem) -> Floats:
        """χ² that one mode of each shape would explain beside a constant transfer, per channel, shape (shapes, c)."""
        drive, phase, weight = problem.drive.amplitude[:, None], problem.readings.with_phase, _weight(problem)
        if self._sums is None or problem.weights is not self._weights:
            self._sums, self._weights = self._sums_of(drive, weight, phase), problem.weights
        left = weight * np.where(phase, residual, residual.real)
        top = np.abs(self._along(left, phase) - self._sums.mean * self._over_rows(drive * left)) ** 2
        return np.asarray(np.where(self._sums.alone, top / self._sums.own, 0.0))

    def only(self, index: int) -> CandidateBank:
        """One shape of it by itself."""
        at = [index]
        shape = self._conjugate[at]
        return CandidateBank(self.frequency_hz[at], self.q[at], self.width[at], shape, self._order, self._span[at])

    def separate(self, strength: Floats, most: int) -> list[ResonanceCandidate]:
        """The strongest shapes, by ``strength`` (shapes,) above 0, that lie clear of each other's flanks and beats."""
        found: list[ResonanceCandidate] = []
        left = strength.copy()
        while len(found) < most and left.max(initial=0.0) > 0:
            k = int(np.argmax(left))
            own = ResonanceCandidate(k, float(self.frequency_hz[k]), float(self.q[k]), float(self.width[k]))
            found.append(own)
            apart = np.maximum(np.abs(np.log(self.frequency_hz / own.frequency_hz)), 1e-100)
            flank = 1e-3 * strength[k] * np.minimum(1.0, (6 * own.width / apart) ** 2)
            left[(apart <= 2.0 * np.maximum(self.width, own.width)) | (left <= flank)] = 0.0
        return found

    def _placed(self, values: Floats) -> csr_array:
        """Other values at the same places. No method of it may sort these: the arrays of places are shared."""
        return csr_array((values, self._conjugate.indices, self._conjugate.indptr), shape=self._conjugate.shape)

    def _along(self, readings: Floats | Complexes, phase: np.ndarray) -> Complexes:
        """Readings (n, c) along every shape, without phase along its size; (shapes, c)."""
        along = np.empty((len(self), len(phase)), complex)
        if phase.any():
            along[:, phase] = self._conjugate @ readings[:, phase]
        if not phase.all():
            along[:, ~phase] = self._placed(np.sqrt(self._square.data)) @ readings[:, ~phase].real
        return along

    def _over_rows(self, readings: Floats | Complexes) -> Floats | Complexes:
        """Sum of readings (n, c) over the rows of each shape, (shapes, c)."""
        sums = np.concatenate([np.zeros_like(readings[:1]), np.cumsum(readings[self._order], axis=0)])
        return np.asarray(sums[self._span[:, 1]] - sums[self._span[:, 0]])

    def _sums_of(self, drive: Floats, weight: Floats, phase: np.ndarray) -> _Sums:
        ea = self._along(drive * weight, phase)
        ee = self._square @ weight
        aa = self._over_rows(drive**2 * weight) + 1e-300
        own = ee - np.abs(ea) ** 2 / aa
        return _Sums(ea / aa, np.maximum(own, 1e-300), own > 0.02 * ee)


@dataclass(frozen=True, slots=True, eq=False)
class _Sums:
    """What of the shapes depends on the weights alone, each (shapes, c)."""

    mean: Complexes
    """The constant transfer that imitates the shape best."""
    own: Floats
    """Weighted square of the shape without that constant."""
    alone: np.ndarray
    """Bool: whether the shape is more than a constant on the rows read."""


def _weight(problem: FitProblem) -> Floats:
    """Weight of every reading: harmonic mean of both directions, along the reading where there is no phase; (n, c)."""
    along, across = problem.weights.along, problem.weights.across
    both = 2.0 * (along * across) ** 2 / np.maximum(along**2 + across**2, 1e-300)
    return np.where(problem.readings.with_phase, both, along**2)
