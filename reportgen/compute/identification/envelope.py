"""The response of a pole to the sweep as it really ran.

With the drive A(t) e^{iφ(t)}, a pole s answers with e^{iφ} E(t) where E′ = (s − iφ′(t)) E + A(t). From row to row

    E(t+h) = E(t) e^{sh − i(φ(t+h) − φ(t))} + ∫₀ʰ e^{s(h−u) − i(φ(t+h) − φ(t+u))} A(t+u) du,

which is exact for any law of frequency and level. Near the pole the integral is Gauss-Legendre quadrature; far from it,
where p = iφ′ − s turns fast against its own rate of change, the quasi-steady series
E = A/p − A′/p² + A p′/p³ − … holds (repeated integration by parts) and no memory is left. Source of the envelope
equation: Lewis, Trans. ASME 54 (1932) 253, in the complex form; quadrature: Golub and Welsch 1969.
"""

from __future__ import annotations

from functools import lru_cache
from math import comb, factorial

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.identification.drive import Drive
from reportgen.compute.sweep.pieces import BREAK_S
from reportgen.records.log import Floats

Complexes = NDArray[np.complex128]

_FAR = 0.01
"""|p′|/|p|² below which the four-term series is exact to 1e-6."""
_JUMP = 0.03
"""Change of level from row to row, as a fraction, from which the response to the jump itself is followed."""
_MEMORY = 36.0
"""Time constants after which a response is forgotten: e⁻³⁶ = 2e-16."""
_NODES = ((6.0, 8), (20.0, 16), (50.0, 32), (115.0, 64), (240.0, 128), (np.inf, 256))
"""(largest rotation in rad within a row, Gauss-Legendre nodes that integrate it to 1e-9)."""


@lru_cache
def rule(nodes: int) -> tuple[Floats, Floats]:
    """Places in 0 … 1 and weights of Gauss-Legendre quadrature, each of shape (nodes,)."""
    x, w = np.polynomial.legendre.leggauss(nodes)
    return 0.5 * (x + 1.0), 0.5 * w


def envelope(drive: Drive, pole: complex, derivatives: int = 1) -> list[Complexes]:
    """E, ∂E/∂s and as many more ``derivatives`` at every row for one pole s, each (n,); started quasi-steady."""
    series = _Series(drive, pole, derivatives)
    found = series.at_rows()
    if drive.steady or pole.imag < 0:
        return found
    near = series.near()
    if not near.any():
        return found
    first = int(np.argmax(near))
    last = int(len(near) - np.argmax(near[::-1]))
    forgotten = drive.time_s[last] + _MEMORY / abs(pole.real)
    stop = int(min(np.searchsorted(drive.time_s, forgotten) + 1, len(near)))
    span = slice(first, stop)
    h = drive.step[span]
    gain = np.exp(pole * h - 1j * drive.advance[span])
    loads = series.loads(span, gain)
    steps = np.flatnonzero(near[span])
    for load, integral in zip(loads, _integrate(drive, pole, steps + first, derivatives), strict=True):
        load[steps] = integral
    for value, carried in zip(found, _carry(gain, loads, h, series.before(first)), strict=True):
        value[first + 1 : stop + 1] = carried
    return found


def response_to_noise(drive: Drive, pole: complex, level: Floats) -> Complexes:
    """E for small rough levels, both of shape (k, n): constant frequency and mean level within each step."""
    p = 1j * drive.omega - pole
    if drive.steady or pole.imag < 0:
        return np.asarray(level / p)
    turn = pole * drive.step - 1j * drive.advance
    gain = np.exp(turn)
    small = np.abs(turn) < 1e-6
    area = drive.step * np.where(small, 1.0, (gain - 1.0) / np.where(small, 1.0, turn))
    start = np.asarray(level[:, :1] / p[0])
    load = np.asarray(0.5 * (level[:, 1:] + level[:, :-1]) * area, complex)
    return np.concatenate([start, recurrence(gain, load, start[:, 0])], axis=1)


class _Series:
    """The quasi-steady series E = A/p − A′/p² + A p′/p³ − 3A′p′/p⁴ + 3A p′²/p⁵ + 15A p′³/p⁷ at the rows.

    A is straight between rows, so A′ belongs to a step; at a row by itself the mean of both sides stands for it.
    Derivatives by s are those by −p.
    """

    def __init__(self, drive: Drive, pole: complex, derivatives: int) -> None:
        self.drive = drive
        self.p = 1j * drive.omega - pole
        self.turn = np.abs(self.p)
        inverse = np.asarray(1.0 / self.p, complex)
        # Inside the near zone the integration replaces the series; the clip only keeps it finite there.
        z = 1j * drive.omega_dot * inverse * inverse
        z = np.where(np.abs(z) > 0.1, 0.0, z)
        self.slope = drive.rise
        powers: list[Complexes] = [inverse]
        for _ in range(derivatives + 1):
            powers.append(powers[-1] * inverse)
        self.level: list[Complexes] = []
        self.ramp: list[Complexes] = []
        for k, (a, b) in enumerate(zip(_LEVEL[: derivatives + 1], _RAMP, strict=False)):
            self.level.append(np.asarray(drive.amplitude * powers[k] * (a[0] + z * (a[1] + z * (a[2] + z * a[3])))))
            self.ramp.append(np.asarray(-powers[k + 1] * (b[0] + b[1] * z)))

    def at_rows(self) -> list[Complexes]:
        """E and its derivatives with the mean slope of the level on both sides of each row."""
        if self.drive.steady:
            return self.level
        slope = 0.5 * (np.append(self.slope, self.slope[-1]) + np.insert(self.slope, 0, self.slope[0]))
        return [level + ramp * slope for level, ramp in zip(self.level, self.ramp, strict=True)]

    def before(self, row: int) -> list[complex]:
        """E and its derivatives at a row as the step before it leaves them."""
        slope = self.slope[row - 1] if row > 0 else 0.0
        return [complex(level[row] + ramp[row] * slope) for level, ramp in zip(self.level, self.ramp, strict=True)]

    def near(self) -> NDArray[np.bool_]:
        """Steps in which the series does not hold: close to the pole, or a jump of the level; shape (n−1,)."""
        row = np.abs(self.drive.omega_dot) > _FAR * self.turn**2
        crossing = np.sign(self.p.imag[1:]) != np.sign(self.p.imag[:-1])
        moving = self.drive.omega_dot != 0.0
        jump = np.abs(np.diff(self.drive.amplitude)) > _JUMP * self.drive.amplitude[1:] * np.maximum(
            1.0, self.turn[1:] * self.drive.step
        )
        near = row[1:] | row[:-1] | (crossing & (moving[1:] | moving[:-1])) | jump
        # Nothing of a pause but its end is remembered, however the frequency came there.
        anew = (self.drive.step >= 0.5 * BREAK_S) & ~row[1:]
        return np.asarray(near & ~anew)

    def loads(self, span: slice, gain: Complexes) -> list[Complexes]:
        """What each step of the span adds to E and its derivatives, where the series holds at both its ends."""
        before, after = slice(span.start, span.stop), slice(span.start + 1, span.stop + 1)
        slope, h = self.slope[span], self.drive.step[span]
        start = [level[before] + ramp[before] * slope for level, ramp in zip(self.level, self.ramp, strict=True)]
        end = [level[after] + ramp[after] * slope for level, ramp in zip(self.level, self.ramp, strict=True)]
        return [value - gain * carried for value, carried in zip(end, _through(start, h), strict=True)]


MOST_DERIVATIVES = 10
"""By s, that the series has coefficients for."""
_LEVEL = tuple(
    tuple(c * factorial(2 * m + k) / factorial(2 * m) for m, c in enumerate((1.0, 1.0, 3.0, 15.0)))
    for k in range(MOST_DERIVATIVES + 1)
)
"""Of the series in p′/p² for a level, by order of the derivative."""
_RAMP = tuple(
    tuple(c * factorial(2 * m + 1 + k) / factorial(2 * m + 1) for m, c in enumerate((1.0, 3.0)))
    for k in range(MOST_DERIVATIVES + 1)
)
"""The same for a ramp."""


def _through(values: list[Complexes], h: Floats) -> list[Complexes]:
    """Derivatives by s of e^{sh} E over e^{sh}: Leibniz."""
    return [
        sum((comb(k, i) * h**i * values[k - i] for i in range(1, k + 1)), values[k].copy()) for k in range(len(values))
    ]


def _integrate(drive: Drive, pole: complex, steps: NDArray[np.int64], derivatives: int) -> list[Complexes]:
    """∫ e^{s(h−u) − i(φ(t+h)−φ(t+u))} A du over each step, and with powers of (h−u): the derivatives by s."""
    h = drive.step[steps]
    length = np.minimum(h, _MEMORY / abs(pole.real))
    turn = np.maximum(np.abs(drive.omega[steps] - pole.imag), np.abs(drive.omega[steps + 1] - pole.imag)) * length
    turn += abs(pole.real) * length
    loads = [np.zeros(len(steps), complex) for _ in range(derivatives + 1)]
    lowest = 0.0
    for limit, nodes in _NODES:
        here = (turn >= lowest) & (turn < limit)
        lowest = limit
        if here.any():
            parts = _quadrature(drive, pole, steps[here], length[here], nodes, derivatives)
            for load, part in zip(loads, parts, strict=True):
                load[here] = part
    return loads


def within_step(drive: Drive, steps: NDArray[np.int64], length: Floats, x: Floats) -> tuple[Floats, Floats, Floats]:
    """At places x (k,) of the last ``length`` seconds of each step: seconds, part of the step and phase to its end."""
    h = drive.step[steps][:, None]
    back = length[:, None] * (1.0 - x)
    y = np.divide(back, h, out=np.zeros_like(back), where=h > 0)
    start, end = drive.omega[steps][:, None], drive.omega[steps + 1][:, None]
    bow = drive.bow[steps][:, None]
    return back, y, np.asarray(back * (end - 0.5 * (end - start) * y + bow * y * (3.0 - 2.0 * y)))


def _quadrature(
    drive: Drive, pole: complex, steps: NDArray[np.int64], length: Floats, nodes: int, derivatives: int
) -> list[Complexes]:
    x, w = rule(nodes)
    back, y, phase = within_step(drive, steps, length, x)
    a0, a1 = drive.amplitude[steps][:, None], drive.amplitude[steps + 1][:, None]
    value = np.exp(pole * back - 1j * phase) * (a1 - (a1 - a0) * y - 0.5 * drive.sag[steps][:, None] * y * (1.0 - y))
    found = []
    for _ in range(derivatives + 1):
        found.append(np.asarray((value @ w) * length, complex))
        value = value * back
    return found


def _carry(gain: Complexes, loads: list[Complexes], h: Floats, start: list[complex]) -> list[Complexes]:
    """E_{k+1} = g_k E_k + q_k and its derivatives by s, g_k = e^{sh − i(φ(t+h) − φ(t))}."""
    values: list[Complexes] = []
    before: list[Complexes] = []
    for k, (load, first) in enumerate(zip(loads, start, strict=True)):
        carried = sum((comb(k, i) * h**i * before[k - i] for i in range(1, k + 1)), np.zeros_like(load))
        value = recurrence(gain, load + gain * carried, first)
        values.append(value)
        before.append(np.concatenate([[first], value[:-1]]))
    return values


def recurrence(gain: Complexes, load: Complexes, start: complex | Complexes) -> Complexes:
    """y_{k+1} = g_k y_k + q_k for k = 0 … n−1 from y_0 = start, by doubling: log₂(memory) vector passes.

    ``load`` (…, n) with a start (…) each, ``gain`` (n,) of all.
    """
    y = load.copy()
    g = gain.copy()
    if len(g) == 0:
        return y
    y[..., 0] += g[0] * start
    shift = 1
    while shift < len(g):
        reach = g[shift:]
        if np.max(np.abs(reach), initial=0.0) < 1e-18:
            break
        y[..., shift:] += reach * y[..., :-shift]
        g[shift:] = reach * g[:-shift]
        shift *= 2
    return y
