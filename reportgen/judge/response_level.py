"""The highest level of a response, or the highest reading of a temperature or humidity, as recorded."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from reportgen.judge.case import Case, Item, Reading
from reportgen.judge.decision_rule import Tolerance
from reportgen.judge.frequency_range import DEFAULT_LIMIT
from reportgen.records.check import Check
from reportgen.records.holes import WIDE_STEPS, holes, inside_any
from reportgen.records.job import RunKind
from reportgen.records.log import Floats
from reportgen.records.message import message
from reportgen.records.result import ChannelResult, Quotient, RunResult
from reportgen.records.verdict import ProvedBy
from reportgen.units import CONDITIONS, DIFFERENTIATIONS, Detector, Dimension, Quantity, parse_unit

SINUSOIDS = (*DIFFERENTIATIONS, "force", "strain", "voltage")
"""Quantities of which a channel has a level, peak, row by row; a motion is taken as any other motion as well."""


def response_level(case: Case) -> None:
    """Items: the highest level of every response in scope, peak, as the log has it: what the specimen really saw.

    A limit on force, strain or voltage is one on channels that measured it, one on a temperature or humidity holds for
    the channel it names. A band of the requirement that the run did not travel is a gap, and so are rows or readings
    that are missing in it.
    """
    limit = case.limit(*SINUSOIDS, *CONDITIONS)
    run = case.run(case.requirement.run)
    if limit is None or run is None:
        return
    case.weigh_holes(run)
    case.weigh_travelled(run)
    if limit.dimension in CONDITIONS:
        _lay_condition(case, run, limit)
        return
    for channel in _channels(case, run, limit.dimension):
        _lay_channel(case, run, channel, limit)


def _channels(case: Case, run: RunResult, dimension: Dimension) -> list[ChannelResult]:
    """Channels in scope: all responses where a motion is limited, else those that measured the quantity."""
    if dimension in DIFFERENTIATIONS or case.requirement.channel is not None:
        return case.responses(run)
    sound, lost = case.sound_and_lost(run)
    measured = {each.id: each.dimension for each in run.channels}
    for name, why in lost:
        if measured.get(name, dimension) == dimension:
            case.gap(why)
    found = [each for each in sound if each.dimension == dimension]
    if not found and not case.gaps:
        case.gap(message("judge.no-channel-of", run=run.id, quantity=dimension))
    return found


def _lay_condition(case: Case, run: RunResult, limit: Quantity) -> None:
    """The highest reading of a temperature or humidity; the room's goes by the name of its quantity."""
    wanted, quantity = case.requirement.channel, limit.dimension
    if wanted is None:
        case.gap(message("judge.condition-without-channel", quantity=quantity, key=str(quantity)))
        return
    of_room = wanted.strip().casefold() == quantity
    logged = [each for each in run.conditions if each.dimension == quantity]
    found = next((each for each in logged if (each.ambient if of_room else each.channel == wanted)), None)
    if found is None:
        case.gap(message("judge.condition-not-logged", channel=wanted, run=run.id, quantity=quantity))
        return
    unit = parse_unit(found.unit)
    si = found.values * unit.factor + unit.offset
    levels = (si - limit.unit.offset) / limit.unit.factor
    used = ~inside_any(_excluded_hz(case, run, found.channel), found.frequency_hz)
    _lay_highest(case, run, found.channel, limit, (levels, np.isfinite(levels) & used, found.frequency_hz))


def _weigh_unread(case: Case, run: RunResult, channel: str, rows_hz: Floats, read_hz: Floats) -> None:
    """A band of rows in which the channel has no reading may hide the highest level.

    ``rows_hz`` and ``read_hz`` are the frequencies of all rows and of its readings, shapes (n,) and (m,).
    """
    low, high = case.requirement.band_hz or (0.0, math.inf)
    excluded = _excluded_hz(case, run, channel)
    for a, b in _unread(rows_hz, read_hz):
        if a < high and low < b and not _is_excluded(excluded, (a, b)):
            case.gap(message("judge.channel-unread", channel=channel, run=run.id, low_hz=a, high_hz=b))


def _weigh_silence(case: Case, run: RunResult, channel: str, read: NDArray[np.bool_], rows_hz: Floats) -> None:
    """The same in the order of the rows: a dwell stays at one frequency, and a way back passes bands again.

    ``read``: which rows have a reading, ``rows_hz`` their frequencies, shapes (n,). A channel may be read in fewer rows
    than others, evenly; a silence of a share of the rows as little as ends of a band may miss is none.
    """
    rows = np.flatnonzero(read)
    ends = np.concatenate([[-1], rows, [len(read)]])
    usual = float(np.median(np.diff(rows))) if len(rows) > 1 else 1.0
    most = max(WIDE_STEPS * usual, DEFAULT_LIMIT * len(read))
    excluded = _excluded_hz(case, run, channel)
    for before, after in pairwise(ends):
        own = rows_hz[before + 1 : after]
        own = own[np.array([case.in_band(f) for f in own], dtype=bool)]
        if after - before > most and len(own) and not inside_any(excluded, own).any():
            low, high = float(own.min()), float(own.max())
            case.gap(message("judge.channel-silent", channel=channel, run=run.id, rows=len(own), low_hz=low,
                             high_hz=high))  # fmt: skip


def _excluded_hz(case: Case, run: RunResult, channel: str) -> list[tuple[float, float]]:
    """Bands in which the engineer does not use a channel, or a condition beside it."""
    return [each.band_hz for each in case.job.excluded_on(run.id) if each.concerns(channel)]


def _is_excluded(excluded_hz: Sequence[tuple[float, float]], band: tuple[float, float]) -> bool:
    """Whether a band without reading is one that the engineer does not use, from row to row."""
    return any(band[0] <= high and low <= band[1] for low, high in excluded_hz)


def _unread(rows_hz: Floats, read_hz: Floats) -> list[tuple[float, float]]:
    """Bands, Hz, without reading where there are rows: at the ends by more than 1 %, between as rows are missing."""
    first, last = (
        sorted((float(rows_hz.min()), float(read_hz.min()))),
        sorted((float(read_hz.max()), float(rows_hz.max()))),
    )
    ends = [(low, high) for low, high in (first, last) if high > low * (1.0 + DEFAULT_LIMIT)]
    without_rows = holes(rows_hz)
    return ends + [each for each in holes(read_hz) if each not in without_rows]


def _lay_channel(case: Case, run: RunResult, channel: ChannelResult, limit: Quantity) -> None:
    levels = _level(run, channel, limit.dimension)
    if levels is None:
        what = message("judge.other-quantity", channel=channel.id, run=run.id, found=Dimension(channel.dimension),
                       limit=limit.text)  # fmt: skip
        case.gap(what)
        return
    in_unit = levels / (limit.unit.factor * (limit.unit.detector or Detector.PEAK).to_peak)
    _lay_highest(
        case,
        run,
        channel.id,
        limit,
        (in_unit, np.isfinite(levels) & (levels > 0.0) & channel.used, channel.frequency_hz),
    )


def _lay_highest(
    case: Case, run: RunResult, channel: str, limit: Quantity, rows: tuple[Floats, NDArray[np.bool_], Floats]
) -> None:
    """The highest of the levels in the limit's unit; ``rows``: levels, which are readings, frequencies, shapes (n,)."""
    levels, read, rows_hz = rows
    level, read_hz = levels[read], rows_hz[read]
    inside = np.array([case.in_band(f) for f in read_hz], dtype=bool)
    if not inside.any():
        case.gap(message("judge.channel-without-reading", channel=channel, run=run.id))
        return
    _weigh_unread(case, run, channel, rows_hz, read_hz)
    _weigh_silence(case, run, channel, read, rows_hz)
    row = int(np.argmax(np.where(inside, level, -np.inf)))
    measured, at_hz = float(level[row]), float(read_hz[row])
    relative = limit.dimension not in CONDITIONS
    reading = Reading(
        measured=measured,
        std=_std(case, channel, measured, _between_rows(level, row)) if relative else None,
        tolerance=Tolerance(high=limit.value),
        unit=limit.unit.symbol,
    )
    what = message("judge.highest-level", channel=channel, run=run.id, frequency_hz=at_hz)
    if not relative:
        what = message("judge.highest-reading", channel=channel, run=run.id, frequency_hz=at_hz)
    said = message("judge.highest-level-is", what=what, held=reading.against())
    case.items.append(Item(text=what, said=said, reading=reading, run=run.id, channel=channel, frequency_hz=at_hz))


def _level(run: RunResult, channel: ChannelResult, dimension: str) -> Floats | None:
    """Response as recorded, peak, SI of ``dimension``, shape (n,); None where the channel measured something else.

    The curves hold a motion over the reference as an acceleration; the reference is multiplied out again.
    """
    control = run.control
    if control is None:
        return None
    if dimension not in DIFFERENTIATIONS:
        return np.asarray(channel.magnitude * control.level) if channel.dimension == dimension else None
    if channel.quotient is Quotient.OTHER:
        return None
    if channel.quotient is Quotient.RATIO and control.dimension == "force":
        return None
    omega = 2.0 * np.pi * channel.frequency_hz
    return np.asarray(channel.magnitude * control.level / omega ** DIFFERENTIATIONS[dimension])


def _between_rows(level: Floats, row: int) -> float:
    """How much higher the top of a parabola through a row and its neighbours stands: a peak falls between rows.

    0 where a neighbour is higher: there is no top, a band ends on a flank.
    """
    if not 0 < row < len(level) - 1:
        return 0.0
    below, top, above = (float(each) for each in level[row - 1 : row + 2])
    bend = below - 2.0 * top + above
    return -((above - below) ** 2) / (8.0 * bend) if bend < 0.0 and max(below, above) <= top else 0.0


def _std(case: Case, channel: str, measured: float, between_rows: float) -> float | None:
    """Calibration of the channel's instrument, and the peak between rows as a half width (JCGM 100:2008, 4.3.7)."""
    named = case.job.channel(channel)
    instrument = case.job.instrument(named.instrument if named else None)
    relative = instrument.relative_standard_uncertainty if instrument else None
    return None if relative is None else math.hypot(relative * measured, between_rows / math.sqrt(3.0))


RESPONSE_LEVEL = Check(
    name="response level",
    needs=(("run", "axis", "kind"), ("limit",)),
    limit_dimensions=(*SINUSOIDS, *CONDITIONS),
    limit_example="40 g",
    limit_in_percent=False,
    narrowed_by=("channel", "band"),
    run_kinds=(RunKind.SURVEY, RunKind.SWEEP, RunKind.DWELL),
    proved_by=ProvedBy.RESPONSE_LEVEL,
    compares=message("check.response-level"),
    function=response_level,
)
