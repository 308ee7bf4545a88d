r"""Bending of a uniform beam: roots, shapes, nodes; a witness for mode numbers, never a source of frequencies.

Euler-Bernoulli beam of length L: :math:`f_n = z_n^2 / (2\pi L^2) \sqrt{EI/(\rho A)}`, x/L from the clamped (or first
named) end. Sources: Blevins, *Formulas for Natural Frequency and Mode Shape*, Table 8-1; frequency equation with a tip
mass: Math. Probl. Eng. 2017, 1568019. Roots are found with ``scipy.optimize.brentq`` on forms divided by cosh z, and
shapes are written with decaying exponentials, so that neither overflows nor cancels at high modes.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from reportgen.errors import ComputeError
from reportgen.records.job import Boundary
from reportgen.records.log import Floats
from reportgen.records.message import message

CLAMPED_FIRST_END = (Boundary.CLAMPED_FREE, Boundary.CLAMPED_CLAMPED, Boundary.CLAMPED_PINNED)
_XTOL = 1e-13


def characteristic(boundary: Boundary, z: float, tip_mass_ratio: float = 0.0) -> float:
    r"""Left side of the frequency equation, divided by cosh z; zero at every root.

    clamped-free with tip mass μ = M/(ρAL): 1 + cos z cosh z + μ z (cos z sinh z − sin z cosh z);
    clamped-clamped and free-free: cos z cosh z − 1; clamped-pinned: sin z cosh z − cos z sinh z; pinned-pinned: sin z.
    """
    sech, tanh = 1.0 / math.cosh(min(z, 700.0)), math.tanh(z)
    if boundary is Boundary.CLAMPED_FREE:
        return sech + math.cos(z) + tip_mass_ratio * z * (math.cos(z) * tanh - math.sin(z))
    if boundary is Boundary.CLAMPED_PINNED:
        return math.sin(z) - math.cos(z) * tanh
    if boundary is Boundary.PINNED_PINNED:
        return math.sin(z)
    return math.cos(z) - sech


def root(boundary: Boundary, mode: int, tip_mass_ratio: float = 0.0) -> float:
    """z = β_n L of a bending mode (elastic mode for free-free), from 1. Raises ComputeError for a mode below 1."""
    if not mode >= 1:
        raise ComputeError(message("beam.numbered-from-1", mode=mode))
    if not tip_mass_ratio >= 0:
        raise ComputeError(message("beam.negative-tip-mass", ratio=tip_mass_ratio))
    return _root(boundary, mode, tip_mass_ratio if boundary is Boundary.CLAMPED_FREE else 0.0)


@lru_cache(maxsize=4096)
def _root(boundary: Boundary, mode: int, tip_mass_ratio: float) -> float:
    if boundary is Boundary.PINNED_PINNED:
        return mode * math.pi
    low, high = _bracket(boundary, mode)
    return float(brentq(lambda z: characteristic(boundary, z, tip_mass_ratio), low, high, xtol=_XTOL))


def _bracket(boundary: Boundary, mode: int) -> tuple[float, float]:
    """An interval with that root alone: a tip mass moves a root down, at most to where the tip is pinned."""
    if boundary is Boundary.CLAMPED_FREE:
        pinned = (mode - 0.75) * math.pi
        return (1e-6 if mode == 1 else pinned - 1e-3), (mode - 0.5) * math.pi + (0.4 if mode == 1 else 0.05)
    centre = (mode + (0.25 if boundary is Boundary.CLAMPED_PINNED else 0.5)) * math.pi
    return centre - 0.5, centre + 0.5


def roots(boundary: Boundary, count: int, tip_mass_ratio: float = 0.0) -> tuple[float, ...]:
    """β_n L for n = 1 … count."""
    return tuple(root(boundary, mode, tip_mass_ratio) for mode in range(1, count + 1))


def frequency_ratio(boundary: Boundary, mode: int, tip_mass_ratio: float = 0.0) -> float:
    """f_n / f_1 = (z_n / z_1)²."""
    return (root(boundary, mode, tip_mass_ratio) / root(boundary, 1, tip_mass_ratio)) ** 2


def mode_shape(boundary: Boundary, mode: int, x: ArrayLike, tip_mass_ratio: float | None = None) -> Floats:
    """Deflection along x/L in 0 … 1, largest magnitude on a fine grid 1, positive at the first antinode."""
    positions = np.asarray(x, dtype=np.float64)
    grid = np.linspace(0.0, 1.0, _grid_points(mode))
    on_grid = _raw_shape(boundary, mode, grid, tip_mass_ratio or 0.0)
    scale = np.max(np.abs(on_grid))
    first = on_grid[np.argmax(np.abs(on_grid) > 0.2 * scale)]
    return np.asarray(_raw_shape(boundary, mode, positions, tip_mass_ratio or 0.0) / math.copysign(scale, first))


def _raw_shape(boundary: Boundary, mode: int, x: Floats, tip_mass_ratio: float, derivative: int = 0) -> Floats:
    r"""cosh zx ∓ cos zx − σ(sinh zx ∓ sin zx) with cosh − σ sinh = [(1 − σ) e^{zx} + (1 + σ) e^{−zx}]/2, or derivative.

    1 − σ is of the order e^{−z} and would cancel; its closed form is multiplied by e^{zx} as e^{z(x−1)}.
    """
    z = root(boundary, mode, tip_mass_ratio)
    turn = z * x + derivative * math.pi / 2.0
    if boundary is Boundary.PINNED_PINNED:
        return np.asarray(z**derivative * np.sin(turn))
    decay = math.exp(-z)
    if boundary is Boundary.CLAMPED_FREE:
        # No moment at the tip: σ = (cosh z + cos z)/(sinh z + sin z), with or without a point mass there.
        below = 1.0 - decay**2 + 2.0 * math.sin(z) * decay
        rising = 2.0 * (math.sin(z) - math.cos(z) - decay) / below
    else:
        # σ = (cosh z − cos z)/(sinh z − sin z)
        below = 1.0 - decay**2 - 2.0 * math.sin(z) * decay
        rising = 2.0 * (math.cos(z) - math.sin(z) - decay) / below
    sigma = 1.0 - rising * decay
    falling = (-1.0) ** derivative * (1.0 + sigma)
    hyperbolic = 0.5 * (rising * np.exp(z * (x - 1.0)) + falling * np.exp(-z * x))
    sign = 1.0 if boundary is Boundary.FREE_FREE else -1.0
    return np.asarray(z**derivative * (hyperbolic + sign * (np.cos(turn) - sigma * np.sin(turn))))


def _grid_points(mode: float) -> int:
    return int(400 * (mode + 1)) + 1


def nodes(boundary: Boundary, mode: int, tip_mass_ratio: float | None = None) -> tuple[float, ...]:
    """Interior nodes x/L of a mode shape, rising; clamps and pins are not nodes here."""
    grid = np.linspace(0.0, 1.0, _grid_points(mode))
    return _zeros(lambda x: _raw_shape(boundary, mode, x, tip_mass_ratio or 0.0), grid)


def _zeros(function: Callable[[Floats], Floats], grid: Floats) -> tuple[float, ...]:
    """Sign changes inside the grid; the ends themselves, where supports stand, are left out."""
    values = function(grid)
    values[np.abs(values) < 1e-9 * np.max(np.abs(values))] = 0.0
    found = [float(x) for x in grid[1:-1][values[1:-1] == 0.0]]
    for i in np.flatnonzero(values[:-1] * values[1:] < 0):
        found.append(float(brentq(lambda x: float(function(np.asarray(x))), grid[i], grid[i + 1], xtol=_XTOL)))
    return tuple(sorted(found))


def antinodes(boundary: Boundary, mode: int, tip_mass_ratio: float | None = None) -> tuple[float, ...]:
    """Places x/L where the deflection has a largest magnitude, free ends among them, rising."""
    grid = np.linspace(0.0, 1.0, 10 * _grid_points(mode))
    size = np.abs(mode_shape(boundary, mode, grid, tip_mass_ratio))
    size[size < 1e-9] = 0.0
    inside = 1 + np.flatnonzero((size[1:-1] > size[:-2]) & (size[1:-1] >= size[2:]))
    found = [float(grid[i]) for i in inside]
    if size[0] > size[1]:
        found.insert(0, 0.0)
    if size[-1] > size[-2]:
        found.append(1.0)
    return tuple(found)


def base_driven_shape(boundary: Boundary, z: float, x: ArrayLike, tip_mass_ratio: float = 0.0) -> Floats:
    """Absolute deflection over that of the moving supports, steady and undamped, at z = (f/f_1)^½ z_1; shape of x.

    Solves w'''' = z⁴ w with w = 1 at every support (w' = 0 at a clamp, w'' = 0 at a pin), at a free end w'' = 0 and
    w''' = −μ z⁴ w. Raises ComputeError for free-free (nothing drives it) and at a resonance itself.
    """
    if boundary is Boundary.FREE_FREE:
        raise ComputeError(message("beam.no-support"))
    matrix, right = _support_equations(boundary, z, tip_mass_ratio)
    if not np.linalg.cond(matrix) < 1e12:
        raise ComputeError(message("beam.no-bound"))
    solution = np.linalg.solve(matrix, right)
    return np.asarray(np.tensordot(solution, _basis(z, np.asarray(x, dtype=np.float64))[0], axes=1))


def _basis(z: float, x: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """cos, sin and two decaying exponentials, with derivatives against zx: each of shape (4, *x.shape)."""
    c, s, left, right = np.cos(z * x), np.sin(z * x), np.exp(-z * x), np.exp(z * (x - 1.0))
    return (
        np.stack([c, s, left, right]),
        np.stack([-s, c, -left, right]),
        np.stack([-c, -s, left, right]),
        np.stack([s, -c, -left, right]),
    )


def _support_equations(boundary: Boundary, z: float, tip_mass_ratio: float) -> tuple[Floats, Floats]:
    first, last = _basis(z, np.asarray(0.0)), _basis(z, np.asarray(1.0))
    pinned_first = boundary is Boundary.PINNED_PINNED
    rows = [first[0], first[2] if pinned_first else first[1]]
    if boundary is Boundary.CLAMPED_FREE:
        rows += [last[2], last[3] + tip_mass_ratio * z * last[0]]
        return np.stack(rows), np.array([1.0, 0.0, 0.0, 0.0])
    rows += [last[0], last[1] if boundary is Boundary.CLAMPED_CLAMPED else last[2]]
    return np.stack(rows), np.array([1.0, 0.0, 1.0, 0.0])


def base_driven_nodes(boundary: Boundary, ratio: float, tip_mass_ratio: float = 0.0) -> tuple[float, ...]:
    """Nodes x/L of absolute motion of a beam driven at its supports at ``ratio`` = f/f_1.

    Just above each resonance a node is born at the clamp and wanders outward with frequency: strobe, sand and touch
    show absolute motion, so a count taken above a peak is one higher than that of the mode below.
    """
    z = root(boundary, 1, tip_mass_ratio) * math.sqrt(ratio)
    grid = np.linspace(0.0, 1.0, _grid_points(z / math.pi + 1))
    return _zeros(lambda x: base_driven_shape(boundary, z, x, tip_mass_ratio), grid)


def newborn_node(boundary: Boundary, mode: int, above: float, tip_mass_ratio: float = 0.0) -> float | None:
    """Where the node born at the clamp at resonance ``mode`` stands at ``above`` = f/f_mode > 1; None where none is."""
    if boundary not in CLAMPED_FIRST_END or not above > 1.0:
        return None
    found = base_driven_nodes(boundary, above * frequency_ratio(boundary, mode, tip_mass_ratio), tip_mass_ratio)
    return found[0] if len(found) >= mode else None


def timoshenko_ratio(
    boundary: Boundary,
    mode: int,
    thickness_over_length: float,
    tip_mass_ratio: float = 0.0,
    poisson: float = 0.3,
) -> float:
    """Frequency of a beam with shear and rotary inertia over Euler-Bernoulli's, solid rectangular section.

    First order (Rayleigh's quotient with the Euler-Bernoulli shape φ, x in units of L):
    ω²/ω_EB² ≈ 1 / (1 + r² ∫φ′² / ∫φ² + s r² ∫φ‴² / ∫φ″²),
    r² = h²/12L², s = E/(κG), κ = 10(1+ν)/(12+11ν) (Cowper 1966, J. Appl. Mech. 33, 335); ∫φ² counts the tip mass. For
    pinned ends this is 1/(1 + (nπr)²(1 + s)) as in Weaver, Timoshenko and Young, *Vibration Problems in Engineering*.
    """
    kappa = 10.0 * (1.0 + poisson) / (12.0 + 11.0 * poisson)
    s = 2.0 * (1.0 + poisson) / kappa
    x = np.linspace(0.0, 1.0, _grid_points(mode))
    squares = [np.trapezoid(_raw_shape(boundary, mode, x, tip_mass_ratio, k) ** 2, x) for k in range(4)]
    inertia = squares[0] + tip_mass_ratio * _raw_shape(boundary, mode, np.asarray(1.0), tip_mass_ratio) ** 2
    loss = thickness_over_length**2 / 12.0 * (squares[1] / inertia + s * squares[3] / squares[2])
    return float(1.0 / math.sqrt(1.0 + loss))
