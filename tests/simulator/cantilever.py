"""A clamped slender arm with a head mass, by Euler–Bernoulli finite elements (Hermite cubics).

Independent of the product's beam theory, which solves the frequency equation. Element matrices as in any textbook on
the finite element method, e.g. Petyt, *Introduction to Finite Element Vibration Analysis*, ch. 3 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Arm:
    """Modes of the arm, frequencies as ratios to the first; positions as fractions of the length."""

    ratios: Floats
    shapes: Floats
    """Deflection at ``positions``, shape (modes, positions)."""
    positions: Floats
    participation: Floats
    """Γ of each mode against motion of the clamp."""

    def share(self, mode: int, position: float) -> float:
        """Participation times shape at a position: a sensor's share of that mode (0 is the lowest)."""
        return float(self.participation[mode] * np.interp(position, self.positions, self.shapes[mode]))

    def nodes(self, mode: int) -> Floats:
        """Positions of rest between clamp and head, from the sign changes of the shape."""
        y = self.shapes[mode]
        change = np.flatnonzero(np.sign(y[2:]) * np.sign(y[1:-1]) < 0) + 1
        x0, x1, y0, y1 = self.positions[change], self.positions[change + 1], y[change], y[change + 1]
        return np.asarray(x0 - y0 * (x1 - x0) / (y1 - y0))


def arm(head_mass_ratio: float, modes: int = 10, elements: int = 120) -> Arm:
    """Solve the clamped-free arm whose head weighs ``head_mass_ratio`` times the arm itself."""
    length = 1.0 / elements
    stiffness = np.array([[12, 6, -12, 6], [6, 4, -6, 2], [-12, -6, 12, -6], [6, 2, -6, 4]], dtype=float)
    mass = np.array([[156, 22, 54, -13], [22, 4, 13, -3], [54, 13, 156, -22], [-13, -3, -22, 4]], dtype=float) / 420
    scale = np.diag([1.0, length, 1.0, length])
    size = 2 * (elements + 1)
    k, m = np.zeros((size, size)), np.zeros((size, size))
    for element in range(elements):
        at = slice(2 * element, 2 * element + 4)
        k[at, at] += scale @ stiffness @ scale / length**3
        m[at, at] += scale @ mass @ scale * length
    m[-2, -2] += head_mass_ratio
    unit_motion = np.zeros(size)
    unit_motion[::2] = 1.0
    values, vectors = eigh(k[2:, 2:], m[2:, 2:], subset_by_index=[0, modes - 1])
    participation = vectors.T @ (m @ unit_motion)[2:]
    shapes = np.hstack([np.zeros((modes, 1)), vectors[::2].T])
    return Arm(np.sqrt(values / values[0]), shapes, np.linspace(0.0, 1.0, elements + 1), np.asarray(participation))
