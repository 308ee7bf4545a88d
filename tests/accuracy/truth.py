"""What can be known from a run at all: the Cramér-Rao bound of every mode, and which modes must be found.

Both follow from the simulator's own motion, by differences; no formula of the product is used.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.accuracy.scenarios import Scenario
from tests.simulator.recorder import Noise, Recording
from tests.simulator.structure import Sensor, Structure, TrueMode

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True)
class Bound:
    """Least standard deviations of an unbiased estimate, as fractions; amplification is sensors by modes."""

    frequency: Floats
    q: Floats
    amplification: Floats
    strength: Floats
    """How many standard deviations of noise each mode amounts to, all channels and rows together."""


def unit_motions(scenario: Scenario, modes: tuple[TrueMode, ...]) -> Complexes:
    """Envelope of every mode's relative acceleration alone, shape (modes, rows)."""
    sensors = tuple(Sensor(f"U{k}", tuple(np.eye(len(modes))[k].tolist()), rigid=0.0) for k in range(len(modes)))
    clean = replace(scenario.laboratory, default_noise=Noise(), control_noise=Noise(), noise={}, faults=())
    made = clean.record(Structure(modes, sensors), scenario.course, scenario.table)
    return np.array([made.response[sensor.id] for sensor in sensors])


def bound(scenario: Scenario, recording: Recording) -> Bound:
    """Fisher information of (ln f, ln Q) of each mode and the shares and rigid term of each channel."""
    modes, step = scenario.structure.modes, 1e-5
    n, shares = len(modes), scenario.structure.shares()
    moved_f = [replace(m, frequency_hz=m.frequency_hz * (1 + step)) for m in modes]
    moved_q = [replace(m, q=m.q * (1 + step)) for m in modes]
    every = unit_motions(scenario, (*modes, *moved_f, *moved_q))  # in one run, whose drive is the dear part
    motion, by_f, by_q = every[:n], (every[n : 2 * n] - every[:n]) / step, (every[2 * n :] - every[:n]) / step
    table = next(iter(recording.control.values()))
    poles = np.zeros((2 * n, 2 * n))
    blocks = []
    strength = np.zeros(n)
    for c, sensor in enumerate(scenario.structure.sensors):
        sigma = _sigma(scenario, sensor.id, np.abs(recording.clean[sensor.id]))
        by_pole = np.vstack([shares[c][:, None] * by_f, shares[c][:, None] * by_q]) / sigma
        linear = np.vstack([motion, table[None, :]]) / sigma
        strength += np.array([_alone(linear, k) for k in range(n)]) * shares[c] ** 2
        blocks.append((_real(by_pole, linear), _real(linear, linear)))
        poles += _real(by_pole, by_pole)
    reduced = poles - sum(cross @ np.linalg.solve(own, cross.T) for cross, own in blocks)
    covariance = np.linalg.inv(reduced)
    deviation = np.sqrt(np.diag(covariance))
    amplification = np.array([_amplification(scenario, c, covariance, *blocks[c]) for c in range(len(blocks))])
    return Bound(deviation[:n], deviation[n:], amplification, np.sqrt(strength))


def _sigma(scenario: Scenario, channel: str, level: Floats) -> Floats:
    lab = scenario.laboratory
    noise = lab.noise.get(channel, lab.default_noise)
    share = np.hypot(noise.share, lab.control_noise.share)
    printing = 10.0 ** (1 - scenario.digits) / np.sqrt(12.0) * level
    return np.asarray(np.sqrt(noise.floor**2 + (share * level) ** 2 + printing**2))


def _real(a: Complexes, b: Complexes) -> Floats:
    return np.asarray((a @ b.conj().T).real)


def _alone(linear: Complexes, k: int) -> float:
    """What of a mode's motion nothing else can imitate."""
    others = np.delete(linear, k, axis=0)
    own = _real(linear[k : k + 1], linear[k : k + 1])[0, 0]
    cross = _real(others, linear[k : k + 1])
    return float(own - (cross.T @ np.linalg.solve(_real(others, others), cross))[0, 0])


def _amplification(scenario: Scenario, c: int, poles: Floats, cross: Floats, own: Floats) -> Floats:
    """Relative deviation of the steady-state peak on channel c, by differences of the peak itself."""
    structure, n = scenario.structure, len(scenario.structure.modes)
    inverse = np.linalg.inv(own)
    gain = -inverse @ cross.T
    covariance = np.block([[poles, poles @ gain.T], [gain @ poles, inverse + gain @ poles @ gain.T]])
    out = np.full(n, np.nan)
    for k in range(n):
        start = structure.peak(c, k)
        if start is None:
            continue
        slope = np.array([_peak_slope(structure, c, k, j, start) for j in range(3 * n + 1)])
        out[k] = np.sqrt(max(slope @ covariance @ slope, 0.0))
    return out


def _peak_slope(structure: Structure, c: int, k: int, j: int, start: float) -> float:
    n, step = len(structure.modes), 1e-4
    modes, sensors = list(structure.modes), list(structure.sensors)
    if j < n:
        modes[j] = replace(modes[j], frequency_hz=modes[j].frequency_hz * (1 + step))
    elif j < 2 * n:
        modes[j - n] = replace(modes[j - n], q=modes[j - n].q * (1 + step))
    elif j < 3 * n:
        shares = list(sensors[c].shares)
        shares[j - 2 * n] += step
        sensors[c] = replace(sensors[c], shares=tuple(shares))
    else:
        sensors[c] = replace(sensors[c], rigid=sensors[c].rigid + step)
    moved = Structure(tuple(modes), tuple(sensors)).peak(c, k)
    return 0.0 if moved is None else (moved / start - 1.0) / step
