"""Reference: what the archive of an earlier report says of its surveys, for a job that is held against it.

Anybody may have made the archive: its digests are checked as it is opened, and of what it states only what has the
form that a build writes is taken. That its numbers follow from its logs is for ``verify`` to say.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator
from typing import Any

import numpy as np

from reportgen.archive.amendment import is_draft
from reportgen.archive.bag import JOB, RESULTS
from reportgen.archive.open_archive import OpenedArchive, open_archive
from reportgen.archive.reason import reason_of
from reportgen.errors import ArchiveError
from reportgen.records.finding import Finding, error, warning
from reportgen.records.job import Job, Reference, RunKind, RunStatus
from reportgen.records.message import Message, message
from reportgen.records.reference import EarlierReport, EarlierSpecimen, EarlierSurvey
from reportgen.records.result import (
    ChannelResult,
    IssueKind,
    QualityIssue,
    Resonance,
    RunResult,
    SweepFacts,
    UnexplainedPeak,
)
from reportgen.records.stretch import Direction

MOST_RUNS = 1000
"""Runs that are read of a report; a campaign has some hundred."""
MOST_MODES = 500
"""Resonances, or peaks, of one run: ten channels with forty modes have 400, and pairing grows by the cube."""
LOWEST_HZ, HIGHEST_HZ = 1e-3, 1e7
"""Hz, wider than any vibration test: what lies beyond was not written by a build."""
LONGEST_TEXT = 300
"""Characters of a text that are taken over."""

Table = dict[str, Any]


def earlier_report(job: Job) -> tuple[EarlierReport | None, tuple[Finding, ...]]:
    """The report that the job is held against, None where it names none or it cannot be had; and what is to be said."""
    asked = job.reference
    if asked is None:
        return None, ()
    try:
        with open_archive(job.folder / asked.archive) as archive:
            if archive.problems:
                what = message("earlier.not-the-original", what=archive.problems[0].what)
                return None, (error(asked.archive_where, what),)
            results, specimens = archive.json(RESULTS), _specimens(archive)
        return report_of(asked, results, specimens)
    except ArchiveError as problem:
        return None, (error(asked.archive_where, message("earlier.not-read", why=problem.said)),)


def report_of(
    asked: Reference, results: Any, specimens: tuple[EarlierSpecimen, ...]
) -> tuple[EarlierReport | None, tuple[Finding, ...]]:
    """The report that results, as in results.json, are of; None, with the reason, where no build wrote them so.

    Raises ArchiveError where a survey has more modes than can be paired.
    """
    try:
        return _told(asked, _table(results), specimens)
    except (LookupError, TypeError, ValueError, AttributeError, OverflowError) as problem:
        what = message("earlier.other-form", reason=message("as-written", text=_text(reason_of(problem).value("text"))))
        return None, (error(asked.archive_where, what),)


def _told(
    asked: Reference, results: Table, specimens: tuple[EarlierSpecimen, ...]
) -> tuple[EarlierReport | None, tuple[Finding, ...]]:
    identity = _table(results["job"])
    number, revision = _text(identity["number"]), _text(identity["revision"])
    runs = [_table(each) for each in _list(results["runs"], MOST_RUNS)]
    several = tuple(dict.fromkeys(_text(each["specimen"]) for each in runs if each.get("specimen") is not None))
    chosen, fault = _chosen(asked, specimens, several)
    if fault is not None:
        return None, (error(asked.specimen_where if asked.specimen else asked.archive_where, fault),)
    own = [each for each in runs if len(several) < 2 or (chosen is not None and each.get("specimen") == chosen.id)]
    found = EarlierReport(
        number=number,
        revision=revision,
        specimen=chosen,
        surveys=tuple(_survey(each, f"{number} {revision}: ") for each in own if _is_valid_survey(each)),
    )
    drafted = (warning(asked.archive_where, message("earlier.draft", number=number, revision=revision)),)
    return found, drafted if is_draft(results) else ()


def _chosen(
    asked: Reference, specimens: tuple[EarlierSpecimen, ...], several: tuple[str, ...]
) -> tuple[EarlierSpecimen | None, Message | None]:
    """The specimen meant, None where the report does not tell of any; and why none can be chosen."""
    known = tuple(each.id or each.serial_number or each.name or "" for each in specimens) or several
    if asked.specimen is not None:
        meant = [each for each in specimens if each.is_called(asked.specimen)]
        if len(meant) == 1:
            return meant[0], None
        return None, message("earlier.no-such-specimen", found=asked.specimen, known=known)
    if len(several) > 1:
        return None, message("earlier.which-specimen", known=known)
    tested = [each for each in specimens if each.id in several] if len(specimens) > 1 else specimens
    return (tested[0] if tested else None), None


def _specimens(archive: OpenedArchive) -> tuple[EarlierSpecimen, ...]:
    """The specimens of the archived job file; none where it cannot be read as one."""
    names = sorted(name for name in archive.found if name.startswith(JOB) and name.endswith(".toml"))
    for name in (each for each in names if "/" not in each.removeprefix(JOB)):
        try:
            raw = tomllib.loads(archive.text(name) or "")
        except (tomllib.TOMLDecodeError, RecursionError):
            continue
        if "report" in raw and "specimen" in raw:
            return tuple(_with_shared(raw["specimen"]))
    return ()


def _with_shared(raw: Any) -> Iterator[EarlierSpecimen]:
    """One specimen or several; what several do not say is as of the first, as in a job file."""
    several = [each for each in (raw if isinstance(raw, list) else [raw]) if isinstance(each, dict)]
    for each in several:
        shared = {key: several[0].get(key) for key in ("part_number", "name")} | each
        said = {key: shared.get(key) for key in ("id", "serial_number", "part_number", "name")}
        yield EarlierSpecimen(**{key: _text(value) for key, value in said.items() if isinstance(value, str | int)})


def _is_valid_survey(run: Table) -> bool:
    return bool(run["kind"] == RunKind.SURVEY and run.get("status", RunStatus.VALID) == RunStatus.VALID)


def _survey(run: Table, of: str) -> EarlierSurvey:
    """A survey as the report gives it; ``of`` goes before its id, so that it is taken for no run of the job."""
    channels = [_table(each) for each in _list(run["channels"], MOST_MODES)]
    found = tuple(_channel(each) for each in channels)
    if sum(len(each.resonances) + len(each.unexplained) for each in found) > MOST_MODES:
        raise ArchiveError(message("earlier.many-modes", run=_text(run["id"]), most=MOST_MODES))
    axis = None if run["axis"] is None else _text(run["axis"])
    ending = f" · {run.get('specimen')}"
    result = RunResult(
        id=of + _text(run["id"]), kind=RunKind.SURVEY, axis=axis, sweep=_sweep(run), control=None, channels=found,
        quality=tuple(_issue(_table(each)) for each in _list(run.get("quality", []), MOST_MODES)),
    )  # fmt: skip
    return EarlierSurvey(
        run=result,
        axis=axis.removesuffix(ending) if axis is not None else None,
        follows_level=frozenset(
            (channel.id, each.frequency_hz)
            for channel, raw in zip(found, channels, strict=True)
            for each, told in zip(channel.resonances, raw["resonances"], strict=True)
            if told.get("backbone") is not None
        ),
    )


def _sweep(run: Table) -> SweepFacts | None:
    """Where the survey swept, as far as its ends tell: one there and back tells only where it began and ended."""
    if run.get("direction") not in (Direction.UP, Direction.DOWN):
        return None
    first, last = _frequency(run["first_hz"]), _frequency(run["last_hz"])
    return SweepFacts(
        direction=Direction(run["direction"]), rate=None, rate_unit="", first_hz=first, last_hz=last,
        lowest_hz=min(first, last), highest_hz=max(first, last), rows=0,
    )  # fmt: skip


def _channel(channel: Table) -> ChannelResult:
    nothing = np.empty(0)
    resonances = tuple(_resonance(_table(each)) for each in _list(channel["resonances"], MOST_MODES))
    peaks = [_table(each) for each in _list(channel.get("unexplained", []), MOST_MODES)]
    return ChannelResult(
        id=_text(channel["id"]), frequency_hz=nothing, magnitude=nothing, phase_deg=None, resonances=resonances,
        peaks=len(resonances) + len(peaks),
        unexplained=tuple(
            UnexplainedPeak(
                frequency_hz=_frequency(each["frequency_hz"]), height=_above_zero(each["height"]),
                magnitude=_known(each.get("magnitude")),
            )
            for each in peaks
        ),
    )  # fmt: skip


def _resonance(told: Table) -> Resonance:
    """Frequency, Q and mode number; amplifications are left where other sensors may have measured them."""
    rejected, mode = told.get("rejected"), told.get("mode")
    if mode is not None and (isinstance(mode, bool) or not isinstance(mode, int) or not 0 < mode <= MOST_MODES):
        raise ValueError(f"mode: {_text(mode)}")
    return Resonance(
        frequency_hz=_frequency(told["frequency_hz"]),
        frequency_std_hz=_known(told["frequency_std_hz"]),
        q=_known(told["q"]),
        q_std=_known(told["q_std"]),
        damping_ratio=_known(told.get("damping_ratio")),
        mode=mode,
        rejected=None if rejected is None else _text(rejected),
        doubtful=told.get("doubtful") is True,
        has_peak=told.get("has_peak") is not False,
    )


def _issue(told: Table) -> QualityIssue:
    channel, band = told.get("channel"), told.get("band_hz")
    return QualityIssue(
        kind=IssueKind(told["kind"]),
        channel=None if channel is None else _text(channel),
        band_hz=None if band is None else (_number(band[0]), _number(band[1])),
        spoils=told.get("spoils") is True,
        message=message("as-written", text=_text(told["message"])),
    )


def _table(value: Any) -> Table:
    if not isinstance(value, dict):
        raise TypeError(_text(value))
    return value


def _list(value: Any, most: int) -> list[Any]:
    if not isinstance(value, list) or len(value) > most:
        raise ValueError(_text(value))
    return value


def _text(value: Any) -> str:
    """A text on one line of what can be printed, cut where it is long."""
    return " ".join("".join(each if each.isprintable() else " " for each in str(value)[:LONGEST_TEXT]).split())


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(_text(value))
    return float(value)


def _frequency(value: Any) -> float:
    number = _number(value)
    if not LOWEST_HZ <= number <= HIGHEST_HZ:
        raise ValueError(_text(value))
    return number


def _above_zero(value: Any) -> float:
    number = _number(value)
    if number <= 0.0:
        raise ValueError(_text(value))
    return number


def _known(value: Any) -> float | None:
    """A number from 0 up, or None."""
    if value is None:
        return None
    number = _number(value)
    if number < 0.0:
        raise ValueError(_text(value))
    return number
