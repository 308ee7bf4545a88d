"""One requirement over several runs: each is judged by itself, the worst decides, and each keeps its evidence."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from reportgen.judge.decision_rule import Tolerance
from reportgen.records.message import Message, message
from reportgen.records.verdict import Outcome, Verdict

_WORST_FIRST = tuple(Outcome)


def joined(parts: Sequence[Verdict], remarks: Sequence[Message] = ()) -> Verdict:
    """The verdict on all parts, in the order given: that of the worst, with the evidence of all.

    Worst is fail, then not evaluated, then pass; of equals the one that uses most of its tolerance, the first of these.
    """
    if len(parts) == 1:
        only = parts[0]
        return replace(only, reason=tuple(dict.fromkeys((*only.reason, *remarks))))
    ranked = sorted(parts, key=badness)
    worst = ranked[0]
    alike = [each for each in parts if each is not worst and each.outcome is worst.outcome]
    said = _who_decides(worst, alike, _counted(parts))
    return replace(
        worst,
        reason=tuple(dict.fromkeys((said, *worst.reason, *remarks))),
        evidence=tuple(item for part in ranked for item in part.evidence),
        run=None,
        axis=None,
        before=None,
        after=None,
        parts=tuple(parts),
    )


def _counted(parts: Sequence[Verdict]) -> Message:
    """How many parts there are, as what they are: pairs, also where some are missing; axes; runs."""
    count = len(parts)
    if any(each.before is not None and each.after is not None for each in parts):
        return message("judge.pairs-counted", count=count)
    if any(each.axis is not None for each in parts):
        return message("judge.axes-counted", count=count)
    return message("judge.runs-counted", count=count)


def _who_decides(worst: Verdict, alike: Sequence[Verdict], counted: Message) -> Message:
    """The part that decides; where it is no pass, the others that come to the same result are named as well."""
    place = place_of(worst)
    if worst.outcome is Outcome.PASS or not alike:
        return message("judge.worst-of-runs", parts=counted, worst=place)
    return message("judge.worst-of-runs-alike", parts=counted, worst=place, alike=tuple(map(place_of, alike)))


def badness(each: Verdict) -> tuple[int, float]:
    """Sorts worst first: by result, then by how much of its tolerance is used; what has no value comes before."""
    limits = Tolerance(low=each.limit_low, high=each.limit) if each.at_most else Tolerance(low=each.limit)
    use = math.inf if each.measured is None else limits.use(each.measured)
    return _WORST_FIRST.index(each.outcome), -use if math.isfinite(use) else -math.inf


def place_of(part: Verdict) -> Message:
    """The run, or the two runs, that a part is about."""
    if part.before is not None and part.after is not None:
        return message("judge.pair", before=part.before, after=part.after)
    if part.axis is not None:
        return message("judge.axis", axis=part.axis)
    return message("judge.run", run=part.run or "–")
