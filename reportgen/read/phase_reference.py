"""Phases relative to the control, also where a log gives them relative to the drive."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from reportgen.records.finding import Finding, note, warning
from reportgen.records.log import SweepLog, Trace
from reportgen.records.message import Place, message

_STANDS_STILL_DEG = 1.0
"""A control whose own phase stays within this is the reference already."""


def relative_to_control(log: SweepLog, control: Sequence[str]) -> tuple[SweepLog, tuple[Finding, ...]]:
    """The log with every phase relative to its control.

    A control has no phase against itself. Where the log gives it one, all its phases are relative to another signal
    (mostly the drive), and the difference is what is wanted. With several controls there is no single one to subtract:
    their phases are left, and a warning says so.
    """
    place = Place(log.path, int(log.row_line[0]) if log.row_line is not None and len(log.row_line) else 1)
    moving = [trace for trace in log.traces if trace.channel in control and _moves(trace)]
    if not moving:
        return log, ()
    names = tuple(trace.channel for trace in moving)
    if len([trace for trace in log.traces if trace.channel in control]) > 1:
        return log, (warning(place, message("phase.several-controls", channels=names)),)
    reference = moving[0].phase_deg
    assert reference is not None
    traces = tuple(_turned(trace, reference) for trace in log.traces)
    return replace(log, traces=traces), (note(place, message("phase.subtracted", channels=names)),)


def _moves(trace: Trace) -> bool:
    if trace.phase_deg is None or not np.isfinite(trace.phase_deg).any():
        return False
    off = np.abs(np.remainder(trace.phase_deg + 180.0, 360.0) - 180.0)
    return float(np.nanmedian(off)) > _STANDS_STILL_DEG


def _turned(trace: Trace, reference: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> Trace:
    if trace.phase_deg is None:
        return trace
    return replace(trace, phase_deg=np.remainder(trace.phase_deg - reference + 180.0, 360.0) - 180.0)
