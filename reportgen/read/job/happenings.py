"""When steps and inspections happened: a moment, or words such as ``after X-SWEEP``, ``after the test, 2026-03-12``."""

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
_DAY_AT_END = re.compile(r"\(?(\d{4}-\d{2}-\d{2})\)?$")
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
    text, day = _without_day(text)
    side, rest = _side(text)
    if side is not None and _TEST.fullmatch(rest.casefold()):
        return Placed(beside=side, moment=day)
    named = _ARTICLE.sub("", rest, count=1).casefold()
    run = next((each for each in runs if each.casefold() == named), None)
    if side is not None and run is not None:
        return Placed(beside=side, run=run)
    return None if day is None else Placed(moment=day)


def _side(text: str) -> tuple[Beside | None, str]:
    """The side that a text begins with, and the rest."""
    word = next((word for word in _SIDES if text.casefold().startswith(word + " ")), None)
    return (None, text) if word is None else (_SIDES[word], text[len(word) :].strip())


def _without_day(text: str) -> tuple[str, datetime | None]:
    """A text without the day at its end, and that day."""
    found = _DAY_AT_END.search(text)
    day = None if found is None else _moment(found.group(1))
    return (text, None) if found is None or day is None else (text[: found.start()].rstrip(" ,;("), day)


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
