"""A sensor that came loose: accused only where a moment in time shows it, against the level and the other channels.

Nothing is said of a log without time, or of one whose rows are states each of its own. A step that other channels take
as well, or that turns the phase, or falls from the crest of a resonance, is the structure's: a mode that depends on its
level jumps. Noise that grows along the sweep, or on several channels at once, is no sensor's fault. What lies between
two pieces of an interrupted sweep is no moment.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from reportgen.compute.seen import BLOCKS, Seen, bend, blocks, decibels
from reportgen.compute.sweep.pieces import pieces_of
from reportgen.records.log import Floats, SweepLog
from reportgen.records.message import Message, message
from reportgen.records.result import IssueKind, QualityIssue

DENSEST = 10_000
"""Rows, above which every n-th is taken: nothing is sudden from row to row of a denser log."""
LOOSE_STEP_DB = 2.0
STEP_ROWS = 2
STILL_ROWS = 5
STILL_SHARE = 0.2
STILL_DB = 0.7
LASTING_ROWS = 16
LASTING_SHARE = 0.75
"""A step of 2 dB within two rows in response and ratio together, between stretches of five rows that change by less
than a fifth of it and 0.7 dB from row to row, three quarters of which still separates the rows beyond. None of 2500
simulated structures of two to six modes (Q 5 to 300, any signs) shows one."""
SHARED = 0.25
"""Of a step in dB: a channel that takes as much at the same rows, sudden as it is, takes part in it."""
TURNED_DEG = 20.0
"""A jump of a resonance turns the phase, by up to 90° and more; a sensor that reads less by a lost contact does not."""
CREST_DB = 3.0
CREST_OCTAVES = 1.0
"""The larger side of a step lies on the crest of a resonance where it is 3 dB above the median of the octave that the
sweep shows on that side: a mode that jumped may have followed the drive for a third of one."""
NOISIER = 6.0
NOISY_DB = 1.0
"""Scatter that becomes six times as large and more than 1 dB, in proportion and in absolute terms, and stays so."""
AT_ONCE = 0.6
"""Share of that rise, in decibels, which has to come within two of thirty blocks; noise that grows takes the sweep."""
OTHERS_NOISIER = 2.5
"""Another channel, or the control, whose scatter rises as much there points at a cause that is no single sensor's."""
WHITE = 1.35
SETTLED = 5.0
"""Time constants: rows so far apart that even a mode as sharp as their spacing settles from one to the next (e⁻⁵, under
1 %) are states each of its own."""


@dataclass(frozen=True, slots=True)
class _Step:
    """A sudden lasting step of one channel between two rows of the log."""

    row: int
    stop: int
    db: float
    frequency_hz: float


def loose_sensors(log: SweepLog, channels: Sequence[Seen], control_level: Floats | None) -> Iterator[QualityIssue]:
    """Issues of the response ``channels`` of a log; ``control_level`` m/s² peak, shape (n,)."""
    if log.time_s is None or is_steady(log):
        return
    for seen in channels:
        others = [each for each in channels if each is not seen]
        issue = _stepped(log, seen, others) or _noisier(seen, others, control_level)
        if issue is not None:
            yield issue


def is_steady(log: SweepLog) -> bool:
    """Whether most rows of a log with time stand so far apart that each is a steady state by itself."""
    if log.time_s is None or len(log.time_s) < 2:
        return True
    spacing, seconds = np.abs(np.diff(log.frequency_hz)), np.diff(log.time_s)
    moved = spacing > 0
    # A mode of bandwidth Δf has the time constant 1/(πΔf).
    return bool(moved.any() and np.median(np.pi * spacing[moved] * seconds[moved]) >= SETTLED)


def _stepped(log: SweepLog, seen: Seen, others: Sequence[Seen]) -> QualityIssue | None:
    steps = [step for piece in pieces_of(log) for step in _steps_of(seen, piece.rows)]
    sensor = [step for step in steps if not _is_structure(seen, step, others)]
    if sensor:
        worst = max(sensor, key=lambda step: abs(step.db))
        step = message("quality.steps", channel=seen.trace.channel, step_db=worst.db, frequency_hz=worst.frequency_hz)
        return _loose(seen, step)
    if steps:
        worst = max(steps, key=lambda step: abs(step.db))
        return QualityIssue(
            kind=IssueKind.JUMP,
            message=message(
                "quality.mode-jumps", channel=seen.trace.channel, step_db=worst.db, frequency_hz=worst.frequency_hz
            ),
            channel=seen.trace.channel,
            band_hz=(worst.frequency_hz, worst.frequency_hz),
        )
    return None


def _steps_of(seen: Seen, piece: slice) -> Iterator[_Step]:
    """Lasting steps within one piece that response and ratio show alike."""
    thin = max(1, (piece.stop - piece.start) // DENSEST)
    rows = np.arange(piece.start, piece.stop, thin)
    amplitude_db, ratio_db = seen.amplitude_db[rows], seen.ratio_db[rows]
    known = np.flatnonzero(np.isfinite(amplitude_db) & np.isfinite(ratio_db))
    ratio_step, own_step = _steps(ratio_db[known]), _steps(amplitude_db[known])
    both = (ratio_step * own_step > 0) & (np.abs(own_step - ratio_step) < 0.4 * np.abs(ratio_step))
    for k in np.flatnonzero(both):
        row, stop = int(rows[known[k]]), int(rows[known[k + STEP_ROWS]])
        yield _Step(row, stop, float(ratio_step[k]), float(seen.frequency_hz[row]))


def _steps(y: Floats) -> Floats:
    """Step in dB that begins at each row, 0 where there is none; shape (n,) of rows without gaps."""
    n, reach = len(y), STEP_ROWS + STILL_ROWS
    found = np.zeros(n)
    if n < 2 * reach + 2:
        return found
    beside = np.lib.stride_tricks.sliding_window_view(np.abs(np.diff(y)), STILL_ROWS).max(axis=1)
    first = np.arange(STILL_ROWS, n - reach)
    step = y[first + STEP_ROWS] - y[first]
    still = np.maximum(beside[first - STILL_ROWS], beside[first + STEP_ROWS])
    sudden = (np.abs(step) >= LOOSE_STEP_DB) & (still <= np.minimum(STILL_DB, STILL_SHARE * np.abs(step)))
    for row, size in zip(first[sudden], step[sudden], strict=True):
        end = row + STEP_ROWS
        apart = float(np.median(y[end + 2 : end + LASTING_ROWS]) - np.median(y[max(0, row - LASTING_ROWS) : row - 1]))
        if min(apart / size, _apart_at(y, row, end) / size) >= LASTING_SHARE:
            found[row] = size
    return found


def _apart_at(y: Floats, row: int, end: int) -> float:
    """What separates the courses before and after a step where it is, each followed there by a straight line.

    A small pole and zero on the flank of a resonance leave next to nothing of it, though the flank itself rises on.
    """
    before, after = np.arange(max(0, row - LASTING_ROWS), row - 1), np.arange(end + 2, min(len(y), end + LASTING_ROWS))
    middle = 0.5 * (row + end)
    sides = [np.polynomial.Polynomial.fit(rows - middle, y[rows], 1)(0.0) for rows in (before, after) if len(rows) > 2]
    return float(sides[1] - sides[0]) if len(sides) == 2 else 0.0


def _is_structure(seen: Seen, step: _Step, others: Sequence[Seen]) -> bool:
    if any(_takes_part(other, step) for other in others):
        return True
    turned = _turned_deg(seen, step)
    if turned is not None:
        return turned > TURNED_DEG
    return _on_crest(seen, step)


def _takes_part(other: Seen, step: _Step) -> bool:
    """Whether another channel steps at the same rows, more suddenly than it moves beside them."""
    y = other.ratio_db[max(0, step.row - STILL_ROWS) : step.stop + STILL_ROWS + 1]
    own = abs(float(other.ratio_db[step.stop] - other.ratio_db[step.row]))
    at = min(STILL_ROWS, step.row)
    beside = np.abs(np.diff(np.concatenate([y[: at + 1], y[at + step.stop - step.row :]])))
    beside = np.delete(beside, at) if at < len(beside) else beside
    usual = float(np.nanmax(beside)) if np.isfinite(beside).any() else 0.0
    return bool(own >= SHARED * abs(step.db) and own > 2.0 * usual)


def _turned_deg(seen: Seen, step: _Step) -> float | None:
    """By how much the phase is turned after a step, degrees; None without phase."""
    phase = seen.trace.phase_deg
    if phase is None:
        return None
    turn = np.exp(1j * np.deg2rad(phase))
    sides = [turn[max(0, step.row - STILL_ROWS) : step.row + 1], turn[step.stop : step.stop + STILL_ROWS + 1]]
    known = [side[np.isfinite(side)] for side in sides]
    if not all(side.size for side in known):
        return None
    # The phase that was turning already goes on turning by as much over the rows of the step.
    drift = [float(np.angle(side[-1] / side[0])) / max(1, len(side) - 1) for side in known]
    across = float(np.angle(known[1][0] / known[0][-1])) - float(np.mean(drift)) * (step.stop - step.row)
    return abs(float(np.rad2deg(np.angle(np.exp(1j * across)))))


def _on_crest(seen: Seen, step: _Step) -> bool:
    f = seen.frequency_hz
    near = np.abs(np.log2(f / step.frequency_hz)) <= CREST_OCTAVES
    row = step.row if step.db < 0 else step.stop
    side = np.arange(len(f)) <= step.row if step.db < 0 else np.arange(len(f)) >= step.stop
    course = seen.ratio_db[near & side]
    known = course[np.isfinite(course)]
    return bool(known.size and seen.ratio_db[row] > float(np.median(known)) + CREST_DB)


def _loose(seen: Seen, what: Message) -> QualityIssue:
    return QualityIssue(kind=IssueKind.LOOSE_SENSOR, message=what, channel=seen.trace.channel, spoils=True)


def _noisier(seen: Seen, others: Sequence[Seen], control_level: Floats | None) -> QualityIssue | None:
    """Scatter that rises suddenly and stays, in proportion and in absolute terms, on this channel alone."""
    found = blocks(seen)
    if found is None:
        return None
    f, relative, absolute = found
    for k in range(5, len(f) - 5):
        quiet, noisy = relative[:k], relative[k:]
        before, after = float(np.median(quiet)), float(np.median(noisy))
        if after < NOISY_DB or after < NOISIER * before or np.median(absolute[k:]) < NOISIER * np.median(absolute[:k]):
            continue
        dies_away = float(np.median(noisy[-2:])) < 0.7 * after  # the ringing after a fast passage does
        apart = float(np.percentile(noisy, 20)) > 2.0 * float(np.percentile(quiet, 90))
        if not apart or dies_away or not _is_white(seen, k / len(f)):
            continue
        start = int(np.flatnonzero(relative < np.sqrt(max(before, 1e-6) * after))[-1]) + 1
        if _at_once(relative, start, before, after) and not _others_too(start, others, control_level):
            noisy_from = float(f[min(start, len(f) - 1)])
            return _loose(seen, _scatters(seen.trace.channel, noisy_from, before, after))
    return None


def _scatters(channel: str, from_hz: float, before_db: float, after_db: float) -> Message:
    return message("quality.scatters", channel=channel, from_hz=from_hz, before_db=before_db, after_db=after_db)


def _at_once(relative: Floats, start: int, before: float, after: float) -> bool:
    """Whether most of a rise, in decibels, lies between the blocks right before and right after it."""
    near = relative[max(0, start - 3) : start - 1], relative[start + 1 : start + 3]
    if not all(side.size for side in near):
        return False
    rise = np.log(max(float(np.median(near[1])), 1e-9) / max(float(np.median(near[0])), 1e-9))
    return bool(rise >= AT_ONCE * np.log(after / max(before, 1e-9)))


def _others_too(start: int, others: Sequence[Seen], control_level: Floats | None) -> bool:
    scatters = [found[1] for found in map(blocks, others) if found is not None]
    if control_level is not None:
        course = decibels(control_level)
        own = bend(course[np.isfinite(course)])
        if len(own) >= BLOCKS:
            scatters.append(np.array([float(np.median(part)) for part in np.array_split(own, BLOCKS)]))
    return any(
        float(np.median(each[start : start + 5])) > OTHERS_NOISIER * float(np.median(each[max(0, start - 5) : start]))
        and float(np.median(each[start:])) > 0.5 * NOISY_DB
        for each in scatters
        if 0 < start < len(each)
    )


def _is_white(seen: Seen, from_share: float) -> bool:
    """Whether rows from a share of the log on scatter independently, which the ringing after a passage does not.

    Second over first differences are √3 for independent rows and 2 sin(ω/2) for an oscillation of ω per row.
    """
    y = seen.ratio_db[np.isfinite(seen.ratio_db)]
    y = y[int(from_share * len(y)) :]
    first, second = np.median(np.abs(np.diff(y))), np.median(np.abs(np.diff(y, 2)))
    return bool(second > WHITE * first)
