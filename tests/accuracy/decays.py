"""Free decays nobody has looked at: ``python -m tests.accuracy.decays KIND FIRST-LAST``; truth is what was integrated.

Each kind draws structure, level, length, noise and what a recorder adds from its seed. What is asked: every mode (all
begin well over 10 dB above the noise) is found, nothing else is, frequencies lie within 0.1 % and damping within
5 %, or four times their own standard uncertainty, level by level where they depend on level.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lsim, lti

from reportgen.compute.decay.decay import identify_decay
from reportgen.compute.decay.pluck import LEAST_FALL, decay_part
from reportgen.records.result import Resonance
from tests.simulator.ring_down import Blow, Joint, dry_friction, micro_slip, ring_down
from tests.simulator.structure import Sensor, Structure, TrueMode
from tests.simulator.time_history import pluck_record

Floats = NDArray[np.float64]
FREQUENCY, DAMPING, STDS = 1e-3, 0.05, 4.0
"""What is asked: relative errors, or so many standard uncertainties where these are wider."""


@dataclass(frozen=True)
class Truth:
    """A record and what made it; ``joint`` acts on the first mode alone."""

    samples: Floats
    rate: float
    modes: tuple[TrueMode, ...]
    joint: Joint | None = None


@dataclass(frozen=True)
class Outcome:
    """What came of one record."""

    missed: tuple[float, ...]
    invented: tuple[float, ...]
    unexplained: int
    worst_frequency: float
    """Largest relative error, as for ``worst_damping``."""
    worst_damping: float
    beyond: bool
    """Whether an error exceeds what is asked."""
    held: tuple[bool, ...]
    """Of each 95 % interval, of frequency and of Q, whether it holds the truth."""

    @property
    def right(self) -> bool:
        return not (self.missed or self.invented or self.beyond)


def _linear(rng: np.random.Generator, modes: tuple[TrueMode, ...], *, noise: float = 3e-3, quiet: float = 0.1) -> Truth:
    """A pluck that excites every mode by 0.2 to 1."""
    lowest, highest = min(m.frequency_hz for m in modes), max(m.frequency_hz for m in modes)
    slowest = min(np.pi * m.frequency_hz / m.q for m in modes)
    rate = float(np.ceil(highest * rng.uniform(3.0, 8.0)))
    seconds = float(np.clip(rng.uniform(3.0, 7.0) / slowest, 12.0 / lowest, 40000.0 / rate))
    sizes = [float(rng.uniform(0.2, 1.0)) * float(rng.choice([-1, 1])) for _ in modes]
    shares = [tuple(float(s) for s in rng.uniform(0.4, 1.0, len(modes))) for _ in range(2)]
    structure = Structure(modes, (Sensor("A1", shares[0]), Sensor("A2", shares[1])))
    record = pluck_record(
        structure, sizes, rate, seconds, quiet_s=quiet * seconds, noise=noise, seed=int(rng.integers(1 << 30))
    )
    return Truth(np.stack([record.channels[name] for name in ("A1", "A2")], axis=1), rate, modes)


def _apart(rng: np.random.Generator, count: int, q: tuple[float, float]) -> tuple[TrueMode, ...]:
    f = float(rng.uniform(8.0, 60.0)) * np.cumprod([1.0, *rng.uniform(1.35, 2.2, count - 1)])
    return tuple(TrueMode(float(each), float(np.exp(rng.uniform(*np.log(q))))) for each in f)


def plain(rng: np.random.Generator) -> Truth:
    return _linear(rng, _apart(rng, int(rng.integers(1, 5)), (15.0, 500.0)))


def low_q(rng: np.random.Generator) -> Truth:
    return _linear(rng, _apart(rng, 1, (3.0, 8.0)), noise=2e-3, quiet=0.3)


def high_q(rng: np.random.Generator) -> Truth:
    return _linear(rng, _apart(rng, 2, (1000.0, 5000.0)))


def beating(rng: np.random.Generator) -> Truth:
    f, q = float(rng.uniform(20.0, 200.0)), float(np.exp(rng.uniform(np.log(60.0), np.log(4000.0))))
    return _linear(rng, (TrueMode(f, q), TrueMode(f * 1.01, q * float(rng.uniform(0.6, 1.6)))))


def offset(rng: np.random.Generator) -> Truth:
    made = plain(rng)
    t = np.linspace(0.0, 1.0, len(made.samples))[:, None]
    return replace(made, samples=made.samples + rng.uniform(-5.0, 5.0, 2) + t * rng.uniform(-1.0, 1.0, 2))


def mains(rng: np.random.Generator) -> Truth:
    made = plain(rng)
    t = np.arange(len(made.samples)) / made.rate
    supply = float(rng.choice([50.0, 60.0])) * (1 + float(rng.uniform(-2e-3, 2e-3)))
    if any(abs(m.frequency_hz / (k * supply) - 1) < 0.1 for m in made.modes for k in (1, 3)):
        return mains(rng)
    lines = sum(
        a * np.cos(2 * np.pi * k * supply * t + k) for k, a in ((1, 0.05), (3, 0.02)) if k * supply < made.rate / 2
    )
    return replace(made, samples=made.samples + np.broadcast_to(lines, t.shape)[:, None] * rng.uniform(0.3, 1.0, 2))


def clipped(rng: np.random.Generator) -> Truth:
    made = _linear(rng, _apart(rng, int(rng.integers(1, 3)), (30.0, 500.0)))
    top = float(rng.uniform(0.5, 0.8)) * np.abs(made.samples).max()
    return replace(made, samples=np.round(np.clip(made.samples, -top, top), 5))


def _jointed(rng: np.random.Generator, make: Callable[[float, float], Joint], q: tuple[float, float]) -> Truth:
    """A first mode of unit acceleration that depends on level, beside one that does not; noise 50 to 60 dB down."""
    f, zeta = float(rng.uniform(10.0, 60.0)), 0.5 / float(rng.uniform(*q))
    omega = 2 * np.pi * f
    modes = (TrueMode(f, 0.5 / zeta), TrueMode(f * float(rng.uniform(2.3, 2.8)), float(rng.uniform(40.0, 200.0))))
    structure = Structure(modes, (Sensor("A1", (1.0, 0.4)), Sensor("A2", (0.7, -0.6))))
    rate, joint = float(np.ceil(f * rng.uniform(14.0, 22.0))), make(omega, 1.0 / omega**2)
    record = ring_down(
        structure, joint, (1.0, 0.0), rate, float(rng.uniform(70.0, 130.0)) / f,
        start=(1.0 / omega**2, 0.3 / (2 * np.pi * modes[1].frequency_hz) ** 2),
        noise=float(rng.uniform(1e-3, 3e-3)), seed=int(rng.integers(1 << 30)),
    )  # fmt: skip
    return Truth(np.stack([record.channels[name] for name in ("A1", "A2")], axis=1), rate, modes, joint)


def friction(rng: np.random.Generator) -> Truth:
    """Friction takes half the motion within 25 to 60 cycles."""
    share = 0.5 / (4.0 * float(rng.uniform(25.0, 60.0)))
    return _jointed(rng, lambda w, x: dry_friction(w, share * w * w * x, stiffer=25.0), (80.0, 300.0))


def square(rng: np.random.Generator) -> Truth:
    added = float(rng.uniform(0.004, 0.015))
    return _jointed(rng, lambda w, x: Joint(square=added / x * 0.75 * np.pi), (100.0, 400.0))


def slip(rng: np.random.Generator) -> Truth:
    stiff, power = float(rng.uniform(0.02, 0.08)), float(rng.uniform(-0.7, -0.3))
    return _jointed(
        rng, lambda w, x: micro_slip(stiff * w * w, power, float(rng.uniform(1.5, 4.0)) * x), (200.0, 600.0)
    )


def cubic(rng: np.random.Generator) -> Truth:
    bend = float(rng.uniform(0.01, 0.06)) * float(rng.choice([-1, 1]))
    return _jointed(rng, lambda w, x: Joint(cubic=bend * w * w / x**2), (100.0, 400.0))


def _forced(rng: np.random.Generator, modes: tuple[TrueMode, ...], blows: tuple[Blow, ...], seconds: float) -> Truth:
    """A structure at rest under forces; each sensor's noise is 0.1 to 0.3 % of its largest reading."""
    rate = float(np.ceil(modes[-1].frequency_hz * rng.uniform(4.0, 10.0)))
    shares = [tuple(float(s) for s in rng.uniform(0.4, 1.0, len(modes)) * rng.choice([-1, 1], len(modes)))
              for _ in range(2)]  # fmt: skip
    structure = Structure(modes, (Sensor("A1", shares[0]), Sensor("A2", shares[1])))
    weights = tuple(float(w) for w in rng.uniform(0.4, 1.0, len(modes)))
    record = ring_down(structure, Joint(), weights, rate, seconds, blows=blows)
    y = np.stack([record.channels[name] for name in ("A1", "A2")], axis=1)
    y /= np.max(np.abs(y), axis=0)
    return Truth(y + rng.normal(0.0, float(rng.uniform(1e-3, 3e-3)), y.shape), rate, modes)


def bouncing(rng: np.random.Generator) -> Truth:
    """A hammer comes down again once to three times within a tenth of a second, each time softer."""
    modes = _apart(rng, int(rng.integers(1, 4)), (30.0, 200.0))
    length = float(rng.uniform(0.05, 0.4)) / modes[-1].frequency_hz
    at, peak, blows = 0.2, 1.0, [Blow(0.2, length, 1.0)]
    for _ in range(int(rng.integers(1, 4))):
        at, peak = at + max(float(rng.uniform(0.015, 0.09)), 1.5 * length), peak * float(rng.uniform(0.25, 0.7))
        blows.append(Blow(at, length, peak))
    slowest = min(np.pi * m.frequency_hz / m.q for m in modes)
    return _forced(rng, modes, tuple(blows), at + max(5.0 / slowest, 12.0 / modes[0].frequency_hz))


def contact(rng: np.random.Generator) -> Truth:
    """A soft tip stays on the structure for a tenth to a half of a cycle of the lowest mode."""
    modes = _apart(rng, int(rng.integers(1, 3)), (30.0, 200.0))
    length = float(rng.uniform(0.1, 0.5)) / modes[0].frequency_hz
    slowest = min(np.pi * m.frequency_hz / m.q for m in modes)
    return _forced(rng, modes, (Blow(0.2, length, 1.0),), 0.2 + max(5.0 / slowest, 12.0 / modes[0].frequency_hz))


def by_hand(rng: np.random.Generator) -> Truth:
    """A hand bends the structure, trembles, lets go within 5 to 40 ms; the acceleration shows all of it."""
    modes = _apart(rng, int(rng.integers(1, 3)), (20.0, 150.0))
    slowest = min(np.pi * m.frequency_hz / m.q for m in modes)
    seconds = 1.5 + max(5.0 / slowest, 12.0 / modes[0].frequency_hz)
    rate = float(np.ceil(modes[-1].frequency_hz * rng.uniform(6.0, 12.0)))
    t = np.arange(round(seconds * rate)) / rate
    off = 1.5 - float(rng.uniform(0.005, 0.04))
    hold = np.interp(t, [0.0, 0.5, off, 1.5], [0.0, 1.0, 1.0, 0.0])
    tremor = 0.01 * np.sin(2 * np.pi * float(rng.uniform(7.0, 11.0)) * t)
    push = hold * (1.0 + tremor)
    y = np.zeros((len(t), 2))
    for m in modes:
        w, z = 2 * np.pi * m.frequency_hz, 0.5 / m.q
        share = float(rng.uniform(0.2, 1.0))
        _, motion, _ = lsim(lti([share * w * w, 0.0, 0.0], [1.0, 2 * z * w, w * w]), push, t)
        y += motion[:, None] / w**2 * rng.uniform(0.4, 1.0, 2) * rng.choice([-1, 1], 2)
    y /= np.max(np.abs(y), axis=0)
    return Truth(y + rng.normal(0.0, 2e-3, y.shape), rate, modes)


KINDS = {
    each.__name__: each
    for each in (
        beating, clipped, cubic, friction, high_q, low_q, mains, offset, plain, slip, square, bouncing, contact, by_hand
    )
}  # fmt: skip
"""In the order of their seeds: new kinds stand at the end."""


def made(kind: str, seed: int) -> Truth:
    """One record; other seeds and other kinds are other records."""
    return KINDS[kind](np.random.default_rng([list(KINDS).index(kind), seed]))


def judged(truth: Truth) -> Outcome:
    """The record read as a run of kind decay is, held against truth on its first channel."""
    part = decay_part(truth.samples, truth.rate, ["A1", "A2"], LEAST_FALL)
    found = identify_decay(truth.samples[part.begin : part.end], truth.rate, ["A1", "A2"], ["m/s^2"] * 2)
    shown = {round(each.frequency_hz, 9): each for channel in found.channels for each in channel.resonances}
    left, missed, errors, held, beyond = list(shown.values()), [], [(0.0, 0.0)], [], False
    for k, mode in enumerate(truth.modes):
        near = [each for each in left if abs(each.frequency_hz / mode.frequency_hz - 1) < _reach(truth, mode, k)]
        if not near:
            missed.append(mode.frequency_hz)
            continue
        mine = min(near, key=lambda each: abs(each.frequency_hz / mode.frequency_hz - 1))
        left.remove(mine)
        f, u_f, zeta, u_zeta, true_f, true_zeta = _against(truth, mode, k, mine)
        errors.append((float(np.max(np.abs(f / true_f - 1))), float(np.max(np.abs(zeta / true_zeta - 1)))))
        beyond |= bool(np.any(np.abs(f - true_f) > np.maximum(FREQUENCY * true_f, STDS * u_f)))
        beyond |= bool(np.any(np.abs(zeta - true_zeta) > np.maximum(DAMPING * true_zeta, STDS * u_zeta)))
        middle = len(f) // 2
        held += [
            bool((np.abs(f - true_f) < 1.96 * u_f)[middle]),
            bool((np.abs(zeta - true_zeta) < 1.96 * u_zeta)[middle]),
        ]
    left = [each for each in left if not _is_stuck(truth, each.frequency_hz)]
    worst = np.max(errors, axis=0)
    return Outcome(
        tuple(missed), tuple(each.frequency_hz for each in left), sum(len(c.unexplained) for c in found.channels),
        float(worst[0]), float(worst[1]), beyond, tuple(held),
    )  # fmt: skip


def _is_stuck(truth: Truth, f: float) -> bool:
    """Whether a mode is the first with every element of its joint at rest, which rings on after friction won."""
    if truth.joint is None:
        return False
    stuck = np.sqrt((2 * np.pi * truth.modes[0].frequency_hz) ** 2 + truth.joint.stiffness.sum()) / (2 * np.pi)
    return bool(abs(f / stuck - 1) < 0.01)


def _reach(truth: Truth, mode: TrueMode, k: int) -> float:
    """Share within which a found mode may be this one: less than half of what beating modes are apart."""
    return 0.06 if k == 0 and truth.joint is not None else max(4e-3, 0.05 / mode.q)


def _against(truth: Truth, mode: TrueMode, k: int, mine: Resonance) -> tuple[Floats, ...]:
    """Frequency, damping, each with its standard uncertainty, and the truth of both, level by level."""
    curve = mine.backbone
    if truth.joint is None or k > 0:
        values = (
            mine.frequency_hz,
            mine.frequency_std_hz or 0.0,
            mine.damping_ratio,
            0.5 * (mine.q_std or 0.0) / mine.q**2,
        )
        return (*(np.array([float(x)]) for x in values), np.array([mode.frequency_hz]), np.array([mode.damping_ratio]))
    if curve is None:
        level = np.array([0.3, 1.0])
        values = (
            mine.frequency_hz,
            mine.frequency_std_hz or 0.0,
            mine.damping_ratio,
            0.5 * (mine.q_std or 0.0) / mine.q**2,
        )
        ours = [np.full(2, float(x)) for x in values]
    else:
        size = 1.0 if curve.channel == "A1" else 1.0 / 0.7
        level = 9.80665 * size * np.array(curve.levels)
        ours = [
            np.array(x)
            for x in (curve.frequency_hz, curve.frequency_std_hz, curve.damping_ratio, curve.damping_ratio_std)
        ]
    omega = 2 * np.pi * mode.frequency_hz
    amplitude = level / omega**2
    for _ in range(12):  # displacement of that acceleration
        f, zeta = truth.joint.backbone(omega, mode.damping_ratio, amplitude)
        amplitude = level / (2 * np.pi * f) ** 2
    return (*ours, f, zeta)


def _row(kind: str, seeds: range) -> str:
    out = [judged(made(kind, seed)) for seed in seeds]
    held = [each for one in out for each in one.held]
    wrong = [seed for seed, one in zip(seeds, out, strict=True) if not one.right]
    return (
        f"{kind:9s} {sum(o.right for o in out):3d}/{len(out)} right, missed {sum(len(o.missed) for o in out)}, "
        f"invented {sum(len(o.invented) for o in out)}, unexplained {sum(o.unexplained for o in out)}, "
        f"f {max(o.worst_frequency for o in out):.1e}, damping {max(o.worst_damping for o in out):.1%}, "
        f"held {np.mean(held or [np.nan]):.0%}; not right: {wrong}"
    )


if __name__ == "__main__":
    first, _, last = sys.argv[2].partition("-")
    for name in KINDS if sys.argv[1] == "all" else sys.argv[1].split(","):
        print(_row(name, range(int(first), int(last or first) + 1)), flush=True)
