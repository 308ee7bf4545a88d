"""Control against profile within tolerance, and every notch against its own limit."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from reportgen.errors import UnitError
from reportgen.judge.case import Case, Item, Reading, Side
from reportgen.judge.decision_rule import Tolerance
from reportgen.records.check import Check, JobEvidence
from reportgen.records.job import Profile, RunKind, ToleranceBand
from reportgen.records.log import Floats
from reportgen.records.message import Message, message
from reportgen.records.note import LevelChanged
from reportgen.records.result import ControlResult, NotchResult, NotJudgedCause, RunResult
from reportgen.records.stretch import Direction
from reportgen.records.verdict import ProvedBy
from reportgen.units import Detector, Quantity, parse_quantity

DB_PER_RELATIVE = 20.0 / math.log(10.0)
"""Standard uncertainty in dB of a small relative one: 8.686 dB."""
END_SHARE = 0.01
"""The judged rows have to reach the profile's ends within 1 %, the contract's default for the range of a sweep."""
NOTED_WITHIN_DB = 1.0
"""A level turned by hand is noted in whole decibels."""
GAP_SHARE = 0.01
GAP_FACTOR = 4.0
"""Rows are missing where neighbours are over 1 % and over four of the usual steps apart."""


def control_tolerance(case: Case) -> None:
    """Items: highest and lowest deviation of the control, and the highest level in every notch."""
    case.side = Side.WITHIN
    run = case.run(case.requirement.run)
    if run is None:
        return
    plan = case.plan(run)
    control, profile = run.control, case.job.profile(plan.profile if plan else None)
    if control is None or control.deviation_db is None or control.required is None or profile is None:
        why = (control.reason if control is not None else None) or message("judge.none")
        case.gap(message("judge.control-without-profile", run=run.id, why=why))
        return
    _weigh_control(case, run, control)
    std = _relative_std(case, control)
    if std is None:
        case.remark(message("judge.control-uncertainty-unstated"))
    low, high = _limits_db(case, control, profile)
    _lay_deviations(case, run, profile, control, (low, high), std)
    if run.sweep is None or run.sweep.direction is not Direction.HOLD:
        _lay_gaps(case, control, profile)
    for planned in profile.notches:
        if not _meets(case, (planned.from_hz, planned.to_hz)):
            continue
        judged = [each for each in control.notches if (each.channel, each.text) == (planned.channel, planned.text)]
        for notch in judged:
            _lay_notch(case, run, profile, notch)
        if not judged:
            case.gap(message("judge.notch-not-held", limit=planned.text, channel=planned.channel))
    _remark_bands(case, control)
    _remark_level_steps(case, run)


def _weigh_control(case: Case, run: RunResult, control: ControlResult) -> None:
    """Whether the control carries evidence, and all of a band that is asked for; gaps in the profile come later."""
    for channel in control.channels:
        case.weigh_channel(run, channel)
    if case.requirement.band_hz is not None:
        case.weigh_travelled(run)


def _relative_std(case: Case, control: ControlResult) -> float | None:
    """Relative standard uncertainty of the control level: the largest of its channels, taken as fully correlated."""
    stds = []
    for name in control.channels:
        channel = case.job.channel(name)
        instrument = case.job.instrument(channel.instrument if channel else None)
        stds.append(instrument.relative_standard_uncertainty if instrument else None)
    known = [each for each in stds if each is not None]
    return max(known) if known and len(known) == len(stds) else None


def _limits_db(case: Case, control: ControlResult, profile: Profile) -> tuple[Floats | None, Floats | None]:
    """Limits of the deviation, dB, row by row: the requirement's own limit, else the profile's tolerance.

    An agreed notch holds under either: inside it there is no lower limit (NaN), the notched channel has its own.
    """
    assert control.required is not None
    shape = control.required.shape
    limit = case.requirement.limit
    if limit is not None:
        if case.limit("ratio", "level") is None:
            return None, None
        lower_db, upper_db = _band_of(limit)
        return np.where(_notched(profile, control.frequency_hz), np.nan, lower_db), np.full(shape, upper_db)
    if control.lower is None or control.upper is None:
        case.gap(message("judge.no-tolerance"))
        return None, None
    with np.errstate(divide="ignore", invalid="ignore"):
        return 20.0 * np.log10(control.lower / control.required), 20.0 * np.log10(control.upper / control.required)


def _notched(profile: Profile, f: Floats) -> NDArray[np.bool_]:
    """Rows inside an agreed notch, its edges included; shape of ``f``."""
    inside = np.zeros(f.shape, dtype=bool)
    for notch in profile.notches:
        inside |= (f >= notch.from_hz) & (f <= notch.to_hz)
    return inside


def _band_of(limit: Quantity) -> tuple[float, float]:
    if limit.dimension == "level":
        return -limit.si, limit.si
    return 20.0 * math.log10(max(1.0 - limit.si, 1e-6)), 20.0 * math.log10(1.0 + limit.si)


def _lay_deviations(
    case: Case,
    run: RunResult,
    profile: Profile,
    control: ControlResult,
    limits: tuple[Floats | None, Floats | None],
    std: float | None,
) -> None:
    low, high = limits
    deviation = control.deviation_db
    if low is None or high is None or deviation is None:
        return
    judged = np.isfinite(deviation) & np.array([case.in_band(f) for f in control.frequency_hz])
    for limit, sign in ((high, 1.0), (low, -1.0)):
        held = judged & np.isfinite(limit)
        if not held.any():
            continue
        row = int(np.argmax(np.where(held, sign * (deviation - limit), -np.inf)))
        case.items.append(_deviation_item(case, run, profile, control, row, (float(low[row]), float(high[row])), std))
    if not (judged & (np.isfinite(low) | np.isfinite(high))).any():
        case.gap(message("judge.control-outside-tolerance-range"))


def _deviation_item(
    case: Case,
    run: RunResult,
    profile: Profile,
    control: ControlResult,
    row: int,
    limits_db: tuple[float, float],
    std: float | None,
) -> Item:
    """The worst row, in % where the tolerance was written in %, else in dB."""
    assert control.deviation_db is not None
    f, deviation = float(control.frequency_hz[row]), float(control.deviation_db[row])
    low, high = (each if math.isfinite(each) else None for each in limits_db)
    std_db = None if std is None else DB_PER_RELATIVE * std
    percent = _in_percent(case, profile, f)
    reading = Reading(
        measured=_percent(deviation) if percent else deviation,
        std=100.0 * std * 10.0 ** (deviation / 20.0) if percent and std is not None else std_db,
        tolerance=Tolerance(
            low=None if low is None else _as_stated(_percent(low) if percent else low),
            high=None if high is None else _as_stated(_percent(high) if percent else high),
        ),
        unit="%" if percent else "dB",
    )
    return Item(
        text=message("judge.control-deviation", run=run.id, frequency_hz=f),
        said=message("judge.control-deviates", run=run.id, frequency_hz=f, held=reading.against()),
        reading=reading,
        run=run.id,
        frequency_hz=f,
    )


def _as_stated(limit: float) -> float:
    """A limit that went through decibels and back, freed of what arithmetic added: 10, not 10.000000000000009."""
    return round(limit, 9)


def _percent(db: float) -> float:
    return 100.0 * (math.pow(10.0, db / 20.0) - 1.0)


def _in_percent(case: Case, profile: Profile, f: float) -> bool:
    limit = case.requirement.limit
    if limit is not None:
        return limit.dimension == "ratio"
    band: ToleranceBand | None = next((b for b in profile.tolerance if b.from_hz <= f <= b.to_hz), None)
    return band is not None and "%" in band.text


def _lay_gaps(case: Case, control: ControlResult, profile: Profile) -> None:
    """No judged rows where the profile (or the requirement's band) has them: no evidence there."""
    assert control.deviation_db is not None
    low, high = profile.breakpoints[0].frequency_hz, profile.breakpoints[-1].frequency_hz
    if case.requirement.band_hz is not None:
        low, high = max(low, case.requirement.band_hz[0]), min(high, case.requirement.band_hz[1])
    excused = [each.band_hz for each in control.not_judged_bands if each.cause is NotJudgedCause.JUMP]
    f = np.unique(control.frequency_hz[np.isfinite(control.deviation_db)])
    f = f[(f >= low) & (f <= high)]
    if f.size == 0:
        case.gap(message("judge.control-not-judged", low_hz=low, high_hz=high))
        return
    if f[0] > low * (1 + END_SHARE) and not _excused(low, float(f[0]), excused):
        case.gap(message("judge.control-not-recorded-before", low_hz=low, high_hz=float(f[0])))
    if f[-1] < high * (1 - END_SHARE) and not _excused(float(f[-1]), high, excused):
        case.gap(message("judge.control-not-recorded-after", low_hz=float(f[-1]), high_hz=high))
    for a, b in _missing(f):
        if not _excused(a, b, excused):
            case.gap(message("judge.control-hole", low_hz=a, high_hz=b))


def _remark_level_steps(case: Case, run: RunResult) -> None:
    """Changes of level that the log shows, with the operator's note of them where there is one."""
    for frequency, step in run.sweep.level_steps if run.sweep is not None else ():
        noted = [
            note.where
            for note in case.notes
            for fact in note.facts
            if isinstance(fact, LevelChanged) and note.run in (None, run.id) and _tells(fact, step)
        ]
        if noted:
            case.remark(message("judge.level-changed-noted", by_db=step, frequency_hz=frequency, where=noted[0]))
        else:
            case.remark(message("judge.level-changed", by_db=step, frequency_hz=frequency))


def _tells(fact: LevelChanged, step_db: float) -> bool:
    return fact.by_db is not None and abs(fact.by_db - step_db) <= NOTED_WITHIN_DB


def _meets(case: Case, band: tuple[float, float]) -> bool:
    wanted = case.requirement.band_hz
    return wanted is None or (band[1] >= wanted[0] and band[0] <= wanted[1])


def _listed(bands: tuple[tuple[float, float], ...], most: int = 4) -> Message:
    said = tuple(message("judge.band", low_hz=low, high_hz=high) for low, high in bands[:most])
    if len(bands) <= most:
        return message("judge.bands", bands=said)
    return message("judge.bands-and-more", bands=said, more=len(bands) - most)


def _missing(f: Floats) -> list[tuple[float, float]]:
    """Gaps between neighbouring frequencies, shape (n,) rising, against the usual step around them."""
    step = np.diff(np.log(f))
    if step.size < 8:
        return [(float(f[i]), float(f[i + 1])) for i in np.flatnonzero(step > 0.1)]
    around = 16
    padded = np.pad(step, around, mode="edge")
    usual = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * around + 1), axis=1)
    rows: NDArray[np.intp] = np.flatnonzero((step > GAP_SHARE) & (step > GAP_FACTOR * usual))
    return [(float(f[i]), float(f[i + 1])) for i in rows]


def _excused(a: float, b: float, bands: list[tuple[float, float]]) -> bool:
    return any(low <= b * (1 + 1e-9) and high >= a * (1 - 1e-9) for low, high in bands)


def _lay_notch(case: Case, run: RunResult, profile: Profile, notch: NotchResult) -> None:
    """The notched channel against its own limit, in the unit of its dimension."""
    if not case.weigh_channel(run, notch.channel):
        return
    if notch.highest is None:
        why = notch.reason or message("judge.no-reading")
        case.gap(message("judge.notch-not-judged", limit=notch.text, why=why))
        return
    channel = case.job.channel(notch.channel)
    instrument = case.job.instrument(channel.instrument if channel else None)
    relative = instrument.relative_standard_uncertainty if instrument else None
    factor, unit = _unit_of(notch)
    reading = Reading(
        measured=notch.highest / factor,
        std=None if relative is None else relative * notch.highest / factor,
        tolerance=Tolerance(high=_as_stated(notch.limit / factor)),
        unit=unit,
    )
    what = message(
        "judge.notch", channel=notch.channel, low_hz=notch.from_hz, high_hz=notch.to_hz, frequency_hz=notch.at_hz
    )
    case.items.append(
        Item(
            text=what,
            said=message("judge.notch-held", what=what, held=reading.against()),
            reading=reading,
            run=run.id,
            channel=notch.channel,
            frequency_hz=notch.at_hz,
        )
    )
    if notch.lowest_control_db is not None:
        case.remark(
            message(
                "judge.notched-as-agreed",
                by_db=-notch.lowest_control_db,
                low_hz=notch.from_hz,
                high_hz=notch.to_hz,
                channel=notch.channel,
                limit=notch.text,
            )
        )
        _remark_deeper(case, run, profile, notch)


def _remark_deeper(case: Case, run: RunResult, profile: Profile, notch: NotchResult) -> None:
    """Say it where the control went below the notched line by more than the tolerance lets it."""
    control = run.control
    if control is None or control.notched_line is None:
        return
    f, line = control.frequency_hz, control.notched_line
    inside = (f >= notch.from_hz) & (f <= notch.to_hz) & (control.level > 0) & (line > 0)
    if not inside.any():
        return
    below = np.full(f.shape, np.inf)
    below[inside] = 20.0 * np.log10(control.level[inside] / line[inside])
    row = int(np.argmin(below))
    allowed = _lower_db(case, profile, float(f[row]))
    if allowed is not None and below[row] < allowed:
        below_db, at_hz = -float(below[row]), float(f[row])
        case.remark(message("judge.notch-deeper", frequency_hz=at_hz, below_db=below_db, channel=notch.channel))


def _lower_db(case: Case, profile: Profile, f: float) -> float | None:
    """How far below the line the control may lie at a frequency, dB; None where no tolerance holds."""
    limit = case.requirement.limit
    if limit is not None:
        return _band_of(limit)[0] if limit.dimension in ("ratio", "level") else None
    return next((band.lower_db for band in profile.tolerance if band.from_hz <= f <= band.to_hz), None)


def _unit_of(notch: NotchResult) -> tuple[float, str]:
    """Size in SI and symbol of the unit the limit is written in; SI where it is not a peak in a known unit."""
    try:
        unit = parse_quantity(notch.text, notch.dimension).unit
    except UnitError:
        unit = None
    if unit is None or unit.detector not in (None, Detector.PEAK):
        return 1.0, {"acceleration": "m/s²", "velocity": "m/s", "displacement": "m"}[notch.dimension]
    return unit.factor, unit.symbol


def _remark_bands(case: Case, control: ControlResult) -> None:
    """Bands outside the profile's tolerance; with a limit of the requirement's own they are not its bands."""
    inside = tuple(band for band in control.outside_bands if _meets(case, band))
    if inside and case.requirement.limit is None:
        case.bands_hz = inside
        if control.outside_share is not None and case.requirement.band_hz is None:
            percent = 100.0 * control.outside_share
            case.remark(message("judge.outside-tolerance-share", bands=_listed(inside), share_percent=percent))
        else:
            case.remark(message("judge.outside-tolerance", bands=_listed(inside)))
    aborted = tuple(band for band in control.aborted_bands if _meets(case, band))
    if aborted:
        case.remark(message("judge.beyond-abort-limit", bands=_listed(aborted)))
    jumps = [each.band_hz for each in control.not_judged_bands if each.cause is NotJudgedCause.JUMP]
    for a, b in jumps:
        case.remark(message("judge.inside-jump", low_hz=a, high_hz=b))


CONTROL_TOLERANCE = Check(
    name="control tolerance",
    needs=(("run", "axis", "kind"),),
    limit_dimensions=("ratio", "level"),
    limit_example="10 %",
    narrowed_by=("band",),
    run_kinds=(RunKind.SURVEY, RunKind.SWEEP, RunKind.DWELL),
    judged_by=JobEvidence.TOLERANCE,
    proved_by=ProvedBy.CONTROL,
    compares=message("check.control-tolerance"),
    function=control_tolerance,
)
