"""What makes a resonance one to look at, from typed facts; and what awaits somebody before the issue."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from reportgen.records.identified_fact import FactCode, IdentifiedFact
from reportgen.records.job import RunStatus
from reportgen.records.message import message
from reportgen.records.result import IssueKind, Observed, QualityIssue, UnexplainedPeak
from reportgen.review.doubts import NO_EVIDENCE, doubts_of, weight
from reportgen.review.state import state_of


@pytest.fixture
def seen(session):
    """The report, with its first run, channel and resonance, of which nothing speaks against the last."""
    run = session.report.runs[0]
    return session.report, run, run.channels[0], run.channels[0].resonances[0]


def codes(seen, resonance, run=None, report=None):
    known, first, channel, _ = seen
    return {each.said.code.removeprefix("review.doubt-"): each.weight
            for each in doubts_of(report or known, run or first, channel, resonance)}  # fmt: skip


def test_a_clean_resonance_raises_no_doubt(seen):
    assert codes(seen, seen[3]) == {}
    assert weight(()) == 0.0


@pytest.mark.parametrize(
    "change, code, least",
    [
        ({"q_std": 0.25 * 20.0}, "q", 2.0),  # expanded with k = 2 that is half of Q, twice what makes one look
        ({"q_std": None}, "no-uncertainty", 1.0),
        ({"observed": Observed(sweep_reduction=0.5)}, "reduced", 2.0),  # half the peak, twice the 25 %
        ({"doubtful": True}, "steady", NO_EVIDENCE),
        ({"facts": (IdentifiedFact(code=FactCode.NO_PEAK),)}, "no-peak", 1.0),
        ({"facts": (IdentifiedFact(code=FactCode.AT_RANGE_END),)}, "range-end", 1.0),
        ({"facts": (IdentifiedFact(code=FactCode.OVERLAPS_NEIGHBOUR),)}, "overlap", 1.0),
        ({"facts": (IdentifiedFact(code=FactCode.MISFIT, inflation=36.0),)}, "misfit", 3.0),  # six times the noise
    ],
)
def test_each_doubt_comes_from_its_fact(seen, change, code, least):
    found = codes(seen, replace(seen[3], **change))
    assert set(found) == {code}
    assert found[code] == pytest.approx(least, rel=1e-3)


def test_what_is_well_known_is_not_doubted(seen):
    few = replace(seen[3], q_std=0.12 * 20.0, observed=Observed(sweep_reduction=0.76), facts=(
        IdentifiedFact(code=FactCode.LEVEL_DEPENDENT, share=0.1), IdentifiedFact(code=FactCode.CALIBRATION_UNSTATED),
    ))  # fmt: skip
    assert codes(seen, few) == {}


def test_a_rejected_resonance_and_one_of_a_run_that_does_not_count_are_no_doubt(seen, session):
    report, run, *_ = seen
    assert codes(seen, replace(seen[3], doubtful=True, rejected="r")) == {}
    plans = tuple(replace(each, status=RunStatus.VOID) if each.id == run.id else each for each in report.job.runs)
    void = replace(report, job=replace(report.job, runs=plans))
    assert codes(seen, replace(seen[3], doubtful=True), report=void) == {}


def test_data_without_evidence_come_first(seen):
    report, run, channel, resonance = seen
    issue = QualityIssue(
        kind=IssueKind.LOOSE_SENSOR, channel="A1", band_hz=(50.0, 70.0), spoils=True, message=message("review.not-read")
    )
    spoilt = replace(run, quality=(issue,))
    worn = replace(resonance, facts=(IdentifiedFact(code=FactCode.NO_PEAK),))
    found = doubts_of(report, spoilt, channel, worn)
    assert [each.weight for each in found] == [NO_EVIDENCE, 1.0]
    assert weight(found) == NO_EVIDENCE + 1.0, "doubts add up"
    elsewhere = replace(run, quality=(replace(issue, band_hz=(100.0, 200.0)),))
    assert doubts_of(report, elsewhere, channel, resonance) == ()


def test_what_one_curve_alone_shows_is_doubted(seen):
    """The other survey covers its frequency and shows nothing within 5 %, nor within its bandwidth."""
    alone = replace(seen[3], frequency_hz=100.0)
    report, run, channel, _ = seen
    runs = (replace(run, channels=(replace(channel, resonances=(alone,)),)), *report.runs[1:])
    assert set(codes(seen, alone, report=replace(report, runs=runs))) == {"alone"}


def open_of(report, language, **kinds):
    return [each for each in state_of(report, language, ()).open if each.kind in kinds.get("kind", (each.kind,))]


def test_the_worst_doubt_stands_first_and_a_decision_takes_it_off_the_list(session, seen):
    report, run, channel, _ = seen
    doubted = tuple(replace(each, doubtful=True) for each in channel.resonances)
    peak = UnexplainedPeak(frequency_hz=120.0, height=30.0)
    runs = (replace(run, channels=(replace(channel, resonances=doubted, unexplained=(peak,)),)), *report.runs[1:])
    waiting = open_of(replace(report, runs=runs), session.language)
    assert [each.kind for each in waiting[:2]] == ["resonance", "unexplained"]
    assert waiting[0].resonance == "X-PRE/A1/1", "the second, at 200 Hz, was accepted"
    assert waiting[1].doubt == pytest.approx(1.0 + np.log10(30.0))
    assert all(each.blocks for each in waiting[:2])
    state = state_of(replace(report, runs=runs), session.language, ())
    assert not state.may_issue
    assert "2" in state.why_not
    assert sum(each.resonance is not None for each in waiting) == 1
