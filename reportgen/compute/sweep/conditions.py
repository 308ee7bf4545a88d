"""Temperatures and humidities of a run, in the units in which they are told."""

from __future__ import annotations

import numpy as np

from reportgen.records.log import LoggedCondition, SweepLog
from reportgen.records.result import RunCondition
from reportgen.units import parse_unit

TOLD_IN = {"temperature": "°C", "humidity": "% rh"}
"""Unit of each dimension as reports have it."""


def run_conditions(log: SweepLog) -> tuple[RunCondition, ...]:
    """What a log holds beside its rows, without columns that have no reading at all."""
    return tuple(_told(each, log) for each in log.conditions if np.isfinite(each.values).any())


def _told(logged: LoggedCondition, log: SweepLog) -> RunCondition:
    unit = parse_unit(TOLD_IN[logged.dimension])
    values = np.asarray((logged.values - unit.offset) / unit.factor)
    return RunCondition(
        channel=logged.channel,
        dimension=logged.dimension,
        unit=unit.symbol,
        lowest=float(np.nanmin(values)),
        highest=float(np.nanmax(values)),
        frequency_hz=log.frequency_hz,
        values=values,
        ambient=logged.ambient,
    )
