"""The structure under test: modes, and how much of each every sensor sees."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True)
class TrueMode:
    """A mode: undamped natural frequency and Q = 1/(2ζ)."""

    frequency_hz: float
    q: float

    @property
    def damping_ratio(self) -> float:
        return 0.5 / self.q


@dataclass(frozen=True)
class Sensor:
    """A response channel: its share of the table's motion and of each mode (participation times shape).

    Absolute acceleration = ``rigid`` · table + Σ ``shares[k]`` · relative acceleration of mode k.
    """

    id: str
    shares: tuple[float, ...]
    rigid: float = 1.0


@dataclass(frozen=True)
class Structure:
    """Modes and sensors."""

    modes: tuple[TrueMode, ...]
    sensors: tuple[Sensor, ...]

    def shares(self) -> Floats:
        """Shape (sensors, modes)."""
        return np.array([sensor.shares for sensor in self.sensors], dtype=float).reshape(
            len(self.sensors), len(self.modes)
        )

    def steady(self, frequency_hz: Floats) -> Complexes:
        """Steady-state response over table, shape (sensors, n): rigid + Σ share · ω²/(ω_k² − ω² + 2iζω_kω)."""
        w = 2 * np.pi * np.asarray(frequency_hz, dtype=float)
        out = (np.array([[sensor.rigid] for sensor in self.sensors]) * np.ones(len(w))).astype(complex)
        for k, mode in enumerate(self.modes):
            wk = 2 * np.pi * mode.frequency_hz
            relative = w**2 / (wk**2 - w**2 + 1j * w * wk / mode.q)
            out += self.shares()[:, k, None] * relative
        return out

    def peak(self, sensor: int, mode: int) -> float | None:
        """Steady-state magnitude at its peak near the mode; None where this sensor shows no peak there."""
        each = self.modes[mode]
        half = each.frequency_hz / each.q
        f = np.linspace(each.frequency_hz - half, each.frequency_hz + half, 4001)
        magnitude = np.abs(self.steady(f)[sensor])
        k = int(np.argmax(magnitude))
        return float(magnitude[k]) if 0 < k < len(f) - 1 else None

    def prominence(self, sensor: int, mode: int) -> float:
        """Height of the mode's own circle over everything else's magnitude, at its frequency."""
        each = self.modes[mode]
        total = self.steady(np.array([each.frequency_hz]))[sensor, 0]
        own = self.shares()[sensor, mode] * each.q / 1j
        return float(abs(own) / max(abs(total - own), 1e-12))
