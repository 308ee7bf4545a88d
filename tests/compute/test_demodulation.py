"""Demodulation against closed forms, and against what a simulated structure does in the time domain."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.special import wofz

from reportgen.compute.demodulation.cell_sums import Model
from reportgen.compute.demodulation.demodulation import demodulate
from reportgen.compute.demodulation.drive_phase import phase_through
from reportgen.compute.demodulation.sine_fit import NOISE_BANDWIDTH, fit_rows
from reportgen.compute.demodulation.steady_state import steady_state_response
from reportgen.compute.identification import SweptResponse, identify_modes
from reportgen.compute.sweep.several_sweeps import split_sweeps
from reportgen.errors import ComputeError, RecordError
from reportgen.records.log import Floats, TimeHistory
from reportgen.records.message import message
from tests.archive.words import telling
from tests.simulator.course import Course, HandStep, Stretch, Table, sweep
from tests.simulator.structure import Sensor, Structure, TrueMode
from tests.simulator.time_history import sweep_record


@dataclass
class Memory:
    """Samples in memory, in blocks of an odd length."""

    samples: Floats
    length: int = 10_007

    def blocks(self, start: int, stop: int) -> Iterator[Floats]:
        for begin in range(start, stop, self.length):
            yield self.samples[begin : min(begin + self.length, stop)]


def history_of(samples: Floats, rate: float, names: tuple[str, ...] | None = None) -> TimeHistory:
    samples = np.asarray(samples, dtype=float)
    names = names or tuple(f"A{k}" if k else "C1" for k in range(samples.shape[1]))
    return TimeHistory(
        path="logs/a.wav", sample_rate_hz=rate, samples=len(samples), channels=names,
        dimensions=("acceleration",) * len(names), display_units=("g",) * len(names), source=Memory(samples),
    )  # fmt: skip


def recorded(record) -> TimeHistory:
    return history_of(np.column_stack(list(record.channels.values())), record.sample_rate_hz, tuple(record.channels))


def exponential(from_hz, to_hz, seconds, rate):
    """Times, frequency and cycles of an exponential sweep: φ = (f − f₁)/k, k = ln(f₂/f₁)/T."""
    t = np.arange(round(seconds * rate)) / rate
    k = np.log(to_hz / from_hz) / seconds
    return t, from_hz * np.exp(k * t), from_hz * np.expm1(k * t) / k


def complex_ratio(log, channel="A1", control="C1"):
    trace = log.trace(channel)
    return trace.amplitude / log.trace(control).amplitude * np.exp(1j * np.radians(trace.phase_deg))


# The fit itself -------------------------------------------------------------------------------------------------------


def test_three_parameter_fit_is_that_of_ieee_1057():
    """IEEE Std 1057-2017, three-parameter least-squares fit (matrix form; clause from memory), noise and all."""
    rng = np.random.default_rng(1)
    rate, f, n = 5000.0, 87.3, 4000
    t = np.arange(n) / rate
    y = 3.1 * np.cos(2 * np.pi * f * t + 0.8) + 0.4 + 0.2 * rng.normal(size=n)
    phase = phase_through(np.array([0.0, 0.3, 0.6, 0.9]), f * np.array([0.0, 0.3, 0.6, 0.9]))
    edges = np.arange(13) / f
    rows = fit_rows(history_of(y[:, None], rate), phase, edges, model=Model(envelope=0, harmonics=1))
    for k, (start, stop) in enumerate(np.ceil(np.array([edges[:-6:2], edges[6::2]]).T * rate).astype(int)):
        window = slice(start, stop)
        columns = np.column_stack(
            [np.cos(2 * np.pi * f * t[window]), np.sin(2 * np.pi * f * t[window]), np.ones(stop - start)]
        )
        a, b, c = np.linalg.inv(columns.T @ columns) @ columns.T @ y[window]
        left = y[window] - columns @ np.array([a, b, c])
        assert rows.amplitude[k, 0] == pytest.approx(complex(a, -b), abs=2e-6)
        assert rows.residual[k, 0] == pytest.approx(np.sqrt(left @ left / (len(left) - 3)), rel=1e-5)


@pytest.mark.parametrize("envelope", [2, 4])
def test_noise_bandwidth_of_the_amplitude(envelope):
    """Local polynomial of degree 2 or 4 at its middle: variance 9/4 or 225/64 of the mean's (Savitzky and Golay 1964,
    from memory); here from the scatter of many fits to white noise."""
    rng = np.random.default_rng(2)
    rate, f, n = 4096.0, 256.0, 1 << 19
    knots = np.linspace(0.0, n / rate, 9)
    edges = np.arange(0.0, n / rate, 8.0 / f)
    rows = fit_rows(
        history_of(rng.normal(size=(n, 1)), rate),
        phase_through(knots, f * knots),
        edges,
        model=Model(envelope=envelope),
    )
    # of the white noise's power 2/rate a hertz, the bandwidth passes half as cosine and half as sine
    expected = 4.0 / rate * NOISE_BANDWIDTH[envelope] / rows.window_s[0]
    assert np.mean(np.abs(rows.amplitude) ** 2) == pytest.approx(expected, rel=0.05)


# The whole way --------------------------------------------------------------------------------------------------------


def swept_transmissibility(f, f0, q, rate):
    """Absolute acceleration over base acceleration while a linear sweep passes f: closed form by the Faddeeva function
    (physics of the first-order envelope equation; scipy.special.wofz)."""
    w0, zeta = 2 * np.pi * f0, 0.5 / q
    s = w0 * (-zeta + 1j * np.sqrt(1 - zeta * zeta))
    alpha = 2 * np.pi * rate
    c = np.sqrt(abs(alpha) / 2) * np.exp(-0.25j * np.pi * np.sign(alpha))
    return sum(
        (2 * zeta * w0 * p + w0 * w0)
        / (p - other)
        * np.sqrt(np.pi)
        / (2 * c)
        * wofz(-1j * (p - 2j * np.pi * f) / (2 * c))
        for p, other in ((s, s.conjugate()), (s.conjugate(), s))
    )


@pytest.mark.parametrize(
    "from_hz, to_hz, slope, f0, q, rate",
    [
        (10, 40, 0.5, 20, 30, 5120),
        (80, 120, 1.0, 100, 50, 12800),
        (5, 40, 2.0, 18, 60, 5120),
        (300, 100, -20.0, 200, 100, 12800),
    ],
)
def test_rows_are_the_closed_form_of_a_swept_oscillator(from_hz, to_hz, slope, f0, q, rate):
    """η from 0.25 to 22, up and down, with a harmonic on each channel: within 3·10⁻⁴ of the peak on every row."""
    t = np.arange(int((to_hz - from_hz) / slope * rate)) / rate
    cycles = from_hz * t + slope * t * t / 2
    response = swept_transmissibility(from_hz + slope * t, f0, q, slope) * np.exp(2j * np.pi * cycles)
    control = np.cos(2 * np.pi * cycles) + 0.05 * np.cos(4 * np.pi * cycles)
    log = demodulate(
        history_of(np.column_stack([control, response.real + 0.03 * np.cos(6 * np.pi * cycles)]), rate), "C1", ["C1"]
    )
    truth = swept_transmissibility(from_hz + slope * log.time_s, f0, q, slope)
    assert np.max(np.abs(complex_ratio(log) - truth)) < 3e-4 * np.max(np.abs(truth))
    assert np.max(np.abs(log.frequency_hz / (from_hz + slope * log.time_s) - 1)) < 3e-4
    passed = from_hz * log.time_s + slope * log.time_s**2 / 2
    assert np.max(np.abs(log.drive_cycles - (passed - passed[0]))) < 1e-4


def test_noise_harmonics_and_residual_are_told_apart():
    rng = np.random.default_rng(4)
    t, _, cycles = exponential(20.0, 500.0, 40.0, 6400.0)
    shares = (0.08, 0.05, 0.02, 0.01)
    control = 10 * np.cos(2 * np.pi * cycles)
    control += sum(10 * share * np.cos(2 * np.pi * k * cycles + k) for k, share in enumerate(shares, 2))
    response = 4 * np.cos(2 * np.pi * cycles - 1.2) + 25.0
    noise = np.array([0.5, 0.2])
    log = demodulate(
        history_of(np.column_stack([control, response]) + noise * rng.normal(size=(len(t), 2)), 6400.0), "C1", ["C1"]
    )
    low = log.frequency_hz < 500.0
    assert np.median(log.trace("C1").distortion[low]) == pytest.approx(np.linalg.norm(shares), rel=0.03)
    for name, sigma in zip(("C1", "A1"), noise, strict=True):
        assert np.median(log.trace(name).residual) == pytest.approx(sigma, rel=0.01)
    spread = np.std(log.trace("A1").amplitude / 4 - 1)
    due = noise[1] / 4 * np.sqrt(np.mean(2 * log.effective_bandwidth_hz / 6400.0))
    assert spread == pytest.approx(due, rel=0.1), "the stated effective bandwidth is what averages the noise"
    assert np.mean(log.trace("A1").phase_deg) == pytest.approx(-np.degrees(1.2), abs=0.05)


def test_harmonics_beyond_half_the_sample_rate_are_no_distortion():
    _t, _, cycles = exponential(100.0, 2000.0, 20.0, 5120.0)
    log = demodulate(history_of(np.cos(2 * np.pi * cycles)[:, None], 5120.0), "C1", ["C1"])
    high = log.frequency_hz > 0.47 * 5120.0 / 2 * 1.01
    assert high.sum() > 50
    assert np.isnan(log.trace("C1").distortion[high]).all()
    assert np.nanmax(log.trace("C1").distortion[~high]) < 1e-5
    np.testing.assert_allclose(log.trace("C1").amplitude, 1.0, rtol=1e-5)


def test_the_result_does_not_depend_on_workers_or_blocks():
    rng = np.random.default_rng(5)
    t, _, cycles = exponential(10.0, 1000.0, 60.0, 5120.0)
    samples = np.cos(2 * np.pi * cycles)[:, None] * np.linspace(1, 2, 20) + 0.1 * rng.normal(size=(len(t), 20))
    history = history_of(samples, 5120.0)
    told: list[float] = []
    one = demodulate(history, "C1", ["C1"], progress=told.append)
    for other in (demodulate(history, "C1", ["C1"], workers=3), demodulate(
        replace(history, source=Memory(samples, 65_536)),
        "C1", ["C1"],
    )):  # fmt: skip
        np.testing.assert_array_equal(one.frequency_hz, other.frequency_hz)
        for mine, theirs in zip(one.traces, other.traces, strict=True):
            np.testing.assert_array_equal(mine.amplitude, theirs.amplitude)
            np.testing.assert_array_equal(mine.residual, theirs.residual)
    assert told == sorted(told)
    assert told[-1] == 1.0


@pytest.mark.parametrize("noise", [0.0, 0.7, 1.4], ids=["clean", "0 dB", "-6 dB"])
def test_the_drive_is_followed_through_noise(noise):
    """Noise over the whole band as strong as the drive, and twice as strong."""
    rng = np.random.default_rng(6)
    t, f, cycles = exponential(10.0, 1000.0, 60.0, 12800.0)
    log = demodulate(
        history_of((np.cos(2 * np.pi * cycles) + noise * rng.normal(size=len(t)))[:, None], 12800.0), "C1", ["C1"]
    )
    assert np.max(np.abs(log.frequency_hz / np.interp(log.time_s, t, f) - 1)) < (1e-4 if noise == 0 else 1e-2)
    assert log.time_s[0] < 1.0
    assert log.time_s[-1] > 58.0


def test_a_harmonic_louder_than_the_drive_is_not_taken_for_it():
    """Control near half a resonance: its second harmonic is three times the fundamental around 60 Hz."""
    rng = np.random.default_rng(7)
    t, f, cycles = exponential(20.0, 300.0, 60.0, 8192.0)
    loud = 3 * np.exp(-0.5 * ((f - 60.0) / 2.0) ** 2)
    signal = np.cos(2 * np.pi * cycles) + loud * np.cos(4 * np.pi * cycles) + 0.05 * rng.normal(size=len(t))
    log = demodulate(history_of(signal[:, None], 8192.0), "C1", ["C1"])
    assert np.max(np.abs(log.frequency_hz / np.interp(log.time_s, t, f) - 1)) < 1e-3
    assert np.max(np.abs(log.trace("C1").amplitude - 1)) < 0.03


def test_level_steps_change_neither_phase_nor_frequency():
    rng = np.random.default_rng(8)
    t, f, cycles = exponential(20.0, 300.0, 60.0, 8192.0)
    level = np.select([t < 20, t < 40], [1.0, 0.25], 0.05)
    signal = level * np.cos(2 * np.pi * cycles) + 0.001 * rng.normal(size=len(t))
    log = demodulate(history_of(signal[:, None], 8192.0), "C1", ["C1"])
    assert np.max(np.abs(log.frequency_hz / np.interp(log.time_s, t, f) - 1)) < 5e-4
    passed = np.interp(log.time_s, t, cycles)
    assert np.max(np.abs(log.drive_cycles - (passed - passed[0]))) < 0.02


@dataclass
class Stored(Memory):
    """Samples in memory as a file holds them."""

    factors: tuple[float, ...] = (1.0,)

    def stored(self, start: int, stop: int) -> Iterator[Floats]:
        return super().blocks(start, stop)

    def blocks(self, start: int, stop: int) -> Iterator[Floats]:
        return (each * self.factors for each in self.stored(start, stop))


def test_numbers_as_stored_give_the_same_as_quantities():
    rng = np.random.default_rng(14)
    cycles = exponential(20.0, 200.0, 20.0, 5120.0)[2]
    clean = np.cos(2 * np.pi * cycles)[:, None] * np.array([20000.0, 500.0])
    counts = np.rint(clean + 50 * rng.normal(size=clean.shape)).astype(np.int16)
    factors = (4.9e-3, 0.3)
    scaled = demodulate(history_of(counts * np.array(factors), 5120.0), "C1", ["C1"])
    stored = demodulate(
        replace(history_of(counts, 5120.0), source=Stored(counts, factors=factors)), "C1", ["C1"]
    )  # fmt: skip
    np.testing.assert_allclose(stored.frequency_hz, scaled.frequency_hz, rtol=1e-7)
    for mine, theirs in zip(stored.traces, scaled.traces, strict=True):
        np.testing.assert_allclose(mine.amplitude, theirs.amplitude, rtol=1e-5)
        np.testing.assert_allclose(mine.residual, theirs.residual, rtol=1e-4)


def test_a_record_too_long_to_hold_gives_the_same(monkeypatch):
    """Held whole, held thinned out only, and not held at all: the phase is the same up to its noise."""
    rng = np.random.default_rng(15)
    t, f, cycles = exponential(20.0, 200.0, 40.0, 10240.0)
    history = history_of((np.cos(2 * np.pi * cycles) + 0.01 * rng.normal(size=len(t)))[:, None], 10240.0)
    logs = []
    for longest in (1 << 24, 1 << 18, 1 << 10):
        monkeypatch.setattr("reportgen.compute.demodulation.drive_phase._LONGEST_HELD", longest)
        logs.append(demodulate(history, "C1", ["C1"], workers=2))
    for log in logs:
        assert np.max(np.abs(log.frequency_hz / np.interp(log.time_s, t, f) - 1)) < 2e-4
        passed = np.interp(log.time_s, t, cycles)
        assert np.std(log.drive_cycles - passed) < 3e-4


def test_silences_give_no_rows_and_are_told():
    """Before, in the middle and after: three quiet stretches, and the phase counts on through the middle one."""
    rng = np.random.default_rng(9)
    t, f, cycles = exponential(20.0, 200.0, 50.0, 4096.0)
    drive = np.where((t > 20) & (t < 23), 0.0, np.cos(2 * np.pi * cycles))
    quiet = np.zeros(8 * 4096)
    signal = np.concatenate([quiet, drive, quiet])
    log = demodulate(history_of((signal + 0.02 * rng.normal(size=len(signal)))[:, None], 4096.0), "C1", ["C1"])
    time = log.time_s - 8.0
    assert 0.0 < time[0] < 0.5
    assert 49.5 < time[-1] < 50.0
    assert not np.any((time > 20.0) & (time < 23.0))
    assert log.remarks[0].code == "demodulation.silence"
    assert log.remarks[0].value("from_s") == pytest.approx(28.0, abs=0.1)
    assert np.max(np.abs(log.frequency_hz / np.interp(time, t, f) - 1)) < 1e-3
    passed = np.interp(time, t, cycles)
    assert np.max(np.abs(log.drive_cycles - (passed - passed[0]))) < 0.05
    np.testing.assert_allclose(log.trace("C1").amplitude, 1.0, atol=0.03)


def test_a_dwell_keeps_its_frequency():
    rng = np.random.default_rng(10)
    t = np.arange(30 * 5120) / 5120
    log = demodulate(
        history_of((np.cos(2 * np.pi * 117.4 * t) + 0.3 * rng.normal(size=len(t)))[:, None], 5120.0), "C1", ["C1"]
    )
    assert np.mean(log.frequency_hz) == pytest.approx(117.4, rel=1e-5)
    assert log.drive_cycles[-1] == pytest.approx(117.4 * (log.time_s[-1] - log.time_s[0]), abs=0.05)
    assert len(split_sweeps(log)) == 1


@pytest.mark.parametrize("signal", [np.zeros(20_000), np.random.default_rng(0).normal(size=20_000), np.ones(100)])
def test_without_a_sine_there_is_no_demodulation(signal):
    with pytest.raises(ComputeError) as caught:
        demodulate(history_of(signal[:, None], 5120.0), "C1", ["C1"])
    assert caught.value.said.value("where") == "logs/a.wav"
    assert caught.value.said.value("what").code in (
        "demodulation.drive-silent",
        "demodulation.few-samples",
        "demodulation.no-sine",
        "demodulation.no-sine-in",
    )


def test_a_control_that_is_not_in_the_record_is_named():
    _t, _, cycles = exponential(20.0, 200.0, 10.0, 2048.0)
    with telling(RecordError, match="no channel 'C9'; there are C1"):
        demodulate(history_of(np.cos(2 * np.pi * cycles)[:, None], 2048.0), "C1", ["C9"])


def test_phase_is_that_against_the_mean_of_the_controls():
    _t, _, cycles = exponential(20.0, 200.0, 10.0, 2048.0)
    channels = [np.cos(2 * np.pi * cycles + a) for a in (0.3, 0.5, -0.6)]
    log = demodulate(history_of(np.column_stack(channels), 2048.0, ("C1", "C2", "A1")), "C1", ["C1", "C2"])
    np.testing.assert_allclose(log.trace("A1").phase_deg, np.degrees(-0.6 - 0.4), atol=1e-3)


# Simulated structures -------------------------------------------------------------------------------------------------

STRUCTURE = Structure(
    (TrueMode(18.0, 60.0), TrueMode(117.4, 38.0), TrueMode(121.9, 80.0)),
    (Sensor("A1", (1.5, 0.6, 0.3)), Sensor("A2", (0.7, -0.5, 0.6))),
)
TABLE = Table(demand=lambda f: np.full_like(f, 10.0))


def test_modes_from_a_raw_record_are_those_of_the_structure():
    """4 oct/min, η up to 9, four harmonics on the table, 3 % noise on every sample: f to 0.05 %, Q to 2 %."""
    record = sweep_record(
        STRUCTURE, sweep(10.0, 200.0, 4.0), TABLE, 2560.0, noise=0.3, harmonics=(0.08, 0.05, 0.02, 0.01)
    )
    log = demodulate(recorded(record), "DRIVE", ["C1"])
    responses = [log.trace("A1"), log.trace("A2")]
    found = identify_modes(
        SweptResponse(
            frequency_hz=log.frequency_hz, control=log.trace("C1").amplitude, channels=("A1", "A2"),
            responses=np.column_stack([each.amplitude for each in responses]), dimensions=("acceleration",) * 2,
            phases_deg=np.column_stack([np.asarray(each.phase_deg) for each in responses]), time_s=log.time_s,
            drive_cycles=log.drive_cycles,
        )
    )  # fmt: skip
    modes = found.channel("A1").resonances
    assert len(modes) == len(STRUCTURE.modes)
    for mode, true in zip(modes, STRUCTURE.modes, strict=True):
        assert mode.frequency_hz == pytest.approx(true.frequency_hz, rel=5e-4)
        assert mode.q == pytest.approx(true.q, rel=0.02)


def test_steady_state_straight_from_the_record_is_the_structures_own():
    """Fourier transform of response over that of control, though η = 9 at 18 Hz: within 2 % of the peak."""
    record = sweep_record(STRUCTURE, sweep(10.0, 200.0, 4.0), TABLE, 2560.0, noise=0.1, harmonics=(0.08, 0.05))
    for mode in STRUCTURE.modes:
        width = mode.frequency_hz / mode.q
        band = (mode.frequency_hz - 6 * width, mode.frequency_hz + 6 * width)
        found = steady_state_response(recorded(record), "C1", ("A1", "A2"), band_hz=band, ring_down_s=3.0 / width)
        truth = STRUCTURE.steady(found.frequency_hz).T
        # near an antiresonance a response may stand too little out of the noise
        given = np.isfinite(found.response)
        assert given.mean() > 0.95, found.flags
        assert np.max((np.abs(found.response - truth) / np.max(np.abs(truth), axis=0))[given]) < 0.02
    with pytest.raises(ComputeError) as caught:
        steady_state_response(recorded(record), "C1", ("A1",), band_hz=(700.0, 800.0), ring_down_s=1.0)
    assert caught.value.said.value("what") == message("steady-state.no-passage", low_hz=700.0, high_hz=800.0)


def test_several_sweeps_are_told_apart():
    course = Course((Stretch(20, 150, 8.0), Stretch(150, 20, 8.0), Stretch(20, 20, seconds=2), Stretch(20, 150, 8.0)))
    log = demodulate(recorded(sweep_record(STRUCTURE, course, TABLE, 2048.0, noise=0.02)), "DRIVE", ["C1"])
    parts = split_sweeps(log)
    assert [each.sweep_index for each in parts] == [1, 2, 3]
    assert all(each.sweeps_in_file == 3 for each in parts)
    ends = [(each.frequency_hz[0], each.frequency_hz[-1]) for each in parts]
    assert ends[0][0] < 22 < 145 < ends[0][1]
    assert ends[1][1] < 22 < 145 < ends[1][0]
    assert ends[2][0] < 22 < 145 < ends[2][1]
    assert sum(len(each.frequency_hz) for each in parts) == len(log.frequency_hz)


def test_hold_and_level_step_of_the_simulator():
    course = Course((Stretch(20, 60, 8.0), Stretch(60, 60, seconds=10), Stretch(60, 150, 8.0)))
    table = Table(demand=lambda f: np.full_like(f, 10.0), steps=(HandStep(40.0, -6.0),))
    log = demodulate(recorded(sweep_record(STRUCTURE, course, table, 2048.0, noise=0.02)), "DRIVE", ["C1"])
    assert np.max(np.abs(log.frequency_hz / course.frequency(log.time_s) - 1)) < 5e-3
    level = table.level(course)(log.time_s, course.frequency(log.time_s))
    np.testing.assert_allclose(log.trace("C1").amplitude, level, rtol=0.02)
    assert len(split_sweeps(log)) == 1


def test_rows_are_dense_enough_for_the_sharpest_mode():
    """At Q = 200 a half-power bandwidth holds at least five rows, at any rate, wherever three cycles allow it."""
    for seconds in (20.0, 100.0):
        _t, _f, cycles = exponential(200.0, 800.0, seconds, 2048.0)
        log = demodulate(history_of(np.cos(2 * np.pi * cycles)[:, None], 2048.0), "C1", ["C1"])
        step = np.diff(log.frequency_hz)
        few_cycles = 3.0 * 2.0 / log.frequency_hz[1:]
        free = log.effective_bandwidth_hz[1:] < 225 / 64 / few_cycles
        assert np.all(step[free] < log.frequency_hz[1:][free] / 200.0 / 5.0)


def test_cubic_spline_is_what_the_phase_is():
    """The phase object against scipy's own evaluation."""
    x = np.sort(np.random.default_rng(1).uniform(0, 10, 30))
    y = np.cumsum(np.random.default_rng(2).uniform(0, 5, 30))
    spline, phase, at = CubicSpline(x, y), phase_through(x, y), np.linspace(x[0], x[-1], 400)
    for k, scale in enumerate((1.0, 1.0, 2.0, 6.0)):
        np.testing.assert_allclose(phase.taylor(at)[k] * scale, spline(at, k), atol=1e-8 * np.abs(spline(at, k)).max())
