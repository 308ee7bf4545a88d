"""What the laboratory's controller makes of the motion: detection, noise, faults, rows.

The detector multiplies every channel by e^{−iφ} of the drive and passes the result through a low-pass (the tracking
filter), integrated in time like the motion itself; without one it is an ideal synchronous detector.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from tests.simulator.course import Course, Table
from tests.simulator.motion import Motion, blocks
from tests.simulator.structure import Structure

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True)
class Filter:
    """Tracking filter of two-sided bandwidth ``hz`` (or a ``fraction`` of the frequency), −3 dB at half of it.

    ``order`` 1 is a simple RC low-pass on the demodulated signal; higher orders are Butterworth.
    """

    hz: float | None = None
    fraction: float | None = None
    order: int = 1

    def poles(self, frequency_hz: float) -> tuple[Complexes, Complexes]:
        """Poles and residues of the low-pass, H(s) = Σ r/(s − p), H(0) = 1."""
        bandwidth = self.hz if self.hz is not None else (self.fraction or 0.0) * frequency_hz
        corner = np.pi * bandwidth
        k = np.arange(self.order)
        p = corner * np.exp(1j * np.pi * (2 * k + self.order + 1) / (2 * self.order))
        r = np.array([np.prod(-p) / np.prod(p[i] - np.delete(p, i)) for i in range(self.order)])
        return p, r


@dataclass(frozen=True)
class Noise:
    """Noise of one channel: ``floor`` in m/s² and ``share`` of the reading, standard deviation of amplitude (and, as
    an angle in radian, of phase); ``hum`` a mains line in m/s² peak at ``hum_hz``."""

    floor: float = 0.0
    share: float = 0.0
    hum: float = 0.0
    hum_hz: float = 50.0


@dataclass(frozen=True)
class Fault:
    """Something wrong with a channel from ``from_s`` to ``to_s``.

    ``kind``: ``drop-out`` (reads the floor), ``clipping`` (no more than ``level``, m/s²), ``loose`` (the gain
    wanders and the reading rattles), ``dead`` (reads the floor all along), ``phase jump`` (180°).
    """

    channel: str
    kind: str
    from_s: float = 0.0
    to_s: float = np.inf
    level: float = 0.0


@dataclass(frozen=True)
class ControlSensor:
    """A control channel: the table's motion times a gain that may depend on its place."""

    id: str
    gain: complex = 1.0


@dataclass(frozen=True)
class Recording:
    """Rows as the controller has them before they are written: SI, peak, complex against the drive."""

    time_s: Floats
    frequency_hz: Floats
    cycles: Floats
    control: dict[str, Complexes]
    response: dict[str, Complexes]
    clean: dict[str, Complexes] = field(default_factory=dict)
    """Responses without noise and faults."""

    def relative_phase_deg(self, channel: str, reference: str | None = None) -> Floats:
        """Phase of a response against a control channel, −180 to 180."""
        ratio = self.response[channel] / self.control[reference or next(iter(self.control))]
        return np.degrees(np.angle(ratio))


@dataclass(frozen=True)
class Laboratory:
    """Controller and recorder: rows every ``row_s`` seconds or ``rows_per_octave``, filter, noise, faults."""

    row_s: float = 0.2
    rows_per_octave: float | None = None
    tracking: Filter | None = None
    controls: tuple[ControlSensor, ...] = (ControlSensor("C1"),)
    control_noise: Noise = Noise()
    noise: dict[str, Noise] = field(default_factory=dict)
    default_noise: Noise = Noise()
    faults: tuple[Fault, ...] = ()
    seed: int = 0

    def row_times(self, course: Course) -> Floats:
        """Times of the rows; every ``row_s``, or where the frequency has moved by a fixed part of an octave."""
        if self.rows_per_octave is None:
            return np.arange(0.0, course.duration_s + 1e-9, self.row_s)
        t = np.linspace(0.0, course.duration_s, 400_001)
        octaves = np.abs(np.diff(np.log2(course.frequency(t)), prepend=np.log2(course.frequency(t[:1])))).cumsum()
        wanted = np.arange(0.0, octaves[-1], 1.0 / self.rows_per_octave)
        return np.interp(wanted, octaves, t)

    def record(
        self, structure: Structure, course: Course, table: Table, *, from_rest: bool = False, first: int | None = None
    ) -> Recording:
        """Integrate the run and read it off row by row; only the ``first`` rows where that is given."""
        every = self.row_times(course)
        rows = every[:first]
        motion = Motion(structure, course, table.level(course), from_rest=from_rest)
        detected, cycles = self._detect(motion, course, rows)
        clean = {sensor.id: detected[k + 1] for k, sensor in enumerate(structure.sensors)}
        rng, n = np.random.default_rng(self.seed), len(every)
        control = {each.id: _noisy(each.gain * detected[0], self.control_noise, rng, n) for each in self.controls}
        response = {name: _noisy(y, self.noise.get(name, self.default_noise), rng, n) for name, y in clean.items()}
        recording = Recording(rows, course.frequency(rows), cycles, control, response, clean)
        return self._spoil(recording, rng)

    def _detect(self, motion: Motion, course: Course, rows: Floats) -> tuple[Complexes, Floats]:
        """Envelopes of table and sensors, shape (1 + sensors, rows), and the drive's cycles."""
        table, cycles, sensors = motion.start()
        signals = np.vstack([table, sensors]) * np.exp(-2j * np.pi * cycles)
        found, counted = [signals], [cycles]
        state: Complexes | None = None
        hums = self._hums(motion.structure)
        for block in blocks(course, rows, narrow=0.005 if self.tracking and self.tracking.fraction else 0.02):
            # Without a filter nothing between two rows counts.
            every = 1 if self.tracking else block.steps_per_row
            ends, table, cycles, sensors = motion.advance(block, every)
            back = np.exp(-2j * np.pi * np.mod(cycles, 1.0))
            signals = np.vstack([table[None, :], sensors])
            for k, noise in enumerate(hums):
                if noise.hum:
                    signals[k] += noise.hum * np.exp(2j * np.pi * noise.hum_hz * ends)
            signals = signals * back
            if self.tracking:
                f = float(course.frequency(np.array([block.start_s]))[0])
                signals, state = _filtered(signals, found[0][:, 0], self.tracking.poles(f), block.step_s, state)
            rows_of = slice(block.steps_per_row // every - 1, None, block.steps_per_row // every)
            found.append(signals[:, rows_of])
            counted.append(cycles[rows_of])
        return np.concatenate(found, axis=1), np.concatenate(counted)

    def _hums(self, structure: Structure) -> list[Noise]:
        return [self.control_noise, *(self.noise.get(each.id, self.default_noise) for each in structure.sensors)]

    def _spoil(self, recording: Recording, rng: np.random.Generator) -> Recording:
        channels = dict(recording.response)
        for fault in self.faults:
            y = channels[fault.channel].copy()
            inside = (recording.time_s >= fault.from_s) & (recording.time_s <= fault.to_s)
            floor = self.noise.get(fault.channel, self.default_noise).floor or 1e-3
            y[inside] = _faulty(fault, y[inside], floor, rng)
            channels[fault.channel] = y
        return replace(recording, response=channels)


def _noisy(y: Complexes, noise: Noise, rng: np.random.Generator, whole: int) -> Complexes:
    """Readings with noise, drawn for the whole run so that a part of it comes out the same."""
    random = rng.normal(size=(4, whole))[:, : len(y)]
    return y * (1.0 + noise.share * (random[0] + 1j * random[1])) + noise.floor * (random[2] + 1j * random[3])


def _faulty(fault: Fault, y: Complexes, floor: float, rng: np.random.Generator) -> Complexes:
    n = len(y)
    if fault.kind in ("drop-out", "dead"):
        parts = rng.normal(size=(n, 2))  # row by row, so that a part of the run comes out the same
        return (floor * (parts[:, 0] + 1j * parts[:, 1])).astype(complex)
    if fault.kind == "clipping":
        return y * np.minimum(1.0, fault.level / np.maximum(np.abs(y), 1e-12))
    if fault.kind == "phase jump":
        return -y
    if fault.kind == "loose":
        gain = np.exp(np.clip(np.cumsum(rng.normal(0.0, 0.12, n)), -2.0, 0.6))
        rattle = rng.normal(0.0, 0.35, n) + 1j * rng.normal(0.0, 0.35, n)
        return y * gain * (1.0 + rattle)
    raise ValueError(f"fault {fault.kind!r} is not known")


def _filtered(
    signals: Complexes, first: Complexes, filter_: tuple[Complexes, Complexes], h: float, state: Complexes | None
) -> tuple[Complexes, Complexes]:
    """Low-pass along the steps: each pole x′ = p x + u, u straight between steps; state has shape (poles + 1, n)."""
    from scipy.signal import lfilter

    poles, residues = filter_
    if state is None:
        state = np.vstack([-first / poles[:, None], first[None, :]])
    last_input = state[-1]
    inputs = np.concatenate([last_input[:, None], signals], axis=1)
    out = np.zeros_like(signals)
    following = [signals[:, -1]]
    for k, (p, r) in enumerate(zip(poles, residues, strict=True)):
        e = np.exp(p * h)
        new = (e - 1.0 - p * h) / (p**2 * h)
        old = (e - 1.0) / p - new
        forced = old * inputs[:, :-1] + new * inputs[:, 1:]
        x, _ = lfilter([1.0], [1.0, -e], forced, axis=1, zi=(e * state[k])[:, None])
        out += r * x
        following.insert(k, x[:, -1])
    return out, np.array(following)
