"""Looks at the specimen, as recorded by the laboratory."""

from __future__ import annotations

from reportgen.judge.case import Case, Item
from reportgen.records.check import Check, JobEvidence
from reportgen.records.job import Inspection
from reportgen.records.message import Message, message
from reportgen.records.verdict import Outcome, ProvedBy


def inspection(case: Case) -> None:
    """Items: every inspection whose ``what`` (or ``when``) is the one required; all of them where none is named."""
    found = _named(case)
    if not found:
        _weigh_none(case)
    if len(found) > 1 and case.requirement.what is None:
        case.on_pass = message("judge.all-inspections", inspections=len(found))
    elif len(found) > 1:
        case.on_pass = message("judge.all-inspections-of", inspections=len(found), what=case.requirement.what)
    for each in found:
        outcome = _OUTCOMES.get(each.result.strip().casefold())
        if outcome is None:
            case.gap(message("judge.inspection-result", when=each.when, what=each.what, result=each.result))
        else:
            case.items.append(Item(text=_seen(each, outcome), outcome=outcome))


_OUTCOMES = {"pass": Outcome.PASS, "fail": Outcome.FAIL}


def _seen(each: Inspection, outcome: Outcome) -> Message:
    if each.remark is None:
        return message("judge.inspection", when=each.when, what=each.what, result=outcome)
    return message("judge.inspection-remark", when=each.when, what=each.what, result=outcome, remark=each.remark)


def _weigh_none(case: Case) -> None:
    """No inspection is the one that was asked for."""
    known, wanted = tuple(each.what for each in case.job.inspections), case.requirement.what
    if not known:
        case.gap(message("judge.no-inspection"))
    else:
        case.gap(message("judge.inspection-not-recorded", what=wanted, recorded=known))


def _named(case: Case) -> list[Inspection]:
    every = list(case.job.inspections)
    if case.requirement.what is None:
        return every
    wanted = case.requirement.what.strip().casefold()
    exact = [each for each in every if wanted in (each.what.strip().casefold(), each.when.strip().casefold())]
    return exact or [each for each in every if wanted in each.what.casefold() or each.what.casefold() in wanted]


INSPECTION = Check(
    name="inspection",
    needs=(("what",),),
    judged_by=JobEvidence.INSPECTIONS,
    proved_by=ProvedBy.INSPECTIONS,
    compares=message("check.inspection"),
    function=inspection,
)
