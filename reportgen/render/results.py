"""results.json: what downstream scripts rely on. Numbers that cannot be had are null, with the reason beside them."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

from reportgen.records.deviation import Deviation
from reportgen.records.identified_fact import IdentifiedFact
from reportgen.records.job import Job, RunPlan, RunStatus
from reportgen.records.message import Message
from reportgen.records.note import LevelChanged, MotionSeen, NodesSeen, Note, Remark, StrobeSeen
from reportgen.records.report import LevelDependence, Report, RunShift
from reportgen.records.result import (
    BeamFit,
    ChannelResult,
    ControlResult,
    DwellResult,
    FrequencyBudget,
    Mode,
    Observed,
    QualityIssue,
    Resonance,
    RunResult,
    UnexplainedPeak,
)
from reportgen.records.verdict import Evidence, Verdict
from reportgen.render.catalogue import as_data, said, told

SCHEMA = 1
_DIGITS = 10
"""Significant digits kept: far below any uncertainty, above the last-bit noise of other processors."""


def results_json(report: Report) -> bytes:
    """Serialise ``report``; the same report gives the same bytes. UTF-8, two-space indent, trailing newline."""
    text = json.dumps(_clean(results(report)), ensure_ascii=False, indent=2, allow_nan=False)
    return (text + "\n").encode("utf-8")


def results(report: Report) -> dict[str, Any]:
    """Results as plain values; keys are those of the file contract, with additions."""
    identity = report.job.report
    return {
        "schema": SCHEMA,
        "software": report.software,
        "job": {
            "number": identity.number,
            "revision": identity.revision,
            "title": identity.title,
            "date": identity.date.isoformat(),
            "decision_rule": str(identity.decision_rule),
            "confidence": identity.confidence,
            **({"draft": True} if report.draft else {}),
        },
        "overall": str(report.overall),
        "deviations": [_deviation(each) for each in report.deviations],
        "assumptions": [_text("message", each) for each in report.assumptions],
        "inputs": [{"path": f.path, "sha256": f.sha256, "bytes": f.bytes} for f in report.inputs],
        "runs": [_run(run) | _history(report.job.run(run.id)) for run in report.runs],
        "modes": [_mode(mode) | _axis(report.job, mode.axis) for mode in report.modes],
        "beams": [_beam(fit) for fit in report.beam_fits],
        "shifts": [_all_fields(shift) for shift in report.shifts],
        "level_dependence": [_all_fields(each) for each in report.level_dependence],
        "verdicts": [_verdict(verdict) for verdict in report.verdicts],
        "notes": [_note(note) for note in report.notes],
        "supersedes": _amendment(report),
        "findings": [
            {"severity": str(f.severity), "where": str(f.where), **_text("message", f.message)} for f in report.findings
        ],
    }


def _run(run: RunResult) -> dict[str, Any]:
    sweep = run.sweep
    return {
        "id": run.id,
        "kind": run.kind,
        "axis": run.axis,
        "direction": sweep and sweep.direction,
        "sweep_rate": sweep and sweep.rate,
        "sweep_rate_unit": sweep and sweep.rate_unit,
        **_reason("sweep_rate_reason", sweep.rate_reason if sweep else None),
        "first_hz": sweep and sweep.first_hz,
        "last_hz": sweep and sweep.last_hz,
        "rows": sweep and sweep.rows,
        "duration_s": sweep and sweep.duration_s,
        "cycles": sweep and sweep.cycles,
        "sweep_cycles": sweep and sweep.sweep_cycles,
        "holds": [{"at_hz": f, "seconds": s} for f, s in sweep.holds] if sweep else [],
        "level_steps": [{"at_hz": f, "db": d} for f, d in sweep.level_steps] if sweep else [],
        "pieces": [{"first_hz": a, "last_hz": b} for a, b in sweep.pieces] if sweep else [],
        "holes_hz": [list(band) for band in sweep.holes] if sweep else [],
        "control": run.control and _control(run.control),
        "dwell": run.dwell and _dwell(run.dwell),
        "channels": [_channel(channel) for channel in run.channels],
        "quality": [_quality(issue) for issue in run.quality],
        **_sentence("method", run.method),
        "steady_state_assumed": run.steady_state_assumed,
        **_sentence("criterion", run.criterion),
        "facts": [_fact(each) for each in run.facts],
        **_flags(run.flags),
    }


def _history(plan: RunPlan | None) -> dict[str, Any]:
    """What became of a run, as the job states it."""
    return {
        **({"axis": plan.written_axis} if plan else {}),
        "specimen": plan.specimen if plan else None,
        "status": str(plan.status) if plan else str(RunStatus.VALID),
        "status_reason": plan.reason if plan else None,
        "repeats": plan.repeats if plan else None,
        "logs": [each.as_posix() for each in plan.logs] if plan else [],
    }


def _axis(job: Job, label: str | None) -> dict[str, Any]:
    """The axis as written, and the specimen where there are several."""
    run = next((each for each in job.runs if each.axis == label), None)
    return {"axis": run.written_axis if run else label, "specimen": run.specimen if run else None}


def _fact(fact: IdentifiedFact) -> dict[str, Any]:
    """Code and the values that go with it."""
    values = {name: getattr(fact, name) for name in IdentifiedFact.__dataclass_fields__ if name != "code"}
    return {"code": str(fact.code), **{name: value for name, value in values.items() if value is not None}}


def _control(control: ControlResult) -> dict[str, Any]:
    return {
        "channels": list(control.channels),
        "strategy": control.strategy,
        "worst_deviation_db": control.worst_deviation_db,
        "at_hz": control.at_hz,
        "outside_bands": [list(band) for band in control.outside_bands],
        "outside_share": control.outside_share,
        "spread_db": control.spread_db,
        "spread_at_hz": control.spread_at_hz,
        "aborted_bands": [list(band) for band in control.aborted_bands],
        **_reason("reason", control.reason),
    }


def _dwell(dwell: DwellResult) -> dict[str, Any]:
    names = (
        "frequency_hz",
        "frequency_from_hz",
        "frequency_to_hz",
        "duration_s",
        "cycles",
        "level_mps2",
        "level_drift_db",
        "phase_drift_deg",
        "response_drift_db",
        "build_up",
        "channel",
    )
    return {name: getattr(dwell, name) for name in names} | _flags(dwell.flags)


def _channel(channel: ChannelResult) -> dict[str, Any]:
    return {
        "id": channel.id,
        "noise_floor": channel.noise_floor,
        **_flags(channel.flags),
        "resonances": [_resonance(each) for each in channel.resonances],
        "peaks": channel.peaks,
        "unexplained": [_unexplained(each) for each in channel.unexplained],
    }


def _unexplained(each: UnexplainedPeak) -> dict[str, Any]:
    return {
        "frequency_hz": each.frequency_hz,
        "height": each.height,
        "magnitude": each.magnitude,
        "why": str(each.why),
    }


def _resonance(each: Resonance) -> dict[str, Any]:
    return {
        "frequency_hz": each.frequency_hz,
        "frequency_std_hz": each.frequency_std_hz,
        "frequency_budget": _frequency_budget(each.frequency_budget),
        "q": each.q,
        "q_std": each.q_std,
        "damping_ratio": each.damping_ratio,
        "decrement": each.decrement,
        "amplification": each.amplification,
        "amplification_std": each.amplification_std,
        "amplification_std_fit": each.amplification_std_fit,
        "amplification_std_calibration": each.amplification_std_calibration,
        "phase_deg": each.phase_deg,
        "observed": _observed(each.observed),
        "mode": each.mode,
        **_flags(each.flags),
        "facts": [_fact(fact) for fact in each.facts],
        "reasons": {name: said(reason) for name, reason in each.reasons},
        "reason_messages": {name: as_data(reason) for name, reason in each.reasons},
        "rejected": each.rejected,
        "doubtful": each.doubtful,
        "has_peak": each.has_peak,
        "calibration_stated": each.calibration_stated,
        "level_g": each.level if each.backbone is not None and each.backbone.unit == "g" else None,
        "backbone": _backbone(each),
    }


def _frequency_budget(budget: FrequencyBudget | None) -> dict[str, Any] | None:
    """Standard uncertainties in Hz, each by its cause."""
    if budget is None:
        return None
    causes = ("fit", "clock", "filter", "misfit", "floor")
    return {f"{cause}_hz": getattr(budget, cause) for cause in causes} | {"clock_stated": budget.clock_stated}


def _backbone(each: Resonance) -> dict[str, Any] | None:
    """Frequency and damping level by level; None for a mode that does not depend on level."""
    curve = each.backbone
    if curve is None:
        return None
    columns = ("levels", "frequency_hz", "frequency_std_hz", "damping_ratio", "damping_ratio_std")
    told = {name: list(getattr(curve, name)) for name in columns}
    return {"channel": curve.channel, "unit": curve.unit, "level": each.level, "law": curve.law, **told}


def _observed(seen: Observed) -> dict[str, Any]:
    names = {name: getattr(seen, name) for name in Observed.__dataclass_fields__}
    return names | _reason("half_power_reason", seen.half_power_reason)


def _quality(issue: QualityIssue) -> dict[str, Any]:
    return {
        "kind": issue.kind,
        "channel": issue.channel,
        "band_hz": issue.band_hz and list(issue.band_hz),
        "spoils": issue.spoils,
        **_text("message", issue.message),
    }


def _mode(mode: Mode) -> dict[str, Any]:
    return {
        "axis": mode.axis,
        "mode": mode.mode,
        "nodes": mode.nodes,
        "frequency_hz": mode.frequency_hz,
        "frequency_std_hz": mode.frequency_std_hz,
        "resolution_hz": mode.resolution_hz,
        "clock_stated": mode.clock_stated,
        "q": mode.q,
        "q_std": mode.q_std,
        "damping_ratio": mode.damping_ratio,
        "motion": mode.motion and str(mode.motion),
        "seen_in": list(mode.seen_in),
        "runs": list(mode.runs),
        "channels": list(mode.channels),
        "node_positions": list(mode.node_positions),
        "expected_positions": list(mode.expected_positions),
        "expected_hz": mode.expected_hz,
        "missing": mode.missing,
        "notes": [str(place) for place in mode.notes],
        **_flags(mode.flags),
    }


def _flags(flags: Sequence[Message]) -> dict[str, Any]:
    """Flags in words, and beside them their codes and values, in the same order."""
    return {"flags": [said(flag) for flag in flags], "flag_messages": [as_data(flag) for flag in flags]}


def _reason(name: str, text: Message | None) -> dict[str, Any]:
    """Why a number is null, in words and as a message; both null where it is known."""
    return {name: text and said(text), f"{name}_message": text and as_data(text)}


def _sentence(name: str, text: Message | None) -> dict[str, Any]:
    """A sentence and the message that it says; empty where there is none."""
    return {name: said(text) if text else "", f"{name}_message": text and as_data(text)}


def _text(name: str, text: Message) -> dict[str, Any]:
    """One text with its code and values beside it."""
    return {name: said(text), **as_data(text)}


def _beam(fit: BeamFit) -> dict[str, Any]:
    return {
        "axis": fit.axis,
        "boundary": fit.boundary,
        "tip_mass_ratio": fit.tip_mass_ratio,
        "rms_residual": fit.rms_residual,
        "worst_residual": fit.worst_residual,
        "alternatives": [{"boundary": b, "rms_residual": r} for b, r in fit.alternatives],
        **_flags(fit.flags),
    }


def _all_fields(row: RunShift | LevelDependence) -> dict[str, Any]:
    fields = {name: _plain(getattr(row, name)) for name in type(row).__dataclass_fields__}
    if isinstance(row, RunShift):
        return fields | _flags(row.flags)
    return fields | _reason("reason", row.reason)


def _verdict(verdict: Verdict) -> dict[str, Any]:
    return {
        "requirement": verdict.requirement,
        "check": verdict.check,
        "clause": verdict.clause,
        "result": str(verdict.outcome),
        "measured": verdict.measured,
        "limit": verdict.limit,
        "limit_low": verdict.limit_low,
        "unit": verdict.unit,
        "expanded_uncertainty": verdict.expanded_uncertainty,
        "coverage_factor": verdict.coverage_factor,
        "false_acceptance": verdict.false_acceptance,
        "reason": told(verdict.reason),
        "reason_messages": [as_data(each) for each in verdict.reason],
        "bands_hz": [list(band) for band in verdict.bands_hz],
        "evidence": [_evidence(each) for each in verdict.evidence],
        "run": verdict.run,
        "axis": verdict.axis,
        "before": verdict.before,
        "after": verdict.after,
        "parts": [_verdict(part) for part in verdict.parts],
    }


def _deviation(each: Deviation) -> dict[str, Any]:
    return {
        "kind": str(each.code),
        "key": each.key,
        **_text("message", each.message),
        "run": each.run,
        "channel": each.channel,
        "requirement": each.requirement,
        "bands_hz": [list(band) for band in each.bands_hz],
        "value": each.value,
        "unit": each.unit,
        "where": each.where and str(each.where),
        "effect": each.effect,
        "agreed_by": each.agreed_by,
    }


def _evidence(each: Evidence) -> dict[str, Any]:
    return {name: getattr(each, name) for name in Evidence.__dataclass_fields__} | _text("text", each.text)


_FACT_KINDS = {
    NodesSeen: "nodes",
    StrobeSeen: "strobe",
    LevelChanged: "level",
    MotionSeen: "motion",
    Remark: "remark",
}


def _note(note: Note) -> dict[str, Any]:
    return {
        "where": str(note.where),
        "text": note.text,
        "when": note.when and note.when.isoformat(),
        "run": note.run,
        "facts": [
            {"kind": _FACT_KINDS[type(fact)]}
            | {name: _plain(getattr(fact, name)) for name in type(fact).__dataclass_fields__}
            for fact in note.facts
        ],
        "unread": [said(each) for each in note.unread],
        "unread_messages": [as_data(each) for each in note.unread],
    }


def _amendment(report: Report) -> dict[str, Any] | None:
    amendment = report.amendment
    if amendment is None:
        return None
    return {
        "number": amendment.number,
        "revision": amendment.revision,
        "sha256": amendment.sha256,
        "date": amendment.date and amendment.date.isoformat(),
        "reason": report.job.report.amendment_reason,
        "changes": [
            {**_text("what", c.what), "before": said(c.before), "after": said(c.after)} for c in amendment.changes
        ],
    }


def _plain(value: object) -> object:
    return list(value) if isinstance(value, tuple) else value


def _clean(value: Any) -> Any:
    """Values that JSON knows; numbers to ten significant digits; what is not finite becomes null."""
    if isinstance(value, bool) or value is None:
        return value
    if isinstance(value, str):
        return str(value)
    if isinstance(value, Mapping):
        return {str(key): _clean(each) for key, each in value.items()}
    if isinstance(value, Sequence):
        return [_clean(each) for each in value]
    if isinstance(value, int):
        return value
    return exact(float(value))


def exact(number: float) -> float | None:
    """A number with the digits that results.json holds, and every other file with it; None where it is not finite.

    >>> exact(117.43123456789), exact(float("nan"))
    (117.4312346, None)
    """
    return float(f"{number:.{_DIGITS}g}") if math.isfinite(number) else None
