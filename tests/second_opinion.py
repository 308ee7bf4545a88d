"""Independent second opinions on frequency responses: no formula of the product is used.

A rational approximation (scipy's AAA: Nakatsukasa, Sète and Trefethen, SIAM J. Sci. Comput. 40 (2018) A1494) and a
least-squares complex-frequency fit (common denominator in the z domain: Guillaume et al., IMAC 21 (2003), from memory).
"""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import AAA

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


def modes_of(poles: Complexes, low_hz: float, high_hz: float, least_q: float = 2.0) -> list[tuple[float, float]]:
    """(Hz, Q) of stable poles s (rad/s) within a range, by frequency."""
    omega = np.abs(poles)
    zeta = -poles.real / np.maximum(omega, 1e-300)
    keep = (poles.imag > 0) & (zeta > 0) & (zeta < 0.5 / least_q)
    found = sorted((float(w / (2 * np.pi)), float(0.5 / z)) for w, z in zip(omega[keep], zeta[keep], strict=True))
    return [(f, q) for f, q in found if low_hz <= f <= high_hz]


def rational(frequency_hz: Floats, response: Complexes, tolerance: float = 1e-3) -> list[tuple[float, float]]:
    """Poles of a rational approximation of one response that stand out by their residue; (Hz, Q)."""
    omega = 2 * np.pi * frequency_hz
    scale = float(omega.mean())
    with warnings.catch_warnings():
        # Below the noise no rational function comes within the tolerance: the poles at hand are those asked for.
        warnings.filterwarnings("ignore", "AAA failed to converge", RuntimeWarning)
        fit = AAA(omega / scale, response, rtol=tolerance, max_terms=len(omega) // 2)
    z, residue = fit.poles(), fit.residues()
    s = 1j * z * scale
    height = np.abs(residue) / np.maximum(np.abs(z.imag), 1e-300)
    strong = height > 0.05 * float(np.median(np.abs(response)))
    return modes_of(s[strong], float(frequency_hz[0]), float(frequency_hz[-1]))


def least_squares_complex_frequency(
    frequency_hz: Floats, responses: Complexes, order: int
) -> list[tuple[float, float]]:
    """(Hz, Q) of a common-denominator fit of that order to equally spaced lines, responses (n, c)."""
    n = len(frequency_hz)
    step = float(np.mean(np.diff(frequency_hz)))
    period = 1.0 / (2.0 * step * n)
    z = np.exp(-1j * np.pi * np.arange(n) / n)[:, None] ** np.arange(order + 1)
    total = np.zeros((order + 1, order + 1))
    for c in range(responses.shape[1]):
        weight = 1.0 / np.maximum(np.abs(responses[:, c]), 1e-3 * np.abs(responses[:, c]).max())
        x = z * weight[:, None]
        y = -z * (weight * responses[:, c])[:, None]
        r, s, t = (x.conj().T @ x).real, (x.conj().T @ y).real, (y.conj().T @ y).real
        total += t - s.T @ np.linalg.solve(r, s)
    coefficients = np.append(np.linalg.solve(total[:-1, :-1], -total[:-1, -1]), 1.0)
    roots = np.roots(coefficients[::-1])
    s = -np.log(roots.astype(complex)) / period
    return modes_of(s + 2j * np.pi * frequency_hz[0], float(frequency_hz[0]), float(frequency_hz[-1]), 5.0)
