"""Raw records: swept runs sampled evenly, and free decays after a pluck."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from tests.simulator.course import Course, Table
from tests.simulator.motion import Motion, blocks
from tests.simulator.structure import Structure

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Record:
    """Evenly sampled channels, m/s² (the drive in volts), shape (samples,) each."""

    sample_rate_hz: float
    channels: dict[str, Floats]

    @property
    def time_s(self) -> Floats:
        n = len(next(iter(self.channels.values())))
        return np.arange(n) / self.sample_rate_hz


def sweep_record(
    structure: Structure,
    course: Course,
    table: Table,
    sample_rate_hz: float,
    *,
    noise: float = 0.0,
    harmonics: Sequence[float] = (),
    drive: str | None = "DRIVE",
    control: str = "C1",
    seed: int = 0,
) -> Record:
    """Table and sensors as a recorder would keep them; ``harmonics`` are shares of the 2nd, 3rd, … on the table.

    ``noise`` is the standard deviation on every sample, m/s². Raises ValueError where the rate is below what the
    drive's highest frequency needs.
    """
    samples = np.arange(0.0, course.duration_s, 1.0 / sample_rate_hz)
    if sample_rate_hz < 2.5 * float(course.frequency(samples[[0, -1]]).max()):
        raise ValueError(
            f"{sample_rate_hz} Hz is too slow for this sweep; take at least 2.5 times its highest frequency"
        )
    motion = Motion(structure, course, table.level(course))
    first_table, first_cycles, first = motion.start()
    rows = [np.vstack([first_table, first])]
    counted = [first_cycles]
    for block in blocks(course, samples):
        _, moved, cycles, sensors = motion.advance(block, block.steps_per_row)
        rows.append(np.vstack([moved[None, :], sensors]))
        counted.append(cycles)
    signal, cycles = np.concatenate(rows, axis=1).real, np.concatenate(counted)
    level = table.level(course)(samples, course.frequency(samples))
    for n, share in enumerate(harmonics, start=2):
        signal[0] += share * level * np.cos(2 * np.pi * n * cycles)
    rng = np.random.default_rng(seed)
    signal = signal + rng.normal(0.0, noise, signal.shape) if noise else signal
    channels = {} if drive is None else {drive: np.cos(2 * np.pi * cycles)}
    channels[control] = signal[0]
    channels |= {sensor.id: signal[k + 1] for k, sensor in enumerate(structure.sensors)}
    return Record(sample_rate_hz, channels)


def pluck_record(
    structure: Structure,
    start: Sequence[float],
    sample_rate_hz: float,
    seconds: float,
    *,
    quiet_s: float = 0.0,
    noise: float = 0.0,
    damping_growth: float = 0.0,
    seed: int = 0,
) -> Record:
    """Release from rest at a deflection: ``start`` is each mode's first acceleration amplitude, m/s².

    Before the release ``quiet_s`` seconds of nothing. ``damping_growth`` makes the damping ratio grow with amplitude,
    ζ·(1 + growth·|envelope|/first), which is integrated step by step.
    """
    n = round(seconds * sample_rate_hz)
    quiet = round(quiet_s * sample_rate_hz)
    time = np.arange(n) / sample_rate_hz
    per_mode = [_free(m.frequency_hz, m.damping_ratio, time, damping_growth) for m in structure.modes]
    rng = np.random.default_rng(seed)
    channels = {}
    for sensor in structure.sensors:
        parts = [share * a * each for share, a, each in zip(sensor.shares, start, per_mode, strict=True)]
        motion = np.concatenate([np.zeros(quiet), sum(parts[1:], parts[0])])
        channels[sensor.id] = motion + rng.normal(0.0, noise, len(motion)) if noise else motion
    return Record(sample_rate_hz, channels)


def _free(f0: float, zeta: float, time: Floats, growth: float) -> Floats:
    """Acceleration of an oscillator released from a unit deflection, its first value made −1."""
    w = 2 * np.pi * f0

    def slope(_: float, y: Floats) -> list[float]:
        envelope = np.hypot(y[0], y[1] / w)
        return [y[1], -2 * zeta * (1 + growth * envelope) * w * y[1] - w**2 * y[0]]

    if growth == 0.0:
        # The closed solution of q″ + 2ζω q′ + ω² q = 0 from q = 1 at rest.
        damped = w * np.sqrt(1 - zeta**2)
        return np.asarray(
            np.exp(-zeta * w * time) * (zeta * w / damped * np.sin(damped * time) - np.cos(damped * time))
        )
    solution = solve_ivp(slope, (0.0, time[-1]), [1.0, 0.0], t_eval=time, method="DOP853", rtol=1e-10, atol=1e-12)
    q, v = solution.y
    envelope = np.hypot(q, v / w)
    return np.asarray((-2 * zeta * (1 + growth * envelope) * w * v - w**2 * q) / w**2)
