"""A frequency is no better known than its clock, its filter and its model.

Fault: "10.719013 Hz, U = 0.000055 Hz" from a log whose clock nobody had calibrated, swept through a filter whose
bandwidth was a name.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from reportgen.compute.frequency_uncertainty import (
    FLOOR,
    Q_FLOOR,
    assumptions,
    misfit_share,
    with_uncertainties,
)
from reportgen.records.job import (
    NO_CLOCK_STATED,
    Clock,
    Instrument,
    Job,
    Party,
    ReportIdentity,
    RunKind,
    RunPlan,
    Specimen,
    TrackingFilter,
)
from reportgen.records.result import ChannelResult, Resonance, RunResult, SweepFacts
from reportgen.records.rounding import budget_texts, coverage_factor, round_with_uncertainty
from reportgen.units import parse_quantity

GOOD = Clock(relative_std=10e-6, stated=True, instrument="DAQ")
FREQUENCY, Q = 10.719013, 44.6


def swept(std=1e-7, rate=2.0, unit="oct/min", left=0.0):
    """A run with one mode on one channel; ``left`` of its peak is what the model does not follow."""
    frequency = np.geomspace(5.0, 20.0, 2000)
    model = 1.0 / np.abs(1.0 - (frequency / FREQUENCY) ** 2 + 1j * frequency / FREQUENCY / Q)
    mode = Resonance(
        frequency_hz=FREQUENCY, frequency_std_hz=std, q=Q, q_std=1e-4, damping_ratio=0.5 / Q, amplification=Q
    )
    channel = ChannelResult(
        id="A1",
        frequency_hz=frequency,
        magnitude=model + left * Q,
        phase_deg=None,
        fitted_swept=model,
        resonances=(mode,),
    )
    sweep = SweepFacts(
        direction="up", first_hz=5.0, last_hz=20.0, lowest_hz=5.0, highest_hz=20.0, rows=2000, rate=rate,
        rate_unit=unit, duration_s=60.0,
    )  # fmt: skip
    return RunResult(id="X", kind="survey", axis="X", sweep=sweep, control=None, channels=(channel,))


def only(run):
    return run.channels[0].resonances[0]


def test_a_clock_that_nobody_states_is_in_every_frequency():
    each = only(with_uncertainties(swept(), NO_CLOCK_STATED))
    assert each.frequency_std_hz == pytest.approx(FREQUENCY * 100e-6 / math.sqrt(3.0), rel=1e-6)  # JCGM 100, 4.3.7
    assert not each.clock_stated
    wide = coverage_factor(0.95) * each.frequency_std_hz
    assert round_with_uncertainty(each.frequency_hz, wide, most_digits=5) == ("10.719", "0.002")


def test_a_stated_clock_leaves_more_digits_but_not_below_the_floor():
    each = only(with_uncertainties(swept(), GOOD))
    assert each.clock_stated
    assert each.frequency_std_hz == pytest.approx(FLOOR * FREQUENCY)
    assert only(with_uncertainties(swept(), replace(GOOD, relative_std=1e-3))).frequency_std_hz == pytest.approx(
        1e-3 * FREQUENCY, rel=1e-3
    )


def test_what_a_filter_leaves_open_is_counted_once_and_under_its_own_name():
    """Fault: its share stood in the fit's line, and a second time, from a tolerance of 20 %, in its own."""
    run = swept(std=5e-3)
    mode = replace(only(run), frequency_std_filter_hz=4e-3)
    run = replace(run, channels=(replace(run.channels[0], resonances=(mode,)),))
    budget = only(with_uncertainties(run, GOOD)).frequency_budget
    assert (budget.fit, budget.filter) == pytest.approx((3e-3, 4e-3))
    assert budget.combined == pytest.approx(math.hypot(5e-3, GOOD.relative_std * FREQUENCY))


def test_what_the_model_does_not_follow_counts_and_noise_does_not_count_twice():
    run = swept(left=0.02)
    share = misfit_share(run.channels[0], only(run))
    assert share == pytest.approx(0.02, rel=0.01)
    each = only(with_uncertainties(run, GOOD))
    assert each.frequency_budget.misfit == pytest.approx(share * FREQUENCY / (2 * Q))
    assert each.q_std == pytest.approx(share * Q, rel=0.01)
    noise = np.random.default_rng(7).normal(0.0, 0.02 * Q, 2000)
    channel = run.channels[0]
    noisy = replace(channel, magnitude=channel.fitted_swept + noise)
    assert misfit_share(noisy, only(run)) < 0.01


def test_q_has_a_floor_and_a_doubtful_mode_stays_without_uncertainty():
    assert only(with_uncertainties(swept(), GOOD)).q_std == pytest.approx(Q_FLOOR * Q)
    assert only(with_uncertainties(swept(std=None), GOOD)).frequency_std_hz is None


def test_the_budget_adds_up_in_the_printed_digits():
    rng = np.random.default_rng(3)
    for _ in range(300):
        parts = [float(each) for each in 10.0 ** rng.uniform(-3, 2, 4)]
        shown, combined, wide = budget_texts(parts, "1.96")
        step = 10.0 ** -len(combined.partition(".")[2])
        assert abs(math.hypot(*map(float, shown)) - float(combined)) <= 0.5001 * step
        assert abs(1.96 * float(combined) - float(wide)) <= 0.5001 * step
        assert float(combined) == pytest.approx(math.hypot(*parts), rel=0.011)


def job(*instruments, **run):
    plan = RunPlan(id="X", kind=RunKind.SURVEY, log=Path("x.csv"), **run)
    return Job(
        folder=Path(), file=Path(), report=ReportIdentity(number="1", title="t", date=None), laboratory=Party(name="l"),
        customer=Party(name="c"), specimen=Specimen(name="s"), runs=(plan,), instruments=instruments,
    )  # fmt: skip


def instrument(name, ppm=None):
    return Instrument(id=name, frequency_uncertainty=None if ppm is None else parse_quantity(f"{ppm} ppm"))


def test_the_clock_of_a_run_is_that_of_the_acquisition_it_names():
    both = job(instrument("CTRL", 50), instrument("DAQ", 20), acquisition="DAQ", controller="CTRL")
    worse = both.clock_of(both.runs[0])
    assert (worse.relative_std, worse.stated, worse.instrument) == (pytest.approx(25e-6), True, "CTRL")
    one = job(instrument("CTRL", 50), instrument("DAQ", 20), acquisition="DAQ")
    assert one.clock_of(one.runs[0]).relative_std == pytest.approx(10e-6)
    unnamed = job(instrument("CTRL", 50), instrument("DAQ", 20))
    assert unnamed.clock_of(unnamed.runs[0]).instrument == "CTRL"
    silent = job(instrument("CTRL", 50), instrument("DAQ"), acquisition="DAQ")
    assert silent.clock_of(silent.runs[0]) == NO_CLOCK_STATED  # another instrument's clock made no log of this run


def test_what_is_assumed_is_said_until_it_is_stated():
    def codes(of, run):
        return [each.code for each in assumptions(of, (run,))]

    assert codes(job(), swept()) == ["assumed.clock", "assumed.no-filter"]
    named = job(tracking_filter=TrackingFilter(bandwidth_hz=10.0, text="10 Hz"))
    assert codes(named, swept()) == ["assumed.clock", "assumed.filter-bandwidth"]
    whole = TrackingFilter(bandwidth_hz=10.0, text="10 Hz", tolerance=0.05)
    assert codes(job(instrument("DAQ", 20), tracking_filter=whole), swept()) == []
