"""Fresh random structures and runs by seed, with their truth: what the identification has never seen.

``python -m tests.accuracy KIND SEED`` runs one and prints found against true.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.identification.swept_response import SweptResponse
from reportgen.records.job import TrackingFilter
from tests.simulator.course import Course, Dip, G, HandStep, Stretch, Table, profile_level, sweep
from tests.simulator.recorder import Fault, Filter, Laboratory, Noise, Recording
from tests.simulator.structure import Sensor, Structure, TrueMode

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Scenario:
    """One run with everything known about it."""

    kind: str
    seed: int
    structure: Structure
    course: Course
    table: Table
    laboratory: Laboratory
    phases: bool = True
    time: bool = True
    filter_told: bool = True
    digits: int = 5
    """Significant digits of the printed amplitudes."""
    frequency_decimals: int = 4
    spoiled: frozenset[str] = frozenset()
    """Channels with a fault: nothing is asked of them but to do no harm."""

    def recording(self) -> Recording:
        return self.laboratory.record(self.structure, self.course, self.table)

    def swept(self, recording: Recording | None = None) -> SweptResponse:
        """What the product gets to see."""
        made = recording or self.recording()
        names = tuple(made.response)
        control = np.mean([np.abs(values) for values in made.control.values()], axis=0)
        amplitude = np.stack([np.abs(made.response[name]) for name in names], axis=1)
        angle = np.stack([made.relative_phase_deg(name) for name in names], axis=1)
        tracking = self.laboratory.tracking if self.filter_told else None
        return SweptResponse(
            frequency_hz=np.round(made.frequency_hz, self.frequency_decimals),
            control=significant(control / G, self.digits) * G,
            responses=significant(amplitude / G, self.digits) * G,
            channels=names,
            dimensions=("acceleration",) * len(names),
            time_s=np.round(made.time_s, 3) if self.time else None,
            phases_deg=np.round(angle, 2) if self.phases else None,
            tracking_filter=tracking and TrackingFilter(bandwidth_hz=tracking.hz, fraction=tracking.fraction),
        )


def significant(values: Floats, digits: int) -> Floats:
    """Rounded to so many significant digits, as printed."""
    size = 10.0 ** (digits - 1 - np.floor(np.log10(np.maximum(np.abs(values), 1e-12))))
    return np.asarray(np.round(values * size) / size)


def eta(mode: TrueMode, rate_hz_per_s: float) -> float:
    """Sweep parameter Q²·|df/dt|/f² (the share of build-up that the sweep leaves no time for grows with it)."""
    return mode.q**2 * rate_hz_per_s / mode.frequency_hz**2


def random_modes(
    rng: np.random.Generator, count: int, low: float, high: float, q: tuple[float, float]
) -> tuple[TrueMode, ...]:
    """Modes at least five bandwidths apart."""
    while True:
        f = np.sort(np.exp(rng.uniform(np.log(low), np.log(high), count)))
        qs = np.exp(rng.uniform(np.log(q[0]), np.log(q[1]), count))
        width = f / qs
        if np.all(np.diff(f) > 2.5 * (width[1:] + width[:-1])):
            return tuple(TrueMode(float(a), float(b)) for a, b in zip(f, qs, strict=True))


def random_sensors(rng: np.random.Generator, count: int, modes: int) -> tuple[Sensor, ...]:
    """Shares of either sign, each between 0.15 and 1.6."""
    size = rng.uniform(0.15, 1.6, (count, modes)) * rng.choice([-1.0, 1.0], (count, modes))
    return tuple(Sensor(f"A{k + 1}", tuple(row)) for k, row in enumerate(size.tolist()))


MOST_CYCLES = 40_000
"""A longer run says nothing new and takes long to integrate."""


def exponential_rate(modes: tuple[TrueMode, ...], largest_eta: float, span_hz: float) -> float:
    """Rate, oct/min, at which the most affected mode has this sweep parameter."""
    wanted = min(largest_eta * m.frequency_hz / m.q**2 for m in modes)
    return float(max(wanted, span_hz / MOST_CYCLES) * 60.0 / np.log(2.0))


def row_spacing(course: Course, modes: tuple[TrueMode, ...]) -> float:
    """As a laboratory would choose it: a dozen rows across the sharpest passage or ringing, 600 to 4000 rows in all."""
    spans = [_passage_s(course, mode) for mode in modes] or [course.duration_s / 100.0]
    return float(np.clip(min(spans) / 12.0, course.duration_s / 4000.0, course.duration_s / 600.0))


def _passage_s(course: Course, mode: TrueMode) -> float:
    t = np.linspace(0.0, course.duration_s, 20_001)
    inside = np.abs(course.frequency(t) / mode.frequency_hz - 1.0) < 0.5 / mode.q
    ringing = mode.q / (np.pi * mode.frequency_hz)
    return max(float(inside.mean() * course.duration_s), ringing)


def _make(
    kind: str,
    seed: int,
    *,
    modes: tuple[int, int] = (2, 5),
    q: tuple[float, float] = (8.0, 150.0),
    channels: tuple[int, int] = (1, 4),
    eta_range: tuple[float, float] = (0.01, 10.0),
    noise: float = 0.01,
    floor: float = 2e-4,
    low: tuple[float, float] = (8.0, 40.0),
    octaves: float = 3.5,
) -> tuple[Scenario, np.random.Generator]:
    rng = np.random.default_rng([seed, *kind.encode()])
    start = float(np.exp(rng.uniform(*np.log(low))))
    stop = start * 2.0**octaves
    inside = random_modes(rng, int(rng.integers(*modes, endpoint=True)), start * 1.35, stop / 1.3, q)
    beyond = (TrueMode(stop * float(rng.uniform(1.5, 2.5)), 20.0),)
    sensors = random_sensors(rng, int(rng.integers(*channels, endpoint=True)), len(inside) + 1)
    rate = exponential_rate(inside, float(np.exp(rng.uniform(*np.log(eta_range)))), stop - start)
    course = sweep(start, stop, rate)
    laboratory = Laboratory(
        row_s=row_spacing(course, inside),
        control_noise=Noise(floor=1e-4 * G, share=min(noise, 0.01) * 0.2),
        default_noise=Noise(floor=floor * G, share=noise),
        seed=seed,
    )
    table = Table(
        profile_level([(start, 0.5, "g"), (stop, 0.5, "g")]),
        ripple=0.01,
        ripple_s=max(0.5, course.duration_s / 80),
        seed=seed,
    )
    return Scenario(kind, seed, Structure(inside + beyond, sensors), course, table, laboratory), rng


def plain(seed: int) -> Scenario:
    """Up, exponential, 1 % noise, η from 0.01 to 10."""
    return _make("plain", seed)[0]


def fast(seed: int) -> Scenario:
    """η of the most affected mode from 3 to 10."""
    return _make("fast", seed, eta_range=(3.0, 10.0))[0]


def slow(seed: int) -> Scenario:
    return _make("slow", seed, eta_range=(0.01, 0.1), modes=(2, 4), q=(8.0, 60.0))[0]


def down(seed: int) -> Scenario:
    made, _ = _make("down", seed)
    stretch = made.course.stretches[0]
    return replace(made, course=sweep(stretch.to_hz, stretch.from_hz, stretch.rate))


def linear(seed: int) -> Scenario:
    """Linear, up or down, over one and a half octaves."""
    made, rng = _make("linear", seed, octaves=1.6, modes=(1, 3), low=(10.0, 60.0))
    inside = made.structure.modes[:-1]
    target = float(np.exp(rng.uniform(np.log(0.02), np.log(10.0))))
    ends = (made.course.stretches[0].from_hz, made.course.stretches[0].to_hz)
    slowest = (ends[1] ** 2 - ends[0] ** 2) / 2.0 / MOST_CYCLES
    rate = max(slowest, min(target * m.frequency_hz**2 / m.q**2 for m in inside))
    course = sweep(*(ends if rng.random() < 0.5 else ends[::-1]), rate, "Hz/s")
    return replace(made, course=course, laboratory=replace(made.laboratory, row_s=row_spacing(course, inside)))


def hand_step(seed: int) -> Scenario:
    """Level turned by hand, sometimes close to a resonance."""
    made, rng = _make("hand_step", seed)
    at = [m.frequency_hz * float(rng.uniform(0.93, 1.05)) for m in made.structure.modes[:-1]]
    steps = tuple(HandStep(f, float(rng.choice([-12.0, -6.0, 6.0])), seconds=made.laboratory.row_s * 3) for f in at[:2])
    return replace(made, table=replace(made.table, steps=steps))


def abrupt_step(seed: int) -> Scenario:
    """Level turned by hand within a fraction of a row, close to a resonance: no row shows when."""
    made = hand_step(seed)
    steps = tuple(replace(step, seconds=made.laboratory.row_s / 20.0) for step in made.table.steps)
    return replace(made, kind="abrupt_step", table=replace(made.table, steps=steps))


def hold(seed: int) -> Scenario:
    """The sweep stands still for a while, near a resonance."""
    made, rng = _make("hold", seed)
    stretch = made.course.stretches[0]
    mode = made.structure.modes[int(rng.integers(len(made.structure.modes) - 1))]
    at = mode.frequency_hz * float(rng.uniform(0.98, 1.03))
    seconds = float(rng.uniform(2.0, 12.0)) * mode.q / (np.pi * mode.frequency_hz)
    course = Course(
        (
            Stretch(stretch.from_hz, at, stretch.rate),
            Stretch(at, at, seconds=seconds),
            Stretch(at, stretch.to_hz, stretch.rate),
        )
    )
    return replace(made, course=course)


def filter_known(seed: int) -> Scenario:
    """Tracking filter of known bandwidth, between two and ten of the sharpest mode's."""
    made, rng = _make("filter_known", seed, eta_range=(0.05, 10.0))
    return replace(made, laboratory=replace(made.laboratory, tracking=_some_filter(made, rng, 2.0, 10.0)))


def filter_wide(seed: int) -> Scenario:
    """Tracking filter not told, but wide."""
    made, rng = _make("filter_wide", seed)
    tracking = _some_filter(made, rng, 30.0, 60.0)
    return replace(made, filter_told=False, laboratory=replace(made.laboratory, tracking=tracking))


def _some_filter(made: Scenario, rng: np.random.Generator, least: float, most: float) -> Filter:
    width = max(m.frequency_hz / m.q for m in made.structure.modes[:-1])
    return Filter(hz=float(np.round(width * rng.uniform(least, most), 2)))


def magnitude_only(seed: int) -> Scenario:
    return replace(_make("magnitude_only", seed)[0], phases=False)


def close_pair(seed: int) -> Scenario:
    """Two modes 2.5 % apart at Q = 40 with a well-separated third."""
    made, rng = _make("close_pair", seed, modes=(1, 1), q=(20.0, 60.0), channels=(2, 4), eta_range=(0.02, 5.0))
    stretch = made.course.stretches[0]
    first = stretch.from_hz * float(rng.uniform(4.5, 6.0))
    pair = (TrueMode(first, 40.0), TrueMode(first * 1.025, 40.0))
    third = TrueMode(stretch.from_hz * float(rng.uniform(1.8, 2.6)), float(rng.uniform(15, 60)))
    modes = (third, *pair, made.structure.modes[-1])
    target = float(np.exp(rng.uniform(np.log(0.02), np.log(5.0))))
    course = sweep(stretch.from_hz, stretch.to_hz, exponential_rate(modes[:-1], target, stretch.to_hz))
    sensors = random_sensors(rng, int(rng.integers(2, 4, endpoint=True)), 4)
    laboratory = replace(made.laboratory, row_s=row_spacing(course, modes[:-1]))
    return replace(made, structure=Structure(modes, sensors), course=course, laboratory=laboratory)


def rigid(seed: int) -> Scenario:
    """A rigid block, a little crosstalk, a mode far above the band: nothing to be found."""
    made, rng = _make("rigid", seed)
    stop = made.course.stretches[0].to_hz
    sensors = tuple(
        Sensor(each.id, (float(rng.uniform(0.0, 0.2)),), rigid=float(rng.choice([1.0, 1.0, 0.05])))
        for each in made.structure.sensors
    )
    structure = Structure((TrueMode(stop * 3.0, 30.0),), sensors)
    rate = float(rng.uniform(1.0, 4.0))
    course = sweep(made.course.stretches[0].from_hz, stop, rate)
    dips = (Dip(made.course.stretches[0].from_hz * 3.0, -1.5, 0.01),)
    laboratory = replace(made.laboratory, row_s=course.duration_s / 1800.0)
    return replace(
        made,
        structure=structure,
        course=course,
        laboratory=laboratory,
        table=replace(made.table, dips=dips, ripple_s=1.0),
    )


def hum(seed: int) -> Scenario:
    """A mains line on the responses, seen through a tracking filter while the sweep passes 50 Hz."""
    made, rng = _make("hum", seed, low=(10.0, 20.0), octaves=4.0, q=(8.0, 60.0), eta_range=(0.02, 1.0))
    line = Noise(floor=2e-4 * G, share=0.01, hum=float(rng.uniform(0.01, 0.08)) * G)
    tracking = Filter(hz=float(rng.uniform(2.0, 5.0)))
    modes = tuple(
        replace(m, frequency_hz=m.frequency_hz * (1.25 if abs(m.frequency_hz / 50.0 - 1.0) < 0.12 else 1.0))
        for m in made.structure.modes
    )
    return replace(
        made, structure=replace(made.structure, modes=tuple(sorted(modes, key=lambda m: m.frequency_hz))),
        laboratory=replace(made.laboratory, default_noise=line, tracking=tracking),
    )  # fmt: skip


def one_channel(seed: int) -> Scenario:
    """Every mode is seen by the first channel, the second mode by no other."""
    made, _ = _make("one_channel", seed, modes=(2, 4), channels=(3, 5), q=(10.0, 80.0))
    sensors = [made.structure.sensors[0]]
    for sensor in made.structure.sensors[1:]:
        shares = list(sensor.shares)
        shares[1] = 0.0
        sensors.append(replace(sensor, shares=tuple(shares)))
    return replace(made, structure=replace(made.structure, sensors=tuple(sensors)))


def printed(seed: int) -> Scenario:
    """Three significant digits and two decimals of frequency."""
    return replace(_make("printed", seed, noise=0.002)[0], digits=3, frequency_decimals=2)


def quiet(seed: int) -> Scenario:
    return _make("quiet", seed, noise=0.001, floor=2e-5)[0]


def noisy(seed: int) -> Scenario:
    return _make("noisy", seed, noise=0.05, floor=1e-3)[0]


def noisy_control(seed: int) -> Scenario:
    """The control, which drives the model, is noisier than the responses."""
    made, _ = _make("noisy_control", seed, noise=0.003)
    return replace(made, laboratory=replace(made.laboratory, control_noise=Noise(floor=1e-3 * G, share=0.01)))


def floor_bound(seed: int) -> Scenario:
    """A floor of a tenth of the table's motion: weak modes drown, strong ones do not."""
    return _make("floor_bound", seed, noise=0.005, floor=0.05)[0]


def notched(seed: int) -> Scenario:
    """The controller dips and lags at every resonance and has a notch where there is none."""
    made, rng = _make("notched", seed)
    dips = tuple(Dip(m.frequency_hz * 1.003, float(rng.uniform(-6.0, -0.5)), 0.8 / m.q) for m in made.structure.modes)
    empty = Dip(made.course.stretches[0].from_hz * 1.15, -8.0, 0.02)
    return replace(made, table=replace(made.table, dips=(*dips, empty), ripple=0.03))


def many_channels(seed: int) -> Scenario:
    return _make("many_channels", seed, channels=(12, 12), modes=(4, 7), octaves=4.5)[0]


def irregular_rows(seed: int) -> Scenario:
    """Rows by octaves in a linear sweep: uneven in time."""
    made = linear(seed)
    return replace(made, kind="irregular_rows", laboratory=replace(made.laboratory, rows_per_octave=900.0))


def no_time(seed: int) -> Scenario:
    """No time column and a sweep slow enough to be taken as steady."""
    made, _ = _make("no_time", seed, octaves=1.8, modes=(1, 2), q=(8.0, 14.0), eta_range=(0.002, 0.01))
    return replace(made, time=False)


def drop_out(seed: int) -> Scenario:
    """One channel of several reads nothing for a while."""
    made, rng = _make("drop_out", seed, channels=(2, 4))
    whole = made.course.duration_s
    begin = float(rng.uniform(0.1, 0.8)) * whole
    fault = Fault("A1", "drop-out", begin, begin + 0.03 * whole)
    return replace(made, laboratory=replace(made.laboratory, faults=(fault,)), spoiled=frozenset({"A1"}))


def loose(seed: int) -> Scenario:
    """One channel of several comes loose."""
    made, rng = _make("loose", seed, channels=(3, 4), eta_range=(0.02, 3.0))
    fault = Fault("A1", "loose", float(rng.uniform(0.2, 0.6)) * made.course.duration_s)
    return replace(made, laboratory=replace(made.laboratory, faults=(fault,)), spoiled=frozenset({"A1"}))


def ensemble(seed: int) -> Scenario:
    """Short and small, to be repeated many times for the statistics of errors; not one of KINDS."""
    made, _ = _make(
        "ensemble", seed, modes=(1, 2), q=(10.0, 60.0), channels=(1, 2), octaves=1.6, eta_range=(0.05, 10.0)
    )
    return replace(made, laboratory=replace(made.laboratory, control_noise=Noise()))


def ensemble_noisy_control(seed: int) -> Scenario:
    """The same with 0.2 % of noise on the control, which drives the model; the bound knows nothing of that."""
    made = ensemble(seed)
    noise = Noise(floor=1e-4 * G, share=0.002)
    return replace(made, kind="ensemble_noisy_control", laboratory=replace(made.laboratory, control_noise=noise))


KINDS: dict[str, Callable[[int], Scenario]] = {
    each.__name__: each
    for each in (
        plain, fast, slow, down, linear, hand_step, abrupt_step, hold, filter_known, filter_wide, magnitude_only,
        close_pair, rigid, hum, one_channel, printed, quiet, noisy, noisy_control, floor_bound, notched, many_channels,
        irregular_rows, no_time, drop_out, loose,
    )
}  # fmt: skip
