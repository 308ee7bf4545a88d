"""Surveys before and after a test that belong together, and whether one clause can name all of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from reportgen.draft.seen_runs import Seen
from reportgen.records.asked_runs import TESTS
from reportgen.records.job import RunKind

Pair = tuple[Seen, Seen]


def pairs_of(runs: Sequence[Seen], specimens: Mapping[str, str]) -> list[Pair]:
    """By specimen, axis and kind: the last run before and the first one after."""
    from reportgen.read.job.run_names import Part

    found = []
    for there in _groups(runs, specimens):
        for kind in (RunKind.SURVEY, RunKind.DECAY):
            before = [run for run in there if run.part is Part.BEFORE and run.kind is kind]
            after = [run for run in there if run.part is Part.AFTER and run.kind is kind]
            if before and after:
                found += _named_alike(before, after) or [(before[-1], after[0])]
    return found


def one_clause(runs: Sequence[Seen], specimens: Mapping[str, str]) -> tuple[list[Pair], list[Pair]]:
    """The pairs of surveys that ``surveys = "before and after"`` names, and those that need a clause of their own.

    Names that say before and after go before the order of the runs: where the two differ, no clause names them all.
    """
    named, around = pairs_of(runs, specimens), around_tests(runs, specimens)
    surveys = [pair for pair in named if pair[0].kind is RunKind.SURVEY]
    if not around or any(pair not in around for pair in surveys):
        return [], named
    return around, [pair for pair in named if pair not in around]


def around_tests(runs: Sequence[Seen], specimens: Mapping[str, str]) -> list[Pair]:
    """The pairs that ``surveys = "before and after"`` means: around the first and the last test of each axis.

    Empty where an axis that was tested has no such pair.
    """
    found = []
    for there in _groups(runs, specimens):
        tests = [place for place, run in enumerate(there) if run.kind in TESTS]
        if not tests:
            continue
        before = [run for run in there[: tests[0]] if run.kind is RunKind.SURVEY]
        after = [run for run in there[tests[-1] + 1 :] if run.kind is RunKind.SURVEY]
        if not before or not after:
            return []
        found.append((before[-1], after[0]))
    return found


def _groups(runs: Sequence[Seen], specimens: Mapping[str, str]) -> list[list[Seen]]:
    groups: dict[tuple[str | None, str | None], list[Seen]] = {}
    for run in runs:
        groups.setdefault((run.axis, specimens.get(run.id)), []).append(run)
    return list(groups.values())


def _named_alike(before: Sequence[Seen], after: Sequence[Seen]) -> list[Pair]:
    """Pairs whose names differ in the word of their part alone, so that a second specimen's runs stay together."""
    from reportgen.read.job.run_names import name_without_part

    last = {name_without_part(run.path): run for run in before}
    first = {name_without_part(run.path): run for run in reversed(after)}
    return [(run, first[name]) for name, run in last.items() if name in first]
