"""Free decays of structures that are not linear: equations of motion stepped through in time, many at once.

Every mode is q̈ + 2ζω q̇ + ω² q = φ (F(t) − R(u, u̇)) with u = Σ φ q the motion at the joint. R is what the joint adds:
elastic elements that slip (Iwan, J. Appl. Mech. 33 (1966) 893, from memory), square damping, a cubic spring. Leapfrog
steps, with ω bent by 2 sin(ωh/2)/h so that the linear part keeps its frequency exactly.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.simulator.structure import Structure
from tests.simulator.time_history import Record

Floats = NDArray[np.float64]
STEPS_A_CYCLE = 120.0
"""Least steps in a cycle of the fastest mode: the error of the nonlinear part is below 0.1 %."""


@dataclass(frozen=True)
class Joint:
    """What holds the structure besides its own stiffness; per modal mass, displacement in metres."""

    stiffness: Floats = field(default_factory=lambda: np.empty(0))
    """Of each element that slips, 1/s²."""
    slip: Floats = field(default_factory=lambda: np.empty(0))
    """Force at which each gives way, m/s²."""
    square: float = 0.0
    """Coefficient of |u̇|u̇, 1/m."""
    cubic: float = 0.0
    """Coefficient of u³, 1/(m² s²)."""

    def backbone(self, omega: float, zeta: float, amplitudes: Floats) -> tuple[Floats, Floats]:
        """Frequency (Hz) and damping ratio of one mode with φ = 1 at amplitudes of displacement, by averaging.

        An element of stiffness k that slips at force s takes 4 s (x̂ − s/k) a cycle once x̂ > s/k; its first harmonic of
        stiffness follows from the angle θ at which it sticks again, cos θ = 1 − 2 s/(k x̂): k (θ − sin θ cos θ)/π
        (describing function of an elastic element with friction; Caughey, J. Appl. Mech. 27 (1960) 640, from memory).
        """
        x = amplitudes[:, None]
        limit = self.slip / np.where(self.stiffness > 0, self.stiffness, 1.0)
        slips = x > limit
        theta = np.arccos(np.clip(1.0 - 2.0 * limit / x, -1.0, 1.0))
        held = np.where(slips, self.stiffness * (theta - np.sin(theta) * np.cos(theta)) / np.pi, self.stiffness)
        lost = np.where(slips, 4.0 * self.slip * (x - limit), 0.0).sum(axis=1)
        stiff = omega**2 + held.sum(axis=1) + 0.75 * self.cubic * amplitudes**2
        there = np.sqrt(stiff)
        lost = lost + 8.0 / 3.0 * self.square * there**2 * amplitudes**3
        return there / (2 * np.pi), zeta * omega / there + lost / (2 * np.pi * stiff * amplitudes**2)


def micro_slip(stiffness: float, exponent: float, reach: float, elements: int = 48) -> Joint:
    """A joint whose loss a cycle goes as x̂^(3 + χ), −1 < χ < 0 (Segalman, J. Appl. Mech. 72 (2005) 752, from memory).

    Elements slip at displacements spread from 0 to ``reach`` (m) such that the force missing at x goes as x^(2 + χ).
    """
    edges = reach * np.linspace(0.0, 1.0, elements + 1) ** 2
    share = np.diff((edges / reach) ** (1.0 + exponent))
    each = stiffness * share / share.sum()
    return Joint(each, each * 0.5 * (edges[1:] + edges[:-1]))


def dry_friction(omega: float, force: float, stiffer: float = 60.0) -> Joint:
    """Friction of ``force`` (m/s²) through one element ``stiffer`` times as stiff as the mode."""
    return Joint(np.array([stiffer * omega**2]), np.array([force]))


@dataclass(frozen=True)
class Blow:
    """Half a sine of force at the joint's place: beginning and length in s, peak per modal mass in m/s²."""

    at_s: float
    length_s: float
    peak: float

    def force(self, time: Floats) -> Floats:
        """Over time, m/s²."""
        within = (time >= self.at_s) & (time < self.at_s + self.length_s)
        return np.where(within, self.peak * np.sin(np.pi * (time - self.at_s) / self.length_s), 0.0)


def ring_down(
    structure: Structure,
    joint: Joint,
    weights: tuple[float, ...],
    sample_rate_hz: float,
    seconds: float,
    *,
    start: tuple[float, ...] = (),
    blows: tuple[Blow, ...] = (),
    noise: float = 0.0,
    seed: int = 0,
) -> Record:
    """Acceleration of every sensor, m/s², from rest at displacements ``start`` of each mode (m), under ``blows``.

    ``weights`` are the modes' φ at the joint; a sensor reads Σ share · q̈.
    """
    omega = 2 * np.pi * np.array([mode.frequency_hz for mode in structure.modes])
    fastest = np.sqrt(omega.max() ** 2 + float(np.sum(np.asarray(weights) ** 2) * joint.stiffness.sum()))
    finer = int(np.ceil(STEPS_A_CYCLE * fastest / (2 * np.pi) / sample_rate_hz))
    motion = _stepped(structure, joint, np.array(weights), finer, sample_rate_hz, seconds, start, blows)
    rng = np.random.default_rng(seed)
    channels = {}
    for sensor in structure.sensors:
        y = motion @ np.array(sensor.shares)
        channels[sensor.id] = y + rng.normal(0.0, noise, len(y)) if noise else y
    return Record(sample_rate_hz, channels)


def _stepped(
    structure: Structure, joint: Joint, weights: Floats, finer: int, rate: float, seconds: float,
    start: tuple[float, ...], blows: tuple[Blow, ...],
) -> Floats:  # fmt: skip
    """Accelerations at every sample, shape (samples, modes)."""
    h, samples = 1.0 / (finer * rate), round(seconds * rate)
    omega = 2 * np.pi * np.array([mode.frequency_hz for mode in structure.modes])
    spring = (2.0 / h * np.sin(omega * h / 2.0)) ** 2
    rub = np.array([mode.damping_ratio for mode in structure.modes]) * omega * h
    push = sum((blow.force(h * np.arange(samples * finer)) for blow in blows), np.zeros(samples * finer))
    q = np.array(start, dtype=float) if start else np.zeros(len(omega))
    v, stretch, out = np.zeros(len(omega)), np.zeros(len(joint.stiffness)), np.empty((samples, len(omega)))
    limit = joint.slip / np.where(joint.stiffness > 0, joint.stiffness, 1.0)
    # The motion is held at rest at its start: elements are stretched as far as they can be.
    u = float(weights @ q)
    stretch = np.clip(stretch + u, -limit, limit)
    half = v
    for step in range(samples * finer):
        moved = float(weights @ q)
        stretch = np.clip(stretch + (moved - u), -limit, limit)
        u, speed = moved, float(weights @ v)
        held = float(joint.stiffness @ stretch) + joint.square * abs(speed) * speed + joint.cubic * u**3
        force = weights * (push[step] - held) - spring * q
        ahead = ((1.0 - rub) * half + h * force) / (1.0 + rub) if step else (half + 0.5 * h * force) / (1.0 + rub)
        if step % finer == 0:
            out[step // finer] = (ahead - half) / h if step else force
        v = ahead + 0.5 * (ahead - half)
        half = ahead
        q = q + h * half
    return out
