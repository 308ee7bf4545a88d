"""The engineer's decisions in a job, from the log to the report: asked for, not used, annotated, rejected.

The log is of a simulated structure with a mode that channel A1 hardly shows; what is true of it is known.
"""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from reportgen.compute.asked_for import try_resonance
from reportgen.compute.run import compute_run, identify_run
from reportgen.judge.by_decision import without_passes_by_exclusion
from reportgen.pipeline import read_inputs, report_of_runs
from reportgen.processes import compute_runs
from reportgen.progress import silent
from reportgen.records.deviation import DeviationCode
from reportgen.records.finding import Severity
from reportgen.records.job import Annotation, Correction, Exclusion
from reportgen.records.message import Place
from reportgen.records.verdict import Outcome
from reportgen.render.catalogue import told
from reportgen.render.document import assemble
from reportgen.render.html import report_html
from reportgen.render.results import results_json
from reportgen.resources import data_dir
from reportgen.units import parse_quantity
from tests.compute.test_identification import record
from tests.simulator.course import sweep
from tests.simulator.structure import Sensor, Structure, TrueMode

TRUE_HZ, TRUE_Q = 90.0, 40.0
ARM = Structure(
    (TrueMode(50.0, 40.0), TrueMode(TRUE_HZ, TRUE_Q), TrueMode(120.0, 30.0)),
    (Sensor("A1", (1.2, 1e-4, 0.3)), Sensor("A2", (0.8, -8e-4, 0.4))),
)
JOB = """[report]
number = "VTR-0301"
title = "Sine survey of an arm"
date = 2026-03-20

[laboratory]
name = "Harbour Test House"

[customer]
name = "Quayside Instruments"

[specimen]
name = "Arm"

[[channel]]
id = "C1"
role = "control"

[[channel]]
id = "A1"
role = "response"

[[channel]]
id = "A2"
role = "response"

[[run]]
id = "X-PRE"
kind = "survey"
axis = "X"
log = "x.csv"
started = 2026-03-12T09:14:00

[[requirement]]
id = "R1"
check = "lowest natural frequency"
run = "X-PRE"
limit = "60 Hz"

[[requirement]]
id = "R2"
check = "amplification"
run = "X-PRE"
limit = "60"
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("arm")
    made = record(ARM, sweep(30.0, 140.0, 2.0))
    columns = [made.time_s, made.frequency_hz, made.control]
    for c in range(2):
        columns += [made.responses[:, c], made.phases_deg[:, c]]
    head = "time [s],frequency [Hz],C1 [m/s^2],A1 [m/s^2],A1 phase [deg],A2 [m/s^2],A2 phase [deg]"
    np.savetxt(folder / "x.csv", np.column_stack(columns), fmt="%.7g", delimiter=",", header=head, comments="")
    (folder / "job.toml").write_text(JOB, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def inputs(folder):
    return read_inputs(folder)


@pytest.fixture(scope="module")
def every(inputs):
    return compute_runs(inputs.job, inputs.logs, silent, 1)


@pytest.fixture(scope="module")
def kept(inputs):
    return identify_run(inputs.job, inputs.job.runs[0], inputs.logs["X-PRE"], silent)


def correction(action, frequency_hz, channel=None, line=40):
    return Correction(
        run="X-PRE", channel=channel, frequency_hz=frequency_hz, action=action, reason="seen by strobe", by="Reviewer",
        when="2026-03-13", where=Place("job.toml", line),
    )  # fmt: skip


def decided(inputs, **entries):
    return replace(inputs, job=replace(inputs.job, **entries))


def again(own, every, kept=None):
    """The runs with the only one computed again, as after an entry."""
    (run,) = every
    log, bare = own.logs["X-PRE"], run.undecided or run
    return [compute_run(own.job, own.job.runs[0], log, silent, undecided=bare, kept=kept)]


def asked_on(report, channel):
    (run,) = report.runs
    found = next(each for each in run.channels if each.id == channel)
    return [each for each in found.resonances if each.asked is not None]


def test_a_resonance_asked_for_is_reported_with_what_the_data_say(inputs, every, kept):
    """On A1 the search says nothing of the mode: a hundredth of the response there."""
    assert not any(abs(each.frequency_hz - TRUE_HZ) < 1.0 for each in every[0].channels[0].resonances)
    own = decided(inputs, corrections=(correction("add", 90.3, "A1"), correction("add", 500.0, "A1", line=48)))
    report = report_of_runs(own, again(own, every, kept=kept))
    (only,) = asked_on(report, "A1")
    assert only.frequency_hz == pytest.approx(TRUE_HZ, rel=1e-3)
    assert abs(only.q - TRUE_Q) < 3.0 * only.q_std
    assert (only.asked.by, only.asked.when, only.asked.frequency_hz) == ("Reviewer", "2026-03-13", 90.3)
    assert only.asked.over_noise < 3.0
    assert "less than a mode that counts as seen" in told(only.asked.speaks_against)
    assert not asked_on(report, "A2")
    (refused,) = [each for each in report.findings if each.where.line == 48]
    assert refused.severity is Severity.WARNING
    assert "outside what was swept, 30 Hz to 139.8 Hz" in told([refused.message])
    written = json.loads(results_json(report))
    (a1, _a2) = written["runs"][0]["channels"]
    assert [each["asked"]["by"] for each in a1["resonances"] if "asked" in each] == ["Reviewer"]
    assert written["runs"][0]["not_added"][0]["frequency_hz"] == 500.0
    assert {each.code for each in report.deviations} >= {DeviationCode.CORRECTION}


def test_trying_a_resonance_decides_nothing_and_tells_what_deciding_would(inputs, every, kept):
    tried = try_resonance(inputs.job, kept, 90.3, "A1")
    own = decided(inputs, corrections=(correction("add", 90.3, "A1"),))
    (only,) = asked_on(report_of_runs(own, again(own, every, kept=kept)), "A1")
    ((channel, resonance),) = tried.resonances
    assert (channel, resonance.frequency_hz, resonance.q_std) == ("A1", only.frequency_hz, only.q_std)
    assert tried.speaks_for == only.asked.speaks_for
    there = try_resonance(inputs.job, kept, 50.0)
    assert not there.found
    assert "There is a resonance at 50 Hz already" in told([there.why])


def test_only_the_run_with_the_entry_is_another(inputs, every, kept):
    """What the log alone gives is kept beside it, and comes out the same where the entry is taken out again."""
    own = decided(inputs, corrections=(correction("add", 90.3, "A1"),))
    (after,) = again(own, every, kept=kept)
    assert after.undecided is every[0]
    assert again(inputs, [after]) == list(every)


def test_a_verdict_changed_by_a_decision_says_so(inputs, every):
    own = decided(inputs, corrections=(correction("reject", 50.0),))
    first, second = report_of_runs(own, every).verdicts
    assert (first.outcome, first.without_decisions) == (Outcome.PASS, Outcome.FAIL)
    assert first.by_decision == (Place("job.toml", 40),)
    said = "Without the engineer's decisions: fail (X-PRE 50 Hz rejected, Reviewer, job.toml:40)"
    assert said in told(first.reason)
    assert second.without_decisions is None
    plain, _ = report_of_runs(inputs, every).verdicts
    assert (plain.outcome, plain.without_decisions) == (Outcome.FAIL, None)


def test_rows_not_used_give_no_mode_and_decisions_stand_in_the_report(inputs, every):
    left_out = Exclusion(
        run="X-PRE", channel="A2", band_hz=(80.0, 100.0), reason="a cable struck", by="Reviewer",
        where=Place("job.toml", 50),
    )  # fmt: skip
    noted = Annotation(run="X-PRE", channel="A2", frequency_hz=70.0, text="The cover rattled.", by="Reviewer")
    own = decided(inputs, corrections=(correction("reject", 50.0),), exclusions=(left_out,), annotations=(noted,))
    runs = again(own, every)
    report = report_of_runs(own, runs)
    a2 = report.runs[0].channels[1]
    assert [round(each.frequency_hz) for each in a2.resonances] == [50, 120]
    assert a2.excluded_hz == ((80.0, 100.0),)
    assert [round(each.frequency_hz) for each in every[0].channels[1].resonances] == [50, 90, 120]
    amplification = report.verdicts[1]
    assert (amplification.outcome, amplification.without_decisions) == (Outcome.NOT_EVALUATED, Outcome.PASS)
    page = report_html(assemble(report, data_dir("templates")), templates=data_dir("templates"))
    page = page.replace("\u00a0", " ").replace("\u202f", " ")
    for words in (
        "without the engineer&#39;s decisions: fail",
        "[1] 70 Hz: The cover rattled. (Reviewer)",
        "Shaded: 80.00 – 100.0 Hz, not used as the engineer decided.",
        "X-PRE · A2 · 80.00 – 100.0 Hz: not used. Reason: a cable struck (Reviewer; job.toml:50)",
    ):
        assert words.casefold() in page.casefold(), words


def test_a_fit_moved_by_rows_left_out_elsewhere_does_not_pass(inputs, every):
    """Rows outside its band are left out of a clause whose limit lies between the amplifications with and without."""
    left_out = Exclusion(run="X-PRE", channel=None, band_hz=(60.0, 80.0), reason="a cable struck", by="Reviewer")
    plain = decided(inputs, exclusions=(left_out,))
    runs = again(plain, every)
    with_all, without = highest_below_60_hz(every[0]), highest_below_60_hz(runs[0])
    assert without < with_all
    limit = parse_quantity(repr(0.5 * (with_all + without)))
    asked = replace(inputs.job.requirements[1], limit=limit, band_hz=(40.0, 59.0))
    own = decided(inputs, exclusions=(left_out,), requirements=(asked,))
    (verdict,) = report_of_runs(own, runs).verdicts
    assert (verdict.outcome, verdict.without_decisions) == (Outcome.NOT_EVALUATED, Outcome.FAIL)
    assert "leaving rows out proves nothing" in told(verdict.reason)


def test_no_part_of_a_verdict_passes_by_rows_left_out(inputs, every):
    """Fault: only the whole was held back; its parts still said pass, and a conditional pass became a pass."""
    base = report_of_runs(inputs, every).verdicts[1]
    part = replace(base, outcome=Outcome.PASS)
    whole = replace(base, outcome=Outcome.NOT_EVALUATED, parts=(part,))
    failed = replace(whole, parts=(replace(part, outcome=Outcome.FAIL),))
    (held,) = without_passes_by_exclusion(inputs.job, [whole], [failed])
    assert held.parts[0].outcome is Outcome.NOT_EVALUATED
    conditional = replace(part, outcome=Outcome.CONDITIONAL_PASS, false_acceptance=0.2)
    (held,) = without_passes_by_exclusion(inputs.job, [part], [conditional])
    assert (held.outcome, held.false_acceptance) == (Outcome.CONDITIONAL_PASS, 0.2)
    assert without_passes_by_exclusion(inputs.job, [part], [part]) == (part,)


def highest_below_60_hz(run):
    """Amplification."""
    return max(each.amplification for own in run.channels for each in own.resonances if each.frequency_hz < 60.0)
