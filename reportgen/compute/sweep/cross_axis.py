"""Cross axis: motion across the axis of a run over its control, as large as it gets."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from reportgen.compute.sweep.control import bands_of
from reportgen.records.job import RunPlan
from reportgen.records.message import message
from reportgen.records.result import CrossAxis, RunResult


def with_cross_axis(run: RunPlan, result: RunResult) -> RunResult:
    """The run with the ratio of each of its cross channels to the control; a limit is judged where the job states one.

    IEC 60068-2-6 holds transverse motion at check points to 50 % of the specified amplitude up to 500 Hz and to 100 %
    above (from memory: verify); what applies is the job's to say.
    """
    return replace(result, cross=tuple(_ratio(run, result, name) for name in run.cross))


def _ratio(run: RunPlan, result: RunResult, name: str) -> CrossAxis:
    limit = None if run.cross_axis is None else run.cross_axis.si
    channel = next((each for each in result.channels if each.id == name), None)
    if channel is None:
        return CrossAxis(channel=name, limit=limit, reason=message("cross.not-logged", channel=name, run=run.id))
    if not channel.pure_ratio:
        return CrossAxis(channel=name, limit=limit, reason=message("cross.other-quantity", channel=name))
    references = result.control.channels if result.control is not None else ()
    spoilt = [each for each in result.quality if each.spoils and each.channel in (None, name, *references)]
    if spoilt:
        why = tuple(each.message for each in spoilt)
        return CrossAxis(channel=name, limit=limit, reason=message("cross.no-evidence", channel=name, why=why))
    known = np.isfinite(channel.magnitude)
    if not known.any():
        return CrossAxis(channel=name, limit=limit, reason=message("cross.not-logged", channel=name, run=run.id))
    f, ratio = channel.frequency_hz[known], channel.magnitude[known]
    worst = int(np.argmax(ratio))
    return CrossAxis(
        channel=name, ratio=float(ratio[worst]), at_hz=float(f[worst]), limit=limit,
        outside_bands=() if limit is None else tuple(bands_of(ratio > limit, f)),
    )  # fmt: skip
