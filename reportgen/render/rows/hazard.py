"""What can hurt whoever repeats the test: only what this test really used is warned of."""

from __future__ import annotations

import re
from collections.abc import Iterator

from reportgen.records.job import RunKind
from reportgen.records.note import NodesSeen, StrobeSeen
from reportgen.records.report import Report

_STROBE = re.compile(r"strob|flash lamp|blitzlampe", re.IGNORECASE)
_GRANULES = re.compile(r"granul|sand\b|powder|pulver|korn|körner", re.IGNORECASE)
"""Words of the operator and of the job that tell of a strobe or of granules on the specimen, English and German."""


def hazards(report: Report) -> frozenset[str]:
    """Of ``strobe``, ``granules``, ``exciter``, ``dwell``, ``decay`` those that the test used.

    Runs, notes, instruments and pictures show it.
    """
    kinds = {run.kind for run in report.job.runs} | {run.kind for run in report.runs}
    facts = [fact for each in report.notes for fact in each.facts]
    words = list(_words(report))
    found = {
        "strobe": any(isinstance(fact, StrobeSeen) for fact in facts) or any(map(_STROBE.search, words)),
        "granules": any(map(_GRANULES.search, words)),
        "exciter": report.job.exciter is not None or bool(kinds - {RunKind.DECAY}),
        "dwell": RunKind.DWELL in kinds or any(isinstance(fact, NodesSeen | StrobeSeen) for fact in facts),
        "decay": RunKind.DECAY in kinds,
    }
    return frozenset(name for name, used in found.items() if used)


def _words(report: Report) -> Iterator[str]:
    yield from (each.text for each in report.notes)
    for instrument in report.job.instruments:
        yield " ".join(filter(None, (instrument.kind, instrument.model)))
    yield from (each.caption or "" for each in report.job.photos)
