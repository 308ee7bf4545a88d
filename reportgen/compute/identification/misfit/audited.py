"""The audit of the peaks put into the record of an identification."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from reportgen.compute.identification.misfit.account import Account
from reportgen.compute.identification.misfit.account_report import AccountReport
from reportgen.compute.identification.misfit.peak_audit import Cause, Curves, Named, Peak, audit
from reportgen.compute.identification.misfit.pole_evidence import Objection
from reportgen.compute.identification.mode_report import ModeReport
from reportgen.compute.identification.noise_model import noise_from_scatter
from reportgen.compute.identification.noise_only_rows import local_noise
from reportgen.compute.identification.swept_response import Identification
from reportgen.records.log import Floats
from reportgen.records.result import UnexplainedPeak, WhyUnexplained

_EVENT_ROWS = 6
"""Rows from an event of the drive on within which a peak is its ringing: as many as the event has unknowns."""
_REASONS = {
    Objection.UNCERTAIN: WhyUnexplained.UNCERTAIN,
    Objection.CHANCE: WhyUnexplained.CHANCE,
    Objection.ONE_ROW: WhyUnexplained.ONE_ROW,
    Objection.MISFIT: WhyUnexplained.MISFIT,
    Objection.EDGE: WhyUnexplained.EDGE,
}
"""By the objection to a pole (``pole_evidence``)."""
Why = Callable[[Peak], WhyUnexplained]


def audited(found: Identification, curves: Curves, modes: tuple[Floats, Floats], named: Sequence[Named], why: Why
) -> Identification:  # fmt: skip
    """With the peaks of every channel counted, and those listed that nothing explains."""
    peaks = audit(curves, modes, named)
    channels = []
    for c, channel in enumerate(found.channels):
        own = [peak for peak in peaks if peak.channel == c]
        listed = tuple(_listed(peak, why) for peak in own if peak.cause is Cause.UNEXPLAINED)
        channels.append(replace(channel, unexplained=listed, peaks=len(own)))
    return replace(found, channels=tuple(channels))


def _listed(peak: Peak, why: Why) -> UnexplainedPeak:
    return UnexplainedPeak(
        frequency_hz=peak.frequency_hz, height=peak.height / max(peak.noise, 1e-300), magnitude=peak.height,
        why=why(peak),
    )  # fmt: skip


def audited_search(report: ModeReport) -> Identification:
    """Of the end of a search with real residues."""
    problem, state = report.problem, report.state
    drive, readings = problem.drive, problem.readings
    order = np.argsort(drive.omega, kind="stable") if drive.steady else np.arange(len(drive.omega))
    per = drive.amplitude[order, None]
    model = np.abs(np.stack(report.solution.models, axis=1))
    noise = np.stack(
        [
            np.hypot(min(own.floor, seen.floor), min(own.along, seen.along) * model[:, c])
            for c, (own, seen) in enumerate(zip(state.noise, noise_from_scatter(readings), strict=True))
        ],
        axis=1,
    )  # what a model leaves is no noise where rows scatter less
    values, read = readings.complex_value[order], readings.read[order]
    scatter = [local_noise(values[:, c], read[:, c]) for c in range(noise.shape[1])]
    size = report.sweep.responses[report.rows]  # a peak without phases is one all the same
    curves = Curves(
        omega=drive.omega[order], size=size[order] / per, valid=(np.isfinite(size) & (size > 0))[order],
        noise=np.maximum(noise[order], np.stack(scatter, axis=1)) / per, model=model[order] / per,
        noisy=(readings.read & ~readings.valid)[order],
    )  # fmt: skip
    poles = report.solution.poles
    printed = report.reported()
    modes = (2 * np.pi * poles.frequency_hz[printed], 2 * np.pi * (poles.frequency_hz / poles.q)[printed])
    return audited(report.identification(), curves, modes, named_causes(report), lambda _: WhyUnexplained.NOTHING_FITS)


def named_causes(report: ModeReport) -> list[Named]:
    """Bands of mains lines, and of rows right after an event of the drive."""
    lines = [
        Named(low_hz=each.line_hz - each.half_width_hz, high_hz=each.line_hz + each.half_width_hz, name="mains")
        for each in report.state.mains
    ] + [
        Named(low_hz=each.hz - each.bandwidth_hz, high_hz=each.hz + each.bandwidth_hz, name="mains")
        for each in report.state.lines
    ]  # fmt: skip
    frequency = report.drive.omega / (2 * np.pi)
    for row in report.problem.timing.rows:
        near = frequency[max(0, int(row) - 1) : int(row) + _EVENT_ROWS + 1]
        lines.append(Named(low_hz=float(near.min()), high_hz=float(near.max()), name="event"))
    return lines


def audited_account(report: AccountReport, named: Sequence[Named] = ()) -> Identification:
    """Of an account with complex residues and misfit."""
    account = report.account
    return audited(
        report.identification(), report.curves(), report.printed_modes(), named, lambda peak: _why(account, peak)
    )


def _why(account: Account, peak: Peak) -> WhyUnexplained:
    """The objection to the pole of the account that is nearest to a peak, within its bandwidth."""
    poles = account.state.poles
    if not len(poles):
        return WhyUnexplained.NOTHING_FITS
    away = np.abs(poles.omega - 2 * np.pi * peak.frequency_hz) / poles.width
    nearest = int(np.argmin(away))
    if away[nearest] > 1.0:
        return WhyUnexplained.NOTHING_FITS
    return _REASONS.get(account.verdicts[nearest].reason, WhyUnexplained.NOTHING_FITS)
