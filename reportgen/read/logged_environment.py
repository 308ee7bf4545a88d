"""Conditions in the laboratory, as columns of the logs tell them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from reportgen.records.finding import Finding, note, warning
from reportgen.records.job import Job
from reportgen.records.log import Log, LoggedCondition, SweepLog
from reportgen.records.message import message
from reportgen.units import CONDITIONS, parse_unit

_TOLD = {"temperature": ("°C", 1), "humidity": ("% rh", 0)}
"""Unit and decimals: thermometers of rooms are read to 0.1 K, hygrometers are right within 2 % rh (from memory)."""
_UNITS_IN = {"de": {"humidity": "% rF"}}
"""Where a language of the report has another."""


def with_environment_of_logs(job: Job, logs: Mapping[str, Log]) -> tuple[Job, tuple[Finding, ...]]:
    """The job with the conditions that the logs of its valid runs hold, where it asks for these and states none itself.

    ``logs`` are by the id of their run. The lowest and the highest reading of all these runs are given.
    """
    stated = job.environment
    if not stated.from_logs:
        return job, ()
    findings: list[Finding] = []
    for name in CONDITIONS:
        found = _of_room(job, logs, name)
        if getattr(stated, name) is None and found:
            value = _range(list(found.values()), name, job.report.language)
            stated = replace(stated, **{name: value})  # type: ignore[arg-type]
            told = message("environment.from-logs", key=name, value=value, runs=tuple(found))
            findings.append(note(stated.where, told))
            findings += [] if stated.from_notes else _runs_without(job, logs, name, found)
    missing = tuple(name for name in CONDITIONS if getattr(stated, name) is None)
    if missing and not stated.from_notes:
        findings.append(warning(stated.where, message("environment.not-in-logs", keys=missing)))
    return replace(job, environment=stated), tuple(findings)


def _runs_without(job: Job, logs: Mapping[str, Log], name: str, found: Mapping[str, object]) -> list[Finding]:
    """A warning where some valid runs have no reading: the range is not that of the whole test."""
    without = tuple(run.id for run in job.runs if run.counts and run.id in logs and run.id not in found)
    if not without:
        return []
    return [warning(job.environment.where, message("environment.runs-without", key=name, runs=without))]


def _of_room(job: Job, logs: Mapping[str, Log], name: str) -> dict[str, LoggedCondition]:
    """A condition of the room by the id of each valid run whose log has readings of it."""
    return {
        run.id: each
        for run in job.runs
        if run.counts and isinstance(log := logs.get(run.id), SweepLog)
        for each in log.conditions
        if each.ambient and each.dimension == name and np.isfinite(each.values).any()
    }


def _range(found: list[LoggedCondition], name: str, language: str) -> str:
    """The lowest and the highest reading, or one value where both read alike."""
    symbol, decimals = _TOLD[name]
    unit = parse_unit(symbol)
    ends = (min(float(np.nanmin(each.values)) for each in found), max(float(np.nanmax(each.values)) for each in found))
    shown = [f"{(end - unit.offset) / unit.factor:.{decimals}f}" for end in ends]
    shown = [each.replace(".", ",") for each in shown] if language == "de" else shown
    symbol = _UNITS_IN.get(language, {}).get(name, symbol)
    return " – ".join(dict.fromkeys(f"{each} {symbol}" for each in shown))
