"""Cross axis: motion across the axis of a run over its control, as large as it gets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from reportgen.compute.sweep.control import bands_of
from reportgen.records.job import RatioBand, RunPlan
from reportgen.records.log import Floats
from reportgen.records.message import message
from reportgen.records.result import CrossAxis, RunResult


def with_cross_axis(run: RunPlan, result: RunResult) -> RunResult:
    """The run with the ratio of each of its cross channels to the control; a limit is judged where the job states one.

    IEC 60068-2-6 holds transverse motion at check points to 50 % of the specified amplitude up to 500 Hz and to 100 %
    above (from memory: verify); what applies is the job's to say.
    """
    return replace(result, cross=tuple(_ratio(run, result, name) for name in run.cross))


def _ratio(run: RunPlan, result: RunResult, name: str) -> CrossAxis:
    one = run.cross_axis[0].limit if len(run.cross_axis) == 1 else None
    channel = next((each for each in result.channels if each.id == name), None)
    if channel is None:
        return CrossAxis(channel=name, limit=one, reason=message("cross.not-logged", channel=name, run=run.id))
    if not channel.pure_ratio:
        return CrossAxis(channel=name, limit=one, reason=message("cross.other-quantity", channel=name))
    references = result.control.channels if result.control is not None else ()
    spoilt = [each for each in result.quality if each.spoils and each.channel in (None, name, *references)]
    if spoilt:
        why = tuple(each.message for each in spoilt)
        return CrossAxis(channel=name, limit=one, reason=message("cross.no-evidence", channel=name, why=why))
    known = np.isfinite(channel.magnitude)
    if not known.any():
        return CrossAxis(channel=name, limit=one, reason=message("cross.not-logged", channel=name, run=run.id))
    f = channel.frequency_hz[known]
    found = _largest(name, f, channel.magnitude[known], run.cross_axis)
    missed = [each for each in run.cross_axis if not np.any((f >= each.from_hz) & (f <= each.to_hz))]
    if not missed:
        return found
    low, high = missed[0].from_hz, missed[0].to_hz
    return replace(found, reason=message("cross.not-reached", channel=name, run=run.id, low_hz=low, high_hz=high))


def _largest(name: str, f: Floats, ratio: Floats, bands: Sequence[RatioBand]) -> CrossAxis:
    """The largest ratio; where it is limited, that which uses most of its limit. Shapes (n,)."""
    limit = _limits(f, bands)
    use = ratio / limit
    worst = int(np.nanargmax(use)) if np.isfinite(use).any() else int(np.argmax(ratio))
    return CrossAxis(
        channel=name, ratio=float(ratio[worst]), at_hz=float(f[worst]),
        limit=float(limit[worst]) if np.isfinite(limit[worst]) else None,
        outside_bands=tuple(bands_of(use > 1.0, f)),
    )  # fmt: skip


def _limits(f: Floats, bands: Sequence[RatioBand]) -> Floats:
    """The limit at each frequency, NaN where there is none; where two bands meet, the smaller one. Shape (n,)."""
    limit = np.full(f.shape, np.nan)
    for band in bands:
        inside = (f >= band.from_hz) & (f <= band.to_hz)
        limit[inside] = np.fmin(limit[inside], band.limit)
    return limit
