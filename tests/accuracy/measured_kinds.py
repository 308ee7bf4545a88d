"""Kinds of difficulty that measured structures have and linear logs do not, by seed, with their truth.

Every run is integrated in the time domain by tests/simulator; what instruments and estimators do comes after. ``python
-m tests.accuracy.measured_outcome KIND SEED-SEED`` runs some and prints missed, invented and coverage.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, sosfiltfilt

from reportgen.compute.identification.swept_response import SweptResponse
from reportgen.compute.sweep.pieces import apart, pieces_of
from reportgen.records.log import SweepLog
from tests.accuracy import scenarios
from tests.accuracy.scenarios import Scenario, exponential_rate, random_modes, random_sensors, row_spacing
from tests.simulator.course import Course, G, HandStep, Stretch, Table, sweep
from tests.simulator.motion import Block, Motion
from tests.simulator.nonlinear import Cubic, Friction, MicroSlip, Moving, relative_acceleration
from tests.simulator.recorder import Fault, Filter, Laboratory, Noise, Recording
from tests.simulator.structure import Structure, TrueMode

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

ABOVE_MISFIT = 10.0 ** (10.0 / 20.0)
"""10 dB, as issue 17 asks."""


@dataclass(frozen=True)
class Truth:
    """A mode that is there."""

    frequency_hz: float
    q: float
    must: bool
    """It stands 10 dB above noise and misfit on some channel at its own frequency, and well inside the range."""
    moving: Moving | None = None
    """Where it depends on level: frequency and Q at a level come from here."""
    shares: tuple[tuple[str, float], ...] = ()
    """(channel, share of the relative acceleration) of a mode that moves."""
    highest: float = 0.0
    """Largest relative acceleration that it reached, m/s²."""


@dataclass(frozen=True)
class MeasuredRun:
    """What the product gets to see, and what is true."""

    kind: str
    seed: int
    swept: SweptResponse
    truths: tuple[Truth, ...]
    spoiled: frozenset[str] = frozenset()


def truths_of(scenario: Scenario, misfit: float, inside: tuple[float, float] | None = None) -> tuple[Truth, ...]:
    """Of a linear scenario; ``misfit`` is the part of a reading that no model with the true poles explains."""
    structure, stretches = scenario.structure, scenario.course.stretches
    ends = [f for each in stretches for f in (each.from_hz, each.to_hz)]
    low, high = inside or (min(ends), max(ends))
    out = []
    for k, mode in enumerate(structure.modes):
        edge = mode.frequency_hz / mode.q
        within = low + edge < mode.frequency_hz < high - edge
        out.append(Truth(mode.frequency_hz, mode.q, within and _stands_out(scenario, k, misfit)))
    return tuple(out)


def _stands_out(scenario: Scenario, k: int, misfit: float) -> bool:
    structure, mode = scenario.structure, scenario.structure.modes[k]
    f = np.array([mode.frequency_hz])
    level = float(np.median(np.abs(scenario.table.demand(f))))
    total, shares = structure.steady(f)[:, 0], structure.shares()[:, k]
    own = np.abs(shares) * mode.q
    rest = np.abs(total - shares * mode.q / 1j)
    sound = [sensor.id not in scenario.spoiled for sensor in structure.sensors]
    noises = [scenario.laboratory.noise.get(s.id, scenario.laboratory.default_noise) for s in structure.sensors]
    noise = np.array([n.floor / level + n.share * t for n, t in zip(noises, np.abs(total), strict=True)])
    return bool(np.any((own > ABOVE_MISFIT * (noise + misfit * rest)) & sound))


def _run(scenario: Scenario, swept: SweptResponse, misfit: float = 0.0) -> MeasuredRun:
    return MeasuredRun(scenario.kind, scenario.seed, swept, truths_of(scenario, misfit), scenario.spoiled)


def _usual(kind: str, seed: int, **more: object) -> tuple[Scenario, np.random.Generator]:
    """As the linear kinds, at rates that laboratories use."""
    given = {"eta_range": (0.01, 1.0), "noise": 0.003, "channels": (2, 3), "modes": (2, 4), "q": (8.0, 120.0)} | more
    return scenarios._make(kind, seed, **given)


def _turned(recording: Recording, factor: Callable[[Floats, int], Complexes]) -> Recording:
    """Every response times a complex function of frequency, its own for each channel."""
    f = recording.frequency_hz
    made = {name: y * factor(f, c) for c, (name, y) in enumerate(recording.response.items())}
    return replace(recording, response=made)


def phase_error(seed: int) -> MeasuredRun:
    """Each instrument's phase off by up to 10 degrees and its delay by up to 40 µs."""
    made, rng = _usual("phase_error", seed)
    angle, delay = np.radians(rng.uniform(-10, 10, 3)), rng.uniform(0.0, 4e-5, 3)
    turned = _turned(made.recording(), lambda f, c: np.exp(1j * angle[c] - 2j * np.pi * f * delay[c]))
    return _run(made, made.swept(turned))


def gain_error(seed: int) -> MeasuredRun:
    """Each instrument's gain wanders by 5 % over a few octaves."""
    made, rng = _usual("gain_error", seed)
    pace, start = rng.uniform(1.0, 3.0, 3), rng.uniform(0.0, 2 * np.pi, 3)
    turned = _turned(made.recording(), lambda f, c: 1.0 + 0.05 * np.sin(pace[c] * np.log(f) + start[c]) + 0j)
    return _run(made, made.swept(turned), misfit=0.05)


def leakage(seed: int) -> MeasuredRun:
    """Random vibration; H1 from Hann windows, eight to sixteen lines a bandwidth, fifty averages with half overlap."""
    rng = np.random.default_rng([seed, *b"leakage"])
    low = float(rng.uniform(10.0, 30.0))
    modes = random_modes(rng, 3, 1.5 * low, 8.0 * low, (20.0, 80.0))
    structure = Structure((*modes, TrueMode(20.0 * low, 20.0)), random_sensors(rng, 2, 4))
    narrow = min(m.frequency_hz / m.q for m in modes)
    lines, averages = narrow / float(rng.uniform(8.0, 16.0)), 50
    fs = 320.0 * low
    length = int(fs / lines)
    count = length * (averages + 1) // 2 + length
    sos = butter(8, 10.0 * low, fs=fs, output="sos")
    base = sosfiltfilt(sos, rng.standard_normal(count))
    responses = _driven(structure, base, fs)
    frequency, h = _h1(base, responses, length, fs)
    keep = (frequency > low) & (frequency < 10.0 * low)
    noise = 1.0 / np.sqrt(2.0 * averages) * 0.05
    sized = Scenario("leakage", seed, structure, sweep(low, 10.0 * low, 1.0), Table(lambda f: np.full_like(f, G)),
                     Laboratory(default_noise=Noise(share=noise)))  # fmt: skip
    steady = _steady(frequency[keep], h[:, keep], structure)
    return MeasuredRun("leakage", seed, steady, truths_of(sized, 0.1))


def _driven(structure: Structure, base: Floats, fs: float) -> Floats:
    """Absolute acceleration of every sensor under a base motion straight between its samples, (sensors, n)."""
    out = np.array([s.rigid for s in structure.sensors])[:, None] * base
    for k, mode in enumerate(structure.modes):
        w, zeta, h = 2 * np.pi * mode.frequency_hz, mode.damping_ratio, 1.0 / fs
        s = w * (-zeta + 1j * np.sqrt(1 - zeta**2))
        e = np.exp(s * h)
        new = (e - 1.0 - s * h) / (s**2 * h)
        old = (e - 1.0) / s - new
        z = lfilter([new, old], [1.0, -e], -base.astype(complex))
        q, speed = z.imag / s.imag, (z + np.conj(s) * (z.imag / s.imag)).real
        relative = -2 * zeta * w * speed - w**2 * q - base
        out += structure.shares()[:, k, None] * relative
    return out


def _h1(base: Floats, responses: Floats, length: int, fs: float) -> tuple[Floats, Complexes]:
    window = np.hanning(length + 1)[:-1]
    starts = range(0, len(base) - length + 1, length // 2)
    drive = np.array([np.fft.rfft(window * base[k : k + length]) for k in starts])
    power = np.sum(np.abs(drive) ** 2, axis=0)
    h = np.array([
        sum(np.fft.rfft(window * y[k : k + length]) * d.conj() for k, d in zip(starts, drive, strict=True)) / power
        for y in responses
    ])  # fmt: skip
    return np.asarray(np.fft.rfftfreq(length, 1.0 / fs), float), h


def _steady(frequency: Floats, h: Complexes, structure: Structure) -> SweptResponse:
    names = tuple(s.id for s in structure.sensors)
    return SweptResponse(
        frequency_hz=frequency, control=np.full(len(frequency), G), responses=np.abs(h).T * G, channels=names,
        dimensions=("acceleration",) * len(names), phases_deg=np.degrees(np.angle(h)).T, steady=True,
    )  # fmt: skip


def not_settled(seed: int) -> MeasuredRun:
    """Stepped sine, each step held for three to five time constants of the sharpest mode and read at its end."""
    rng = np.random.default_rng([seed, *b"not_settled"])
    low = float(rng.uniform(15.0, 30.0))
    modes = random_modes(rng, 2, 1.3 * low, 2.6 * low, (15.0, 50.0))
    structure = Structure((*modes, TrueMode(7.0 * low, 20.0)), random_sensors(rng, 2, 3))
    constant = max(m.q / (np.pi * m.frequency_hz) for m in modes)
    hold = float(rng.uniform(3.0, 5.0)) * constant
    course = Course(tuple(Stretch(float(f), float(f), seconds=hold) for f in np.geomspace(low, 3.4 * low, 260)))
    made = Scenario(
        "not_settled", seed, structure, course, Table(lambda f: np.full_like(f, 0.5 * G)),
        Laboratory(row_s=hold, default_noise=Noise(floor=2e-4 * G, share=0.003), seed=seed),
    )  # fmt: skip
    recording = _at_ends(made, hold)
    swept = replace(replace(made, time=False).swept(recording), steady=True)
    return _run(made, swept, misfit=0.1)


def _at_ends(made: Scenario, hold: float) -> Recording:
    """Read just before each step ends."""

    class Ends(Laboratory):
        def row_times(self, course: Course) -> Floats:
            return np.concatenate([[0.0], course.starts_s[1:] - 1e-3 * hold])

    given = {name: getattr(made.laboratory, name) for name in Laboratory.__dataclass_fields__}
    whole = Ends(**given).record(made.structure, made.course, made.table)
    cut = {name: y[1:] for name, y in whole.response.items()}
    return replace(
        whole, time_s=whole.time_s[1:], frequency_hz=whole.frequency_hz[1:], cycles=whole.cycles[1:], response=cut,
        control={name: y[1:] for name, y in whole.control.items()},
        clean={name: y[1:] for name, y in whole.clean.items()},
    )  # fmt: skip


@dataclass
class DriftingMotion(Motion):
    """Modes whose frequency drifts by ``drift`` (a fraction) evenly from beginning to end, a step a block."""

    drift: float = 0.0

    def advance(self, block: Block, every: int = 1) -> tuple[Floats, Complexes, Floats, Complexes]:
        middle = block.start_s + 0.5 * block.rows * block.steps_per_row * block.step_s
        self._retune(1.0 + self.drift * middle / self.course.duration_s)
        return super().advance(block, every)

    def _retune(self, factor: float) -> None:
        n = len(self.structure.modes)
        s = self.poles[:n]
        q = (self.state[:n] - self.state[n:]) / (2j * s.imag)
        speed = self.state[:n] + s.conj() * q
        modes = tuple(TrueMode(m.frequency_hz * factor, m.q) for m in self._cold.modes)
        self.structure = Structure(modes, self._cold.sensors)
        kept = self.from_rest
        self.from_rest = True
        Motion.__post_init__(self)
        self.from_rest = kept
        s = self.poles[:n]
        self.state = np.concatenate([speed - s.conj() * q, speed - s * q])

    def __post_init__(self) -> None:
        self._cold = self.structure
        super().__post_init__()


def drift(seed: int) -> MeasuredRun:
    """The specimen warms up: all frequencies fall by 0.2 to 0.6 % within the sweep.

    True is the frequency when the sweep passes, and the Q that one sweep can know: a mode that moves by f₀′ while the
    drive moves by f′ is as broad as one that stands with Q (1 − f₀′/f′), whatever is done with the log.
    """
    made, rng = _usual("drift", seed, q=(8.0, 80.0))
    fall = -float(rng.uniform(0.002, 0.006))
    lab = made.laboratory
    recording = _recorded(lab, DriftingMotion(made.structure, made.course, made.table.level(made.course), drift=fall))
    t = np.linspace(0.0, made.course.duration_s, 20_001)
    f = made.course.frequency(t)

    def passed(mode: TrueMode) -> TrueMode:
        now = mode.frequency_hz * (1.0 + fall * t / made.course.duration_s)
        at = int(np.argmin(np.abs(f - now)))
        pace = mode.frequency_hz * fall / made.course.duration_s / float(np.gradient(f, t)[at])
        return TrueMode(float(now[at]), mode.q * (1.0 - pace))

    there = replace(made, structure=replace(made.structure, modes=tuple(passed(m) for m in made.structure.modes)))
    return _run(there, made.swept(recording), misfit=0.02)


def _recorded(lab: Laboratory, motion: Motion) -> Recording:
    """As ``Laboratory.record`` does, of a motion made elsewhere."""
    from tests.simulator import recorder

    rows = lab.row_times(motion.course)
    structure = motion.structure
    detected, cycles = lab._detect(motion, motion.course, rows)
    clean = {sensor.id: detected[k + 1] for k, sensor in enumerate(structure.sensors)}
    rng, n = np.random.default_rng(lab.seed), len(rows)
    control = {each.id: recorder._noisy(each.gain * detected[0], lab.control_noise, rng, n) for each in lab.controls}
    response = {name: recorder._noisy(y, lab.default_noise, rng, n) for name, y in clean.items()}
    return Recording(rows, motion.course.frequency(rows), cycles, control, response, clean)


def _moving_run(kind: str, seed: int, joint: Callable[[np.random.Generator, float, float], tuple[float, Moving]],
                q: tuple[float, float]) -> MeasuredRun:  # fmt: skip
    """One mode with a joint and a linear one above it, swept up; 0.3 % of noise.

    ``joint`` gives the largest relative acceleration aimed at (m/s²) and the mode, from the generator, ω₀ and Q.
    """
    rng = np.random.default_rng([seed, *kind.encode()])
    hz, sharp = float(rng.uniform(35.0, 90.0)), float(np.exp(rng.uniform(*np.log(q))))
    aimed, mode = joint(rng, 2 * np.pi * hz, sharp)
    level = aimed / mode.backbone(aimed)[1]
    other = TrueMode(hz * float(rng.uniform(1.9, 2.2)), float(rng.uniform(15.0, 40.0)))
    sensors = random_sensors(rng, 2, 2)
    linear = Structure((other,), tuple(replace(s, shares=(s.shares[1],)) for s in sensors))
    low, high = hz / 1.35, other.frequency_hz * 1.3
    rate = exponential_rate((TrueMode(hz, sharp), other), float(np.exp(rng.uniform(np.log(0.3), np.log(1.5)))), 0.0)
    course = sweep(low, high, rate)
    row_s = course.duration_s / 1500.0
    lab = Laboratory(row_s=row_s, control_noise=Noise(share=1e-3),
                     default_noise=Noise(floor=1e-4 * level, share=0.003), seed=seed)  # fmt: skip
    table = Table(lambda f: np.full_like(f, level))
    quiet = replace(lab, default_noise=Noise(), control_noise=Noise()).record(linear, course, table)
    moved = relative_acceleration(mode, course, level, quiet.time_s)
    noise = np.random.default_rng([seed, 1])

    def noisy(y: Complexes, share: float) -> Complexes:
        random = noise.standard_normal((4, len(y)))
        return y * (1 + share * (random[0] + 1j * random[1])) + 1e-4 * level * (random[2] + 1j * random[3])

    response = {s.id: noisy(quiet.response[s.id] + s.shares[0] * moved, 0.003) for s in sensors}
    control = {name: noisy(y, 1e-3) for name, y in quiet.control.items()}
    recording = replace(quiet, response=response, control=control)
    made = Scenario(kind, seed, linear, course, table, lab)
    highest = float(np.abs(moved).max())
    frequency, sharpness = mode.backbone(highest)
    shares = tuple((s.id, s.shares[0]) for s in sensors)
    swept = replace(made, structure=Structure((other,), sensors)).swept(_without_ends(recording, course))
    return MeasuredRun(kind, seed, swept, (
        Truth(frequency, sharpness, True, mode, shares, highest), *truths_of(made, 0.05)
    ))  # fmt: skip


def _without_ends(recording: Recording, course: Course, cycles: float = 3.0) -> Recording:
    """Without the rows next to the ends, where a window of cycles does not fit."""
    t, spare = recording.time_s, cycles / course.stretches[0].from_hz
    rows = (t > spare) & (t < course.duration_s - spare)
    return replace(
        recording, time_s=t[rows], frequency_hz=recording.frequency_hz[rows], cycles=recording.cycles[rows],
        control={name: y[rows] for name, y in recording.control.items()},
        response={name: y[rows] for name, y in recording.response.items()}, clean={},
    )  # fmt: skip


def _cubic(drift: tuple[float, float]) -> Callable[[np.random.Generator, float, float], tuple[float, Moving]]:
    """Cubic spring whose frequency drifts by that much (in half bandwidths) at the peak."""

    def joint(rng: np.random.Generator, omega: float, q: float) -> tuple[float, Moving]:
        aimed = float(rng.uniform(5.0, 60.0))
        share = float(rng.uniform(*drift)) * 0.5 / q
        alpha = share * 8.0 / 3.0 * omega**2 / (aimed / omega**2) ** 2
        return aimed, Moving(omega, q, lambda: Cubic(omega, alpha))

    return joint


def softening(seed: int) -> MeasuredRun:
    """A joint softens: the peak falls by 0.3 to 1.2 half bandwidths."""
    return _moving_run("softening", seed, _cubic((-1.2, -0.3)), (20.0, 50.0))


def hardening(seed: int) -> MeasuredRun:
    """A spring stiffens by two to four half bandwidths: the sweep up jumps down from the peak."""
    return _moving_run("hardening", seed, _cubic((2.0, 4.0)), (20.0, 50.0))


def dry_friction(seed: int) -> MeasuredRun:
    """Dry friction gives a third to the whole of the other damping at the peak."""

    def joint(rng: np.random.Generator, omega: float, q: float) -> tuple[float, Moving]:
        aimed, ratio = float(rng.uniform(5.0, 60.0)), float(rng.uniform(0.3, 1.0))
        slip = ratio * 0.5 / q * np.pi * aimed / 2.0
        creep = 1e-3 * aimed / omega
        return aimed, Moving(omega, q, lambda: Friction(omega, slip, creep))

    return _moving_run("dry_friction", seed, joint, (20.0, 50.0))


def micro_slip(seed: int) -> MeasuredRun:
    """Elements of a joint slip one after another: softer, and more damped, with level."""

    def joint(rng: np.random.Generator, omega: float, q: float) -> tuple[float, Moving]:
        aimed, share = float(rng.uniform(5.0, 60.0)), float(rng.uniform(0.01, 0.04))
        reach = float(rng.uniform(0.8, 2.0)) * aimed / omega**2
        return aimed, Moving(omega, q, lambda: MicroSlip(omega, share, reach))

    return _moving_run("micro_slip", seed, joint, (25.0, 60.0))


def growing_noise(seed: int) -> MeasuredRun:
    """A floor that grows with the square of the frequency, to a tenth of the drive at the upper end."""
    made, _ = _usual("growing_noise", seed, noise=0.002)
    recording = made.recording()
    f = recording.frequency_hz
    rng = np.random.default_rng([seed, 2])
    floor = 0.1 * 0.5 * G * (f / f.max()) ** 2
    noisy = {
        name: y + floor * (rng.standard_normal(len(f)) + 1j * rng.standard_normal(len(f)))
        for name, y in recording.response.items()
    }
    loud = replace(made, laboratory=replace(made.laboratory, default_noise=Noise(floor=0.05 * G, share=0.002)))
    return MeasuredRun("growing_noise", seed, made.swept(replace(recording, response=noisy)), truths_of(loud, 0.0))


def cross_talk(seed: int) -> MeasuredRun:
    """A dozen modes, and 1 % of every channel's reading on every other, through an amplifier's own phase."""
    made, rng = _usual("cross_talk", seed, modes=(8, 12), q=(15.0, 60.0), octaves=5.0, channels=(3, 3))
    recording = made.recording()
    names = tuple(recording.response)
    turn = np.exp(1j * rng.uniform(-np.pi, np.pi, (3, 3)))
    mixed = {
        a: recording.response[a] + sum(0.01 * turn[i, j] * recording.response[b] for j, b in enumerate(names) if b != a)
        for i, a in enumerate(names)
    }
    return _run(made, made.swept(replace(recording, response=mixed)))


def dense(seed: int) -> MeasuredRun:
    """Sixty modes in two decades, Q from 40 to 120."""
    rng = np.random.default_rng([seed, *b"dense"])
    step = np.log(100.0) / 60
    f = np.exp(np.log(10.0) + step * (np.arange(60) + rng.uniform(-0.25, 0.25, 60) + 0.5))
    modes = tuple(TrueMode(float(a), float(b)) for a, b in zip(f, np.exp(rng.uniform(np.log(40), np.log(120), 60)),
                                                               strict=True))  # fmt: skip
    structure = Structure((*modes, TrueMode(1600.0, 20.0)), random_sensors(rng, 3, 61))
    course = sweep(9.5, 1050.0, 2.0)
    made = Scenario(
        "dense", seed, structure, course, Table(lambda f: np.full_like(f, 0.5 * G)),
        Laboratory(row_s=course.duration_s / 4000.0, control_noise=Noise(share=1e-3),
                   default_noise=Noise(floor=2e-4 * G, share=0.003), seed=seed),
    )  # fmt: skip
    return _run(made, made.swept())


def sharp_and_blunt(seed: int) -> MeasuredRun:
    """Q from 5 to 5,000 in one log: one mode of each thousand-fold third."""
    rng = np.random.default_rng([seed, *b"sharp_and_blunt"])
    low = float(rng.uniform(15.0, 40.0))
    places = np.sort(low * np.exp(rng.uniform(0.05, 0.25, 3) + np.array([0.25, 0.8, 1.35])))
    sharp = np.exp(rng.uniform(np.log([5, 50, 500]), np.log([50, 500, 5000])))
    modes = tuple(TrueMode(float(f), float(q)) for f, q in zip(places, rng.permutation(sharp), strict=True))
    high = 1.3 * places[-1]
    structure = Structure((*modes, TrueMode(2.5 * high, 20.0)), random_sensors(rng, 2, 4))
    rate = max(exponential_rate(modes, 1.0, high - low), (high - low) / 150_000.0 * 60.0 / np.log(2.0))
    course = sweep(low, high, rate)
    made = Scenario(
        "sharp_and_blunt", seed, structure, course, Table(lambda f: np.full_like(f, 0.2 * G)),
        Laboratory(row_s=row_spacing(course, modes), control_noise=Noise(share=1e-3),
                   default_noise=Noise(floor=1e-4 * G, share=0.003), seed=seed),
    )  # fmt: skip
    return _run(made, made.swept())


def pole_zero(seed: int) -> MeasuredRun:
    """A mode that takes little part, so that a zero stands beside its pole."""
    made, rng = _usual("pole_zero", seed, modes=(3, 4), q=(20.0, 120.0))
    k = int(rng.integers(len(made.structure.modes) - 1))
    sensors = []
    for sensor in made.structure.sensors:
        shares = list(sensor.shares)
        shares[k] *= float(rng.uniform(0.02, 0.05))
        sensors.append(replace(sensor, shares=tuple(shares)))
    made = replace(made, structure=replace(made.structure, sensors=tuple(sensors)))
    return _run(made, made.swept())


def edges(seed: int) -> MeasuredRun:
    """Both ends of the range lie within a bandwidth of a resonance."""
    made, rng = _usual("edges", seed, modes=(3, 4), q=(10.0, 60.0), octaves=3.0)
    inside = made.structure.modes[:-1]
    first, last = inside[0], inside[-1]
    low = first.frequency_hz * (1 + float(rng.uniform(-0.7, 0.7)) / first.q)
    high = last.frequency_hz * (1 + float(rng.uniform(-0.7, 0.7)) / last.q)
    course = sweep(low, high, made.course.stretches[0].rate)
    lab = replace(made.laboratory, row_s=row_spacing(course, inside))
    return _run(replace(made, course=course, laboratory=lab), replace(made, course=course, laboratory=lab).swept())


def clipped(seed: int) -> MeasuredRun:
    """One channel of several is cut off a fifth below its largest reading."""
    made, _ = _usual("clipped", seed, channels=(3, 3))
    most = float(np.abs(made.recording().clean["A1"]).max())
    fault = Fault("A1", "clipping", level=0.8 * most)
    cut = replace(made, laboratory=replace(made.laboratory, faults=(fault,)), spoiled=frozenset({"A1"}))
    return _run(cut, cut.swept())


def _interrupted(kind: str, seed: int, back: tuple[float, float] | None) -> MeasuredRun:
    made, rng = _usual(kind, seed, channels=(2, 3))
    stretch = made.course.stretches[0]
    modes = made.structure.modes[:-1]
    near = modes[int(rng.integers(len(modes)))]
    stop = near.frequency_hz * (1 + float(rng.uniform(-1.5, 1.5)) / near.q)
    again = stretch.from_hz if back is None else max(stretch.from_hz, stop * float(rng.uniform(*back)))
    courses = sweep(stretch.from_hz, stop, stretch.rate), sweep(again, stretch.to_hz, stretch.rate)
    made = replace(made, table=replace(made.table, ripple=0.0))
    return _in_pieces(made, courses, float(rng.uniform(20.0, 300.0)))


def _in_pieces(made: Scenario, courses: tuple[Course, Course], pause_s: float) -> MeasuredRun:
    """Both pieces from rest, one log, as the product takes them apart."""
    parts = [
        replace(made.laboratory, seed=made.seed + 1000 * k).record(made.structure, course, made.table, from_rest=True)
        for k, course in enumerate(courses)
    ]
    joined = _joined(parts[0], parts[1], pause_s)
    swept = made.swept(joined)
    assert swept.time_s is not None
    pieces = pieces_of(SweepLog(path="", frequency_hz=swept.frequency_hz, traces=()))
    return _run(made, replace(swept, time_s=apart(swept.time_s, pieces)))


def _joined(a: Recording, b: Recording, pause_s: float) -> Recording:
    both = {name: np.concatenate([a.response[name], b.response[name]]) for name in a.response}
    return replace(
        a, time_s=np.concatenate([a.time_s, a.time_s[-1] + pause_s + b.time_s]),
        frequency_hz=np.concatenate([a.frequency_hz, b.frequency_hz]), cycles=np.concatenate([a.cycles, b.cycles]),
        control={name: np.concatenate([a.control[name], b.control[name]]) for name in a.control}, response=both,
        clean={},
    )  # fmt: skip


def resumed(seed: int) -> MeasuredRun:
    """Stopped near a mode and resumed a little lower, from rest; the clock goes on."""
    return _interrupted("resumed", seed, (0.75, 0.97))


def restarted(seed: int) -> MeasuredRun:
    """Stopped near a mode and started anew from the lower end."""
    return _interrupted("restarted", seed, None)


def _event_run(kind: str, seed: int) -> tuple[Scenario, np.random.Generator]:
    """Half of the runs go down, half are logged through a tracking filter that is stated rightly."""
    made, rng = _usual(kind, seed, q=(15.0, 120.0), channels=(2, 3))
    stretch = made.course.stretches[0]
    if rng.random() < 0.5:
        made = replace(made, course=sweep(stretch.to_hz, stretch.from_hz, stretch.rate))
    if rng.random() < 0.5:
        tracking = scenarios._some_filter(made, rng, 2.0, 10.0)
        made = replace(made, laboratory=replace(made.laboratory, tracking=tracking))
    return replace(made, table=replace(made.table, ripple=0.0)), rng


def full_start(seed: int) -> MeasuredRun:
    """From rest at full level, one to ten bandwidths beyond a mode that rings and is never swept."""
    made, rng = _event_run("full_start", seed)
    stretch, inside = made.course.stretches[0], made.structure.modes[:-1]
    up = stretch.to_hz > stretch.from_hz
    near = inside[0] if up else inside[-1]
    away = float(np.exp(rng.uniform(0.0, np.log(10.0)))) / near.q
    start = near.frequency_hz * (1.0 + away if up else 1.0 - away)
    course = sweep(start, stretch.to_hz, stretch.rate)
    made = replace(made, course=course, laboratory=replace(made.laboratory, row_s=row_spacing(course, inside)))
    return _run(made, made.swept(made.laboratory.record(made.structure, course, made.table, from_rest=True)))


def level_steps(seed: int) -> MeasuredRun:
    """One or two steps of the level by 6 dB, up or down, within a twentieth of a row to three rows, anywhere."""
    made, rng = _event_run("level_steps", seed)
    ends = sorted((made.course.stretches[0].from_hz, made.course.stretches[0].to_hz))
    steps = tuple(
        HandStep(_somewhere(rng, made, ends), float(rng.choice([-6.0, 6.0])),
                 made.laboratory.row_s * float(np.exp(rng.uniform(np.log(0.05), np.log(3.0)))))
        for _ in range(int(rng.integers(1, 2, endpoint=True)))
    )  # fmt: skip
    made = replace(made, table=replace(made.table, steps=steps))
    return _run(made, made.swept())


def _somewhere(rng: np.random.Generator, made: Scenario, ends: list[float]) -> float:
    """A frequency anywhere in the range, or within three bandwidths of a mode in it."""
    if rng.random() < 0.5:
        return float(np.exp(rng.uniform(*np.log([1.05 * ends[0], ends[1] / 1.05]))))
    near = made.structure.modes[int(rng.integers(len(made.structure.modes) - 1))]
    return near.frequency_hz * (1.0 + float(rng.uniform(-3.0, 3.0)) / near.q)


def abrupt_resumption(seed: int) -> MeasuredRun:
    """Stopped anywhere and resumed a little before, from rest at full level."""
    made, rng = _event_run("abrupt_resumption", seed)
    stretch = made.course.stretches[0]
    ends = sorted((stretch.from_hz, stretch.to_hz))
    stop = float(np.clip(_somewhere(rng, made, ends), 1.2 * ends[0], ends[1] / 1.2))
    back = float(rng.uniform(0.75, 0.97))
    again = max(ends[0], stop * back) if stretch.to_hz > stretch.from_hz else min(ends[1], stop / back)
    return _in_pieces(made, (sweep(stretch.from_hz, stop, stretch.rate), sweep(again, stretch.to_hz, stretch.rate)),
                      float(rng.uniform(20.0, 300.0)))  # fmt: skip


def _misstated(kind: str, seed: int, order: int) -> MeasuredRun:
    made, rng = _usual(kind, seed, q=(15.0, 80.0), eta_range=(0.05, 1.0))
    width = max(m.frequency_hz / m.q for m in made.structure.modes[:-1])
    true = Filter(hz=float(width * rng.uniform(2.0, 8.0)), order=order)
    there = replace(made, laboratory=replace(made.laboratory, tracking=true))
    recording = there.recording()
    factor = float(rng.choice([4.0 / 3.0, 2.0 / 3.0]))
    stated = replace(true, hz=round((true.hz or 0.0) * factor, 3), order=1)
    return _run(there, replace(made, laboratory=replace(made.laboratory, tracking=stated)).swept(recording))


def filter_1(seed: int) -> MeasuredRun:
    """Tracking filter of one pole, its bandwidth stated wrongly by a third."""
    return _misstated("filter_1", seed, 1)


def filter_2(seed: int) -> MeasuredRun:
    """Two poles, its bandwidth stated wrongly by a third."""
    return _misstated("filter_2", seed, 2)


def filter_4(seed: int) -> MeasuredRun:
    """Four poles, its bandwidth stated wrongly by a third."""
    return _misstated("filter_4", seed, 4)


def filter_8(seed: int) -> MeasuredRun:
    """Eight poles, its bandwidth stated wrongly by a third."""
    return _misstated("filter_8", seed, 8)


MEASURED: dict[str, Callable[[int], MeasuredRun]] = {
    each.__name__: each
    for each in (
        phase_error, gain_error, leakage, not_settled, drift, softening, hardening, dry_friction, micro_slip,
        growing_noise, cross_talk, dense, sharp_and_blunt, pole_zero, edges, clipped, resumed, restarted,
        full_start, level_steps, abrupt_resumption,
        filter_1, filter_2, filter_4, filter_8,
    )
}  # fmt: skip
