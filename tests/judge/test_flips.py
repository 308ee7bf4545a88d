"""No single piece of evidence, lost, spoiled or turned to unknown, makes a requirement pass that did not."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path

import pytest

from reportgen.judge.verdicts import judge
from reportgen.records.job import DecisionRule
from reportgen.records.result import IssueKind, QualityIssue
from reportgen.records.verdict import Outcome
from reportgen.render.catalogue import told

_spec = importlib.util.spec_from_file_location("small_job", Path(__file__).parent / "small_job" / "small_job.py")
small = importlib.util.module_from_spec(_spec)
sys.modules["small_job"] = small
_spec.loader.exec_module(small)

PASSED = (Outcome.PASS, Outcome.CONDITIONAL_PASS)
NO_EVIDENCE = {"needs", "id", "check", "where", "source", "text", "clause", "remark"}
"""Fields that are no evidence."""


def without(items, k):
    return tuple(each for i, each in enumerate(items) if i != k)


def swapped(items, k, new):
    return tuple(new if i == k else each for i, each in enumerate(items))


def unknowns(record) -> Iterator:
    """The record with one optional field after the other turned to None."""
    for each in fields(record):
        optional = each.default is None or "None" in str(each.type)
        if optional and getattr(record, each.name) is not None and each.name not in NO_EVIDENCE:
            yield each.name, replace(record, **{each.name: None})


def spoilt(run, channel):
    issue = QualityIssue(kind=IssueKind.DROP_OUT, message="spoilt by the test", channel=channel, spoils=True)
    return replace(run, quality=(*run.quality, issue))


def flipped_runs(run) -> Iterator:
    """One run with one thing lost, unknown or spoilt."""
    yield "spoilt", spoilt(run, None)
    for name, new in unknowns(run):
        yield f"no {name}", new
    for part in ("sweep", "control", "dwell"):
        held = getattr(run, part)
        for name, new in unknowns(held) if held is not None else ():
            yield f"{part} without {name}", replace(run, **{part: new})
    if run.control is not None and run.control.notches:
        yield "no notches", replace(run, control=replace(run.control, notches=()))
    for c, channel in enumerate(run.channels):
        yield f"no {channel.id}", replace(run, channels=without(run.channels, c))
        yield f"{channel.id} spoilt", spoilt(run, channel.id)
        for r, resonance in enumerate(channel.resonances):
            kept = replace(channel, resonances=without(channel.resonances, r))
            yield f"{channel.id} without resonance {r}", replace(run, channels=swapped(run.channels, c, kept))
            for name, new in unknowns(resonance):
                if name == "rejected":
                    continue  # the engineer's decision, not evidence
                changed = replace(channel, resonances=swapped(channel.resonances, r, new))
                what = f"{channel.id} resonance {r} without {name}"
                yield what, replace(run, channels=swapped(run.channels, c, changed))


def flipped_jobs(job) -> Iterator:  # noqa: C901 - a list of flips, one branch a kind of statement
    """The job with one statement missing."""
    for key in ("instruments", "channels", "inspections", "profiles"):
        items = getattr(job, key)
        for k, item in enumerate(items):
            yield f"{key} without {k}", replace(job, **{key: without(items, k)})
            for name, new in unknowns(item):
                yield f"{key} {k} without {name}", replace(job, **{key: swapped(items, k, new)})
    for k, profile in enumerate(job.profiles):
        for name in ("tolerance", "notches"):
            if name == "tolerance":
                yield (
                    f"{profile.id} without {name}",
                    replace(job, profiles=swapped(job.profiles, k, replace(profile, **{name: ()}))),
                )
    for k, run in enumerate(job.runs):
        yield f"run {run.id} not planned", replace(job, runs=without(job.runs, k))
        for name in ("started", "profile", "axis"):
            yield f"{run.id} without {name}", replace(job, runs=swapped(job.runs, k, replace(run, **{name: None})))
    for k, needed in enumerate(job.requirements):
        for name in ("limit", "run", "axis", "before", "after"):
            if getattr(needed, name) is not None and not (name == "limit" and needed.check in OWN_DEFAULT):
                changed = replace(needed, **{name: None})
                yield f"{needed.id} without {name}", replace(job, requirements=swapped(job.requirements, k, changed))


OWN_DEFAULT = ("frequency range", "control tolerance", "calibration")
"""Checks whose limit the contract or the profile gives; for calibration a run narrows, and leaving it out widens."""


def flips(found) -> Iterator:
    for k, run in enumerate(found.runs):
        yield f"no {run.id}", replace(found, runs=without(found.runs, k))
        for what, new in flipped_runs(run):
            yield f"{run.id}: {what}", replace(found, runs=swapped(found.runs, k, new))
    for k, _ in enumerate(found.modes):
        yield f"mode {k} lost", replace(found, modes=without(found.modes, k))
    for k, row in enumerate(found.shifts):
        yield f"shift {k} lost", replace(found, shifts=without(found.shifts, k))
        for name, new in unknowns(row):
            yield f"shift {k} without {name}", replace(found, shifts=swapped(found.shifts, k, new))
    for what, new in flipped_jobs(found.job):
        yield what, replace(found, job=new)


def failing(found) -> list[str]:
    return [name for name, each in found.verdicts().items() if each.outcome not in PASSED]


def assert_no_flip_passes(found, names):
    needed = tuple(each for each in found.job.requirements if each.id in names)
    strict = replace(found, job=replace(found.job, requirements=needed))
    count = 0
    for what, other in flips(strict):
        for verdict in judge(other.job, other.runs, other.modes, other.shifts):
            assert verdict.outcome not in PASSED, f"{what} makes {verdict.requirement} pass: {told(verdict.reason)}"
        count += 1
    assert count > 50


BROKEN = [each for each in small.BROKEN if each["result"] not in ("pass", "conditional pass")]


@pytest.mark.parametrize("broken", BROKEN, ids=lambda each: each["name"])
def test_no_single_flip_turns_a_failure_into_a_pass(broken, tmp_path):
    found = small.small_job(tmp_path, broken.get("edits", ()), broken.get("faults", ()))
    assert_no_flip_passes(found, failing(found))


def test_under_guarded_acceptance_no_flip_passes_either(tmp_path):
    """With limits as tight as nothing can meet, every requirement with a limit fails and goes on failing."""
    edits = [("simple acceptance", "guarded acceptance"), ('limit = "80 Hz"', 'limit = "121 Hz"'), ('"40"', '"24"'),
             ('limit = "5 %"', 'limit = "0.1 %"'), ('limit = "20 %"', 'limit = "0.1 %"'),
             ('limit = "10 min"', 'limit = "20 min"'), ("60000 cycles", "600000 cycles")]  # fmt: skip
    faults = [{"run": "POST", "kind": "mode", "mode": 1, "frequency_factor": 0.99, "q_factor": 0.98}]
    found = small.small_job(tmp_path, edits, faults)
    assert found.job.report.decision_rule is DecisionRule.GUARDED
    names = failing(found)
    assert set(names) >= {"LOWEST", "AMPLIFICATION", "SHIFT", "CHANGE", "TIME", "CYCLES"}
    assert_no_flip_passes(found, names)


def test_the_whole_job_stands_on_every_run(tmp_path):
    """A run whose evidence is spoilt takes every requirement that rests on it along."""
    found = small.small_job(tmp_path)
    rests = {"PRE": {"LOWEST", "AMPLIFICATION", "LEVEL", "SHIFT", "CHANGE"},
             "SWEEP": {"CONTROL", "RANGE", "RATE", "LOWEST"},
             "DWELL": {"TIME", "CYCLES"}, "POST": {"LOWEST", "SHIFT", "CHANGE"}}  # fmt: skip
    for k, run in enumerate(found.runs):
        worse = replace(found, runs=swapped(found.runs, k, spoilt(run, None)))
        assert set(failing(worse)) == rests[run.id]
        assert set(failing(small.without_run(found, run.id))) == rests[run.id]


def test_no_requirement_no_verdict(tmp_path):
    found = small.small_job(tmp_path)
    assert judge(replace(found.job, requirements=()), found.runs, found.modes, found.shifts) == ()
