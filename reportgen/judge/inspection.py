"""Looks at the specimen, as recorded by the laboratory."""

from __future__ import annotations

from reportgen.judge.case import Case, Item
from reportgen.records.job import Inspection
from reportgen.records.verdict import Outcome


def inspection(case: Case) -> None:
    """Items: every inspection whose ``what`` (or ``when``) is the one required; all of them where none is named."""
    found = _named(case)
    if not found:
        known = ", ".join(f'"{each.what}"' for each in case.job.inspections) or "none"
        wanted = f'"{case.requirement.what}"' if case.requirement.what else "any"
        case.gap(f"no [[inspection]] {wanted} is recorded; recorded: {known}")
    if len(found) > 1:
        case.on_pass = f"all {len(found)} inspections{_of(case)} passed"
    for each in found:
        result = each.result.strip().casefold()
        text = f"inspection {each.when}, {each.what}"
        reason = each.result if each.remark is None else f"{each.result}, {each.remark}"
        if result in ("pass", "fail"):
            outcome = Outcome.PASS if result == "pass" else Outcome.FAIL
            case.items.append(Item(text=text, measured=None, outcome=outcome, reason=reason))
        else:
            case.gap(f'{text} has the result "{each.result}"; write result = "pass" or "fail"')


def _of(case: Case) -> str:
    return f", {case.requirement.what}," if case.requirement.what else ""


def _named(case: Case) -> list[Inspection]:
    every = list(case.job.inspections)
    if case.requirement.what is None:
        return every
    wanted = case.requirement.what.strip().casefold()
    exact = [each for each in every if wanted in (each.what.strip().casefold(), each.when.strip().casefold())]
    return exact or [each for each in every if wanted in each.what.casefold() or each.what.casefold() in wanted]
