"""The check "response level": what the specimen saw, against closed forms of a sinusoid."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from reportgen.judge.decision_rule import Tolerance
from reportgen.judge.verdicts import judge
from reportgen.records.job import Channel, ChannelRole, DecisionRule, Instrument, Requirement
from reportgen.records.message import message
from reportgen.records.result import (
    ChannelResult,
    ControlResult,
    IssueKind,
    QualityIssue,
    Quotient,
    RunCondition,
    RunResult,
    SweepFacts,
)
from reportgen.records.stretch import Direction
from reportgen.records.verdict import Outcome
from reportgen.units import parse_quantity
from tests.compute.test_quality import JOB

G = 9.80665
F = np.linspace(20.0, 200.0, 181)
CONTROL = np.where(F < 100.0, 5.0, 20.0)
RATIO = 1.0 + 9.0 * np.exp(-(((F - 60.0) / 5.0) ** 2)) + 2.0 * np.exp(-(((F - 150.0) / 5.0) ** 2))
"""10 at 60 Hz under 5 m/s², that is 50 m/s²; 3 at 150 Hz under 20 m/s², that is 60 m/s²."""


def run(**more):
    sweep = SweepFacts(direction=Direction.UP, first_hz=20.0, last_hz=200.0, lowest_hz=20.0, highest_hz=200.0,
                       rows=len(F), rate=2.0, rate_unit="oct/min")  # fmt: skip
    control = ControlResult(frequency_hz=F, level=CONTROL, required=None, lower=None, upper=None, channels=("C1",))
    channel = ChannelResult(id="A1", frequency_hz=F, magnitude=RATIO, phase_deg=None)
    made = RunResult(id="X-PRE", kind="survey", axis="X", sweep=sweep, control=control, channels=(channel,))
    return replace(made, **more)


def verdict(limit, of=None, rule=DecisionRule.SIMPLE, calibration="2 %", **asked):
    instrument = Instrument(
        id="ACC-1", expanded_uncertainty=parse_quantity(calibration, "ratio") if calibration else None
    )
    channels = (
        Channel(id="C1", role=ChannelRole.CONTROL),
        Channel(id="A1", role=ChannelRole.RESPONSE, instrument="ACC-1"),
    )
    requirement = Requirement(id="R1", check="response level", run="X-PRE", limit=parse_quantity(limit), **asked)
    job = replace(JOB, report=replace(JOB.report, decision_rule=rule), channels=channels, instruments=(instrument,),
                  requirements=(requirement,))  # fmt: skip
    return judge(job, (of or run(),), (), ())[0]


def test_the_highest_level_is_not_where_the_ratio_is_highest():
    found = verdict("7 g")
    assert found.outcome is Outcome.PASS
    assert found.measured == pytest.approx(60.0 / G)
    assert found.evidence[0].frequency_hz == 150.0
    assert verdict("6 g").outcome is Outcome.FAIL


@pytest.mark.parametrize(
    ("limit", "expected"), [("1 m/s", 50.0 / (2 * np.pi * 60.0)), ("1 mm", 50e3 / (2 * np.pi * 60.0) ** 2)]
)
def test_velocity_and_displacement_of_a_sinusoid(limit, expected):
    """v = a/ω, s = a/ω²: now the peak at 60 Hz is the higher one."""
    found = verdict(limit, band_hz=(50.0, 200.0))
    assert found.measured == pytest.approx(expected, rel=1e-3)
    assert 59.0 <= found.evidence[0].frequency_hz <= 60.0


def test_the_band_narrows_it_down_and_must_have_been_swept():
    assert verdict("7 g", band_hz=(50.0, 70.0)).measured == pytest.approx(50.0 / G)
    beyond = verdict("7 g", band_hz=(50.0, 300.0))
    assert beyond.outcome is Outcome.NOT_EVALUATED
    assert beyond.reason[0].code == "judge.band-not-swept"


def test_uncertainty_is_that_of_the_instrument_and_of_the_peak_between_rows():
    """1 % standard; the top falls on a row, so that nothing comes to it. Guarded acceptance then keeps its distance."""
    found = verdict("7 g")
    assert found.expanded_uncertainty == pytest.approx(1.96 * 0.01 * 60.0 / G, rel=1e-3)
    assert verdict("6.2 g", rule=DecisionRule.GUARDED).outcome is not Outcome.PASS
    assert verdict("7 g", calibration=None).expanded_uncertainty is None
    shifted = replace(run().channels[0], magnitude=1.0 + 2.0 * np.exp(-(((F - 150.5) / 2.0) ** 2)))
    wider = verdict("7 g", of=run(channels=(shifted,)))
    assert wider.expanded_uncertainty > 1.96 * 0.0101 * wider.measured


def test_nothing_passes_on_a_lost_sensor_a_hole_or_what_is_no_motion():
    lost = QualityIssue(kind=IssueKind.LOOSE_SENSOR, message=message("judge.unknown"), channel="A1", spoils=True)
    hole = QualityIssue(kind=IssueKind.HOLE, message=message("judge.unknown"), band_hz=(80.0, 90.0))
    strain = replace(run().channels[0], quotient=Quotient.OTHER, unit="µm/m/(m/s²)")
    empty = replace(run().channels[0], magnitude=np.full(F.shape, np.nan))
    for of in (
        run(quality=(lost,)),
        run(quality=(hole,)),
        run(channels=(strain,)),
        run(channels=(empty,)),
        run(channels=()),
    ):
        assert verdict("40 g", of=of).outcome is Outcome.NOT_EVALUATED
    assert verdict("40 g", of=run(quality=(hole,)), band_hz=(100.0, 200.0)).outcome is Outcome.PASS


@pytest.mark.parametrize("reading", [np.nan, 0.0])
@pytest.mark.parametrize(("low", "high"), [(140.0, 160.0), (145.0, 300.0), (0.0, 25.0)])
def test_a_level_passed_whose_highest_rows_had_no_reading(reading, low, high):
    """Fault: a sensor silent over a peak hid it, as its rows were there: 6.1 g of A1 became 5.1 g."""
    silent = replace(run().channels[0], magnitude=np.where((low < F) & (high > F), reading, RATIO))
    found = verdict("7 g", of=run(channels=(silent,)))
    assert found.outcome is Outcome.NOT_EVALUATED
    assert found.reason[0].code == "judge.channel-unread"
    assert verdict("7 g", of=run(channels=(silent,)), band_hz=(50.0, 70.0)).outcome is Outcome.PASS


def test_a_single_lost_row_keeps_no_level_open():
    """Beside the top it is stepped over; the parabola through the readings left takes it in."""
    beside = replace(run().channels[0], magnitude=np.where(F == 151.0, np.nan, RATIO))
    found, whole = verdict("7 g", of=run(channels=(beside,))), verdict("7 g")
    assert found.outcome is Outcome.PASS
    assert found.measured == whole.measured
    assert found.expanded_uncertainty > whole.expanded_uncertainty


def test_a_band_that_ended_on_a_flank_put_a_top_beyond_it():
    """Fault: a parabola through the row outside made the uncertainty twelve times as wide at a limit of 70 Hz."""
    flank = replace(run().channels[0], magnitude=np.select([F < 70.0, F == 70.0], [1.0, 10.0], 12.0))
    found = verdict("7 g", of=run(channels=(flank,)), band_hz=(50.0, 70.0))
    assert found.measured == pytest.approx(50.0 / G)
    assert found.expanded_uncertainty == pytest.approx(1.96 * 0.01 * found.measured, rel=1e-3)


def test_a_limit_peak_to_peak_passed_at_twice_its_level():
    """Fault: the peak was held against the number of a limit in mm p-p. Sinusoid: peak-to-peak is twice the peak."""
    peak_mm = verdict("1 mm", band_hz=(50.0, 200.0)).measured
    whole = verdict("1 mm p-p", band_hz=(50.0, 200.0))
    assert whole.measured == pytest.approx(2.0 * peak_mm)
    between = f"{1.5 * peak_mm:.6f} mm p-p"
    assert verdict(between, band_hz=(50.0, 200.0)).outcome is Outcome.FAIL
    assert verdict("7 g rms").measured == pytest.approx(60.0 / G / np.sqrt(2.0))


def strain(**more):
    """A run with a strain of 3e-6 per m/s² beside the acceleration: 60 µm/m under 20 m/s²."""
    beside = ChannelResult(id="S1", frequency_hz=F, magnitude=np.full(F.shape, 3e-6), phase_deg=None,
                           quotient=Quotient.OTHER, unit="1/(m/s²)", dimension="strain")  # fmt: skip
    return run(channels=(*run().channels, beside), **more)


def test_a_strain_is_held_against_a_limit_of_its_own_quantity():
    """Without a channel it is that of the channels that measured strain; the acceleration is no gap."""
    for asked in ({"channel": "S1"}, {}):
        found = verdict("70 µm/m", of=strain(), **asked)
        assert found.outcome is Outcome.PASS
        assert found.measured == pytest.approx(60.0)
        assert {each.channel for each in found.evidence} == {"S1"}
    assert verdict("50 µm/m", of=strain(), channel="S1").outcome is Outcome.FAIL


@pytest.mark.parametrize(
    ("limit", "asked", "code"),
    [
        ("70 µm/m", {"channel": "A1"}, "judge.other-quantity"),
        ("7 g", {"channel": "S1"}, "judge.other-quantity"),
        ("5 N", {}, "judge.no-channel-of"),
        ("30 °C", {}, "judge.condition-without-channel"),
        ("30 °C", {"channel": "A1"}, "judge.condition-not-logged"),
        ("30 °C", {"channel": "T2"}, "judge.condition-not-logged"),
        ("70 % rh", {"channel": "humidity"}, "judge.condition-not-logged"),
    ],
)
def test_no_level_of_one_quantity_proves_a_limit_of_another(limit, asked, code):
    found = verdict(limit, of=replace(strain(), conditions=(warm(ambient=True),)), **asked)
    assert found.outcome is Outcome.NOT_EVALUATED
    assert found.reason[0].code == code


def warm(values=None, *, ambient=False, channel="T1"):
    values = np.linspace(-5.0, 40.0, len(F)) if values is None else values
    return RunCondition(channel=channel, dimension="temperature", unit="°C", lowest=float(np.nanmin(values)),
                        highest=float(np.nanmax(values)), frequency_hz=F, values=values, ambient=ambient)  # fmt: skip


@pytest.mark.parametrize(("channel", "ambient"), [("T1", False), ("temperature", True)])
def test_a_temperature_is_held_by_its_highest_reading(channel, ambient):
    """40 °C are 104 °F (NIST SP 811, B.8); the room's goes by the name of the quantity."""
    of = run(conditions=(warm(ambient=ambient),))
    assert verdict("41 °C", of=of, channel=channel).outcome is Outcome.PASS
    assert verdict("39 °C", of=of, channel=channel).outcome is Outcome.FAIL
    assert verdict("105 °F", of=of, channel=channel).measured == pytest.approx(104.0)


def test_a_thermometer_that_fell_silent_where_it_was_hottest_proves_nothing():
    silent = np.where(F > 150.0, np.nan, np.linspace(-5.0, 40.0, len(F)))
    found = verdict("41 °C", of=run(conditions=(warm(silent),)), channel="T1")
    assert found.outcome is Outcome.NOT_EVALUATED
    sparse = np.where(np.arange(len(F)) % 10, np.nan, np.linspace(-5.0, 40.0, len(F)))
    assert verdict("41 °C", of=run(conditions=(warm(sparse),)), channel="T1").outcome is Outcome.PASS


def test_a_thermometer_that_fell_silent_in_a_dwell_proves_nothing():
    """Fault: rows without reading were sought over frequency alone, and a dwell stays at one."""
    silent = np.where(np.arange(len(F)) > 20, np.nan, 20.0)
    dwell = replace(warm(silent), frequency_hz=np.full(len(F), 150.0))
    found = verdict("41 °C", of=run(conditions=(dwell,)), channel="T1")
    assert found.outcome is Outcome.NOT_EVALUATED
    read = replace(dwell, values=np.full(len(F), 20.0))
    assert verdict("41 °C", of=run(conditions=(read,)), channel="T1").outcome is Outcome.PASS


def test_below_zero_the_warmer_reading_uses_more_of_its_limit():
    """Fault: the colder of two runs decided a limit of −10 °C."""
    assert Tolerance(high=-10.0).use(-10.5) > Tolerance(high=-10.0).use(-30.0)
    assert Tolerance(high=-10.0).use(-9.0) > 1.0
