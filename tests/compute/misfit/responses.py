"""Steady frequency responses with known truth, and what instruments do to them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.identification.misfit.band import Band

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True)
class Measured:
    """Responses (n, c) over a base acceleration, with the modes that are in them."""

    frequency_hz: Floats
    response: Complexes
    modes_hz: Floats
    q: Floats


def transmissibility(f: Floats, modes_hz: Floats, q: Floats, shares: Floats) -> Complexes:
    """Absolute acceleration over base acceleration: 1 + Σ share ω² / (ω₀² − ω² + iωω₀/Q), shape (n, c)."""
    w, w0 = 2j * np.pi * f[:, None], 2 * np.pi * modes_hz[None]
    return np.asarray(1.0 - (w * w) / (w * w + w0 / q * w + w0**2) @ shares)


def random_structure(seed: int, modes: int = 4, channels: int = 2) -> tuple[Floats, Floats, Floats]:
    """(Hz, Q, shares) of modes 20 to 400 Hz, Q 8 to 200, at least two and a half bandwidths apart."""
    rng = np.random.default_rng(seed)
    while True:
        f = np.sort(np.exp(rng.uniform(np.log(20), np.log(400), modes)))
        q = np.exp(rng.uniform(np.log(8), np.log(200), modes))
        width = f / q
        if np.all(np.diff(f) > 1.25 * (width[1:] + width[:-1])):
            break
    return f, q, rng.uniform(0.15, 1.6, (modes, channels)) * rng.choice([-1.0, 1.0], (modes, channels))


def measured(kind: str, seed: int) -> Measured:
    """One set: ``clean``, ``phase`` (10° and 40 µs), ``gain`` (5 % over frequency), ``clip`` (a fifth off the top)."""
    rng = np.random.default_rng([seed, *kind.encode()])
    f0, q, shares = random_structure(seed)
    low, high = f0[0] / 1.35, f0[-1] * 1.3
    f = np.exp(np.linspace(np.log(low), np.log(high), int(np.clip(4 * np.log(high / low) * q.max(), 300, 2000))))
    beyond = np.vstack([shares, np.full((1, shares.shape[1]), 0.6)])
    h = transmissibility(f, np.append(f0, 1.8 * high), np.append(q, 20.0), beyond)
    if kind == "phase":
        h = h * np.exp(1j * np.radians(rng.uniform(-10, 10, 2)) - 2j * np.pi * f[:, None] * rng.uniform(0, 4e-5, 2))
    if kind == "gain":
        h = h * (1 + 0.05 * np.sin(np.log(f)[:, None] * rng.uniform(1, 3)))
    if kind == "clip":
        most = 0.8 * np.abs(h).max(axis=0)
        h = np.where(np.abs(h) > most, h / np.abs(h) * most, h)
    sigma = np.hypot(0.003 * np.abs(h), 1e-3)
    return Measured(f, h + sigma * (rng.standard_normal(h.shape) + 1j * rng.standard_normal(h.shape)), f0, q)


def steady_band(
    frequency_hz: NDArray[np.float64], values: NDArray[np.complex128], powers: tuple[int, ...] = (0, 2, 4, -2)
) -> Band:
    """A band of steady-state responses (n, c), sorted by frequency; gaps are NaN."""
    order = np.argsort(frequency_hz, kind="stable")
    omega = 2.0 * np.pi * frequency_hz[order]
    sorted_values = values[order]
    valid = np.isfinite(sorted_values) & (sorted_values != 0)

    def shape(pole: complex, rows: slice) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
        inverse = 1.0 / (1j * omega[rows] - pole)
        return np.asarray(inverse, complex), np.asarray(inverse * inverse, complex)

    return Band(omega, np.where(valid, sorted_values, 0.0), valid, shape, powers)
