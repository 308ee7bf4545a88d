"""When steps and inspections happened: a moment, or words such as ``after X-SWEEP``, ``vor der Prüfung``."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime

from reportgen.records.finding import Finding, warning
from reportgen.records.job import Beside, Job, Placed
from reportgen.records.message import message

_SIDES = {"before": Beside.BEFORE, "prior to": Beside.BEFORE, "vor": Beside.BEFORE,
          "after": Beside.AFTER, "nach": Beside.AFTER}  # fmt: skip
"""Words that tell on which side of a run something happened, in the languages of jobs."""
_TEST = re.compile(r"(?:(?:the|all|dem|der|den|allen|run|lauf) )*(?:test|tests|testing|prüfung|prüfungen|versuch)")
"""The test as a whole, behind one of those words."""
_ARTICLE = re.compile(r"(?:(?:the|dem|der|run|lauf) )*", re.IGNORECASE)


def with_places(job: Job) -> Job:
    """The job with steps and inspections placed as far as their ``when`` tells it."""
    runs = tuple(run.id for run in job.runs)
    return replace(
        job,
        steps=tuple(replace(each, placed=placed_at(each.when, runs)) for each in job.steps),
        inspections=tuple(replace(each, placed=placed_at(each.when, runs)) for each in job.inspections),
    )


def place_findings(job: Job) -> Iterator[Finding]:
    """A warning for each step whose place in the sequence is not known."""
    for each in job.steps:
        if each.placed is None:
            run = job.runs[0].id if job.runs else "X-SWEEP"
            yield warning(each.where, message("job.step-unplaced", found=each.when, run=run))


def placed_at(when: str, runs: tuple[str, ...]) -> Placed | None:
    """The place that a text tells; None where it tells none.

    >>> placed_at("after X-SWEEP", ("X-PRE", "X-SWEEP")).run
    'X-SWEEP'
    """
    text = " ".join(when.split())
    moment = _moment(text)
    if moment is not None:
        return Placed(moment=moment)
    word = next((word for word in _SIDES if text.casefold().startswith(word + " ")), None)
    if word is None:
        return None
    rest = text[len(word) :].strip()
    if _TEST.fullmatch(rest.casefold()):
        return Placed(beside=_SIDES[word])
    named = _ARTICLE.sub("", rest, count=1).casefold()
    run = next((each for each in runs if each.casefold() == named), None)
    return None if run is None else Placed(beside=_SIDES[word], run=run)


def _moment(text: str) -> datetime | None:
    """The laboratory's own clock; a day alone is its beginning."""
    try:
        return datetime.fromisoformat(text).replace(tzinfo=None)
    except ValueError:
        pass
    try:
        return datetime.combine(date.fromisoformat(text), datetime.min.time())
    except ValueError:
        return None
