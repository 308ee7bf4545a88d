"""Courses of decaying modes: envelope and phase for rates that may depend on the mode's own amplitude.

By averaging (Krylov and Bogoliubov; Nayfeh and Mook, Nonlinear Oscillations, 1979, ch. 2 to 4, from memory) a mode that
rings down freely has da/dt = −σ(a) a and dφ/dt = ω(a). Here σ(a) = σ₀ + Σ σᵢ a^pᵢ and ω(a) = ω₀ + Σ ωᵢ a^rᵢ with a the
amplitude over that at the beginning: p = −1 is dry friction, p = 1 square damping, r = 2 a cubic spring, one exponent
for both the power law of a joint with micro-slip, p and r of 1 and 2 together a polynomial.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from reportgen.records.log import Floats

Complex = NDArray[np.complex128]
_DEEPEST = 14.0
"""Nepers down to which a course is followed; what is left is a millionth."""
_GRID = 600
"""Steps of that: 0.02 neper, at which the trapezoidal rule is exact to a few millionths."""
SEGMENTS = 64
"""Stretches of a course within which its envelope is taken as exponential."""
_COARSER = 8
"""Of so many stretches one for the conjugate."""
_LEAST_SIGMA = 1e-9
"""Share of the largest rate below which no damping is let fall."""
EXPONENTS = (-1.5, 4.0)
"""Range of free exponents."""


@dataclass(frozen=True, slots=True)
class Law:
    """How damping and frequency depend on amplitude; without exponents they do not."""

    damping: tuple[float, ...] = ()
    frequency: tuple[float, ...] = ()
    free: bool = False
    """Whether the exponents are unknowns, too; they are then the last parameters."""
    shared: bool = False
    """Whether damping and frequency have one exponent between them."""

    @property
    def is_linear(self) -> bool:
        """Whether nothing depends on amplitude."""
        return not (self.damping or self.frequency)

    @property
    def unknowns(self) -> int:
        """Number of parameters: σ₀, ω₀, the factors, the free exponents."""
        own = len(self.damping) + len(self.frequency)
        return 2 + own + (0 if not self.free else 1 if self.shared else own)

    @property
    def coefficients(self) -> int:
        """Parameters that are rates."""
        return 2 + len(self.damping) + len(self.frequency)


LINEAR = Law()
_TYPICAL = np.array([0.4])


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """A law with its parameters: σ₀, ω₀ (rad/s), factors of damping and of frequency (rad/s), free exponents."""

    theta: Floats
    law: Law = LINEAR
    sigma: float = field(init=False)
    """Rate of decay, 1/s: of a law that depends on amplitude the one at 0.4 of the beginning."""
    omega: float = field(init=False)
    """Angular frequency, rad/s: as for ``sigma``."""

    def __post_init__(self) -> None:
        sigma, omega = self.theta[:2] if self.law.is_linear else (x[0] for x in self.rates(_TYPICAL))
        object.__setattr__(self, "sigma", float(sigma))
        object.__setattr__(self, "omega", float(omega))

    def rates(self, amplitude: Floats) -> tuple[Floats, Floats]:
        """σ and ω at amplitudes over that of the beginning; shapes like ``amplitude``."""
        sigma, omega = rates_of(self.law, self.theta[None], amplitude)
        return sigma[0], omega[0]

    def with_theta(self, theta: Floats) -> Course:
        """The same law with other parameters."""
        return replace(self, theta=theta)


def rates_of(law: Law, thetas: Floats, amplitude: Floats) -> tuple[Floats, Floats]:
    """σ and ω of several sets of parameters, shape (sets, amplitudes); σ is kept above zero."""
    sigma = np.repeat(thetas[:, :1], len(amplitude), axis=1)
    omega = np.repeat(thetas[:, 1:2], len(amplitude), axis=1)
    logs = np.log(np.maximum(amplitude, 1e-30))
    split, end = 2 + len(law.damping), law.coefficients
    for i, power in enumerate(law.damping):
        exponent = thetas[:, end + (0 if law.shared else i), None] if law.free else power
        sigma = sigma + thetas[:, 2 + i, None] * np.exp(exponent * logs)
    for i, power in enumerate(law.frequency):
        at = end + (0 if law.shared else len(law.damping) + i)
        exponent = thetas[:, at, None] if law.free else power
        omega = omega + thetas[:, split + i, None] * np.exp(exponent * logs)
    return np.maximum(sigma, _LEAST_SIGMA * np.maximum(np.abs(omega), 1.0)), omega


def follow(law: Law, thetas: Floats, time: Floats) -> tuple[Floats, Floats]:
    """Logarithm of the amplitude over its beginning and phase (rad) at times from 0 on, shape (sets, times) each."""
    if law.is_linear:
        return -thetas[:, :1] * time, thetas[:, 1:2] * time
    depth = np.linspace(0.0, _DEEPEST, _GRID)
    sigma, omega = rates_of(law, thetas, np.exp(-depth))
    apart = omega - thetas[:, 1:2]
    passed, turned = _running(1.0 / sigma, depth), _running(apart / sigma, depth)
    beyond = np.maximum(time - passed[:, -1:], 0.0)
    logs, phases = -sigma[:, -1:] * beyond, thetas[:, 1:2] * time + apart[:, -1:] * beyond
    for i in range(len(thetas)):
        logs[i] -= np.interp(time, passed[i], depth)
        phases[i] += np.interp(time, passed[i], turned[i])
    return logs, phases


def _running(slopes: Floats, x: Floats) -> Floats:
    """Integrals from the first point on, by the trapezoidal rule, of several curves; shape like ``slopes``."""
    found = np.zeros_like(slopes)
    np.cumsum(0.5 * (slopes[:, 1:] + slopes[:, :-1]) * np.diff(x), axis=1, out=found[:, 1:])
    return found


@lru_cache(maxsize=64)
def nodes_of(samples: int) -> NDArray[np.int64]:
    """Borders of the segments, closer together at the beginning, where most happens; from 0 to ``samples``."""
    share = np.linspace(0.0, 1.0, SEGMENTS + 1) ** 1.5
    return np.unique(np.round(share * samples).astype(np.int64))


@dataclass(frozen=True, eq=False)
class Lines:
    """Lines of the transform of so many samples, and what is the same for every course on them."""

    turn: Complex
    """W = e^{−2πik/n} of each line, shape (b,)."""
    samples: int
    rate: float

    @cached_property
    def segments(self) -> tuple[_Segments, _Segments]:
        """Those of a course and the few of its conjugate, which lies far off, at −ω."""
        nodes = nodes_of(self.samples)
        every = np.unique(np.append(np.arange(0, len(nodes), _COARSER), len(nodes) - 1))
        return self._segments(np.arange(len(nodes))), self._segments(every)

    def _segments(self, places: NDArray[np.int64]) -> _Segments:
        nodes = nodes_of(self.samples)[places]
        return _Segments(places, np.diff(nodes)[:, None], np.exp(nodes[:, None] * np.log(self.turn)))


@dataclass(frozen=True, slots=True, eq=False)
class _Segments:
    places: NDArray[np.int64]
    """Of the nodes among those of ``nodes_of``."""
    lengths: NDArray[np.int64]
    borne: Complex
    """W to the power of each node, shape (nodes, b)."""


def transform(course: Course, lines: Lines, step: Floats) -> tuple[Complex, Complex]:
    """Transforms Σ e^{u+iφ} Wⁿ/√n of a course and of its conjugate, with slopes by the parameters.

    Both results have shape (1 + p, b), the slopes below the transform. ``step`` is each parameter's for differences. A
    segment is a geometric series, which has a closed sum.
    """
    thetas = np.vstack([course.theta, course.theta + np.diag(step)])
    logs, phases = follow(course.law, thetas, nodes_of(lines.samples) / lines.rate)
    found = []
    for segments, sign in zip(lines.segments, (1j, -1j), strict=True):
        values = (logs + sign * phases)[:, segments.places]
        whole, by_value = _of_nodes(values[0], segments, lines.turn)
        slopes = ((values[1:] - values[0]) / step[:, None]) @ by_value
        found.append(np.vstack([whole, slopes]) / np.sqrt(lines.samples))
    return found[0], found[1]


def _of_nodes(values: Complex, segments: _Segments, turn: Complex) -> tuple[Complex, Complex]:
    """Transform of segments whose logarithms at the nodes are ``values``, shape (b,), and its slopes, (nodes, b)."""
    z = np.exp(np.diff(values)[:, None] / segments.lengths) * turn
    borne = np.exp(values)[:, None] * segments.borne
    series = 1.0 / _off_zero(1.0 - z)
    parts = (borne[:-1] - borne[1:]) * series
    by_ratio = parts * series * z / segments.lengths
    slopes = np.empty_like(borne)
    np.multiply(borne[:-1], series, out=slopes[:-1])
    slopes[:-1] -= by_ratio
    slopes[-1] = 0.0
    slopes[1:] += by_ratio - borne[1:] * series
    return np.sum(parts, axis=0), slopes


def _off_zero(z: Complex) -> Complex:
    """``z`` kept from dividing by zero, which an undamped line that falls on a line of the transform would."""
    return np.where(np.abs(z) < 1e-14, 1e-14, z)


def synthesis(course: Course, residue: Complex, samples: int, rate: float) -> Floats:
    """Re(residue · e^{u+iφ}) sample by sample, shape (samples, channels)."""
    if course.law.is_linear:
        return _exponential(complex(-course.theta[0], course.theta[1]) / rate, residue, samples)
    nodes = nodes_of(samples)
    logs, phases = follow(course.law, course.theta[None], nodes / rate)
    n = np.arange(samples)
    wave = np.exp(np.interp(n, nodes, logs[0]) + 1j * np.interp(n, nodes, phases[0]))
    return np.asarray(wave.real[:, None] * residue.real - wave.imag[:, None] * residue.imag)


def _exponential(pole: complex, residue: Complex, samples: int) -> Floats:
    """Re(residue · e^{pole·n}) for n = 0 … by products of two short tables, shape (samples, channels)."""
    step = int(np.sqrt(samples)) + 1
    fine, coarse = np.exp(pole * np.arange(step)), np.exp(pole * step * np.arange(samples // step + 1))
    parts = np.stack([fine.real, -fine.imag])
    out = np.empty((samples, len(residue)))
    for c, each in enumerate(residue):
        scaled = each * coarse
        out[:, c] = (np.stack([scaled.real, scaled.imag], axis=1) @ parts).reshape(-1)[:samples]
    return out
