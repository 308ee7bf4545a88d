"""A job drafted from logs: what they show in short forms, each guess marked, a blank for what no log can know."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from reportgen.errors import ComputeError, ReadError
from reportgen.progress import Say, silent
from reportgen.records.finding import Finding, Severity
from reportgen.records.job import ControlStrategy, RunKind
from reportgen.records.log import REFERENCE, Log, SweepLog, TimeHistory
from reportgen.records.message import Message, message
from reportgen.records.result import SweepFacts
from reportgen.records.stretch import Direction
from reportgen.units import STANDARD_GRAVITY

if TYPE_CHECKING:
    from reportgen.compute.sweep.profile_as_swept import Corner
    from reportgen.read.job.run_names import Part

LOUD = 0.5
"""Share of the highest level among the logs from which on a sweep whose name tells nothing counts as one at test level;
surveys are run well below half of it."""
ALIKE = 0.12
"""Share within which two profiles or rates are one: rounding and a control within its tolerance move them so far."""
END = 0.02
"""Share by which a section may reach beyond the profile it is one of: ends of rows, and rounding."""
GUESS = "(?)"
"""Marks a guess in the draft."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One run, as its log shows it."""

    path: Path
    sweep: int | None = None
    """Which sweep, where the file holds several."""
    id: str
    kind: RunKind | None = None
    part: Part | None = None
    axis: str | None = None
    started: datetime | None = None
    channels: tuple[tuple[str, str], ...] = ()
    """Channel and unit, as logged."""
    controls: tuple[str, ...] = ()
    facts: SweepFacts | None = None
    corners: tuple[Corner, ...] = ()
    level: float | None = None
    """Median of the control, m/s² peak."""
    control_guessed: bool = False
    """No name says which channel is the control, and the first is taken."""
    rms: bool = False
    without_unit: tuple[tuple[str, str], ...] = ()
    """Channel and column of those whose unit the log does not say."""
    faults: tuple[Finding, ...] = ()
    """Why the log gives no run; empty where it does."""


def logs_named(paths: Sequence[Path]) -> dict[str, Path]:
    """Logs by the name that each gets in the job; of a folder, every file in it that is not hidden.

    Raises ReadError where one is not there, or two have one name.
    """
    files: list[Path] = []
    for path in paths:
        files += _inside(path) if path.is_dir() else [path]
    named: dict[str, Path] = {}
    for path in files:
        if not path.is_file():
            raise ReadError(str(path), message("draft.no-log"))
        if path.name in named and not path.samefile(named[path.name]):
            raise ReadError(str(path), message("draft.name-twice", other=str(named[path.name])))
        named[path.name] = path
    if not named:
        raise ReadError(str(paths[0]), message("draft.no-log"))
    return named


def _inside(folder: Path) -> list[Path]:
    """Every file of a folder that is not hidden, in the order of their names."""
    files = [each for each in folder.iterdir() if each.is_file() and not each.name.startswith(".")]
    return sorted(files, key=lambda each: _natural(each.name))


def laboratory_for(folder: Path, named: Path | None) -> Path | None:
    """The laboratory file that a job in a folder will take from. Raises ReadError where it cannot be read."""
    from reportgen.read.job.laboratory import read_laboratory

    laboratory = read_laboratory(folder / "job.toml", named)
    if laboratory.findings:
        raise ReadError(laboratory.findings[0].where, laboratory.findings[0].message)
    return laboratory.path


def draft_job(logs: Sequence[Path], laboratory: Path | None, progress: Say = silent) -> tuple[str, tuple[Seen, ...]]:
    """The text of a job file for these logs, and what was seen in each; it can refer to the file ``laboratory``.

    Nothing is left out in silence: a log that gives no run is named in the text, with the reason.
    """
    seen: list[Seen] = []
    for path in logs:
        progress(message("progress.reading", file=path.name))
        seen += _runs_of(path)
    seen = _ordered(_with_ids(_with_kinds(seen)))
    return "\n".join(_Draft(seen, laboratory).lines()) + "\n", tuple(seen)


def blanks_of(text: str) -> int:
    """How many lines of a draft are to be filled in."""
    return len(re.findall(r'(?m)^(?!#)[^#\n]* = "(?:[^"\n]* / \.\.\.)?"', text))


# What a log shows


def _runs_of(path: Path) -> list[Seen]:
    """The runs of one file: one for each of its sweeps."""
    first = _seen(path, None)
    count = first[1].sweeps_in_file if isinstance(first[1], SweepLog) else 1
    if count < 2:
        return [first[0]]
    return [replace(_seen(path, number)[0], sweep=number) for number in range(1, count + 1)]


def _seen(path: Path, sweep: int | None) -> tuple[Seen, Log | None]:
    """A run, and the log it was seen in; None where that cannot be read."""
    from reportgen.read.job.run_names import axis_of, part_of, run_id, says_rms, start_of
    from reportgen.read.log import channels_without_unit, read_bare_log

    unknown = Seen(path=path, id=run_id(path), part=part_of(path))
    try:
        lacking = channels_without_unit(path)
        mapping = [(channel, f"{column} / g") for channel, column in lacking]
        log, controls, findings = read_bare_log(path, None, mapping, sweep=sweep)
        first = _first_of_nameless(findings) if log is None else None
        if first is not None:
            log, controls, findings = read_bare_log(path, first, mapping, sweep=sweep)
    except ReadError as failure:
        return replace(unknown, faults=(_fault(failure),)), None
    errors = tuple(each for each in findings if each.severity is Severity.ERROR)
    if log is None:
        return replace(unknown, faults=errors or findings), None
    remarks = _texts(log)
    seen = replace(
        unknown,
        axis=axis_of(path, remarks),
        started=start_of(path, remarks),
        channels=_channels(log, {channel for channel, _ in lacking}),
        controls=controls,
        rms=says_rms(remarks),
        control_guessed=first is not None,
        without_unit=lacking,
    )
    return _of_record(seen, log) if isinstance(log, TimeHistory) else _of_sweep(seen, log), log


def _fault(failure: ReadError) -> Finding:
    from reportgen.records.finding import error

    return error(failure.where, failure.what)


def _first_of_nameless(findings: Sequence[Finding]) -> str | None:
    """The first channel of a log that is whole but for a control that could be told by its name."""
    wanting = [each.message for each in findings if each.severity is Severity.ERROR]
    if [each.code for each in wanting] != ["log.no-control"]:
        return None
    there = wanting[0].value("there")
    return str(there[0]) if isinstance(there, tuple) and there else None


def _texts(log: Log) -> list[str]:
    """Remarks of a log that were written there."""
    return [str(value) for each in log.remarks for name, value in each.values if name == "text"]


def _channels(log: Log, lacking: set[str]) -> tuple[tuple[str, str], ...]:
    if isinstance(log, TimeHistory):
        named = list(zip(log.channels, log.display_units, strict=True))
    else:
        named = [(each.channel, each.display_unit) for each in log.traces if each.channel != REFERENCE]
    return tuple((channel, "" if channel in lacking else unit) for channel, unit in named)


def _of_sweep(seen: Seen, log: SweepLog) -> Seen:
    """What rows of frequency show: how they were swept, and the profile of their control."""
    from reportgen.compute.sweep.control import combine_control
    from reportgen.compute.sweep.profile_as_swept import profile_as_swept
    from reportgen.compute.sweep.sweep_facts import sweep_facts

    try:
        level = combine_control(log, seen.controls, ControlStrategy.AVERAGE)
        facts = sweep_facts(log, control_level=level)
    except ComputeError:  # no motion as control: nothing of a profile is known
        return replace(seen, facts=sweep_facts(log))
    if seen.rms:
        level = level * 2.0**0.5
    known = not seen.without_unit and facts.direction is not Direction.HOLD
    corners = profile_as_swept(log.frequency_hz, level) if known else ()
    return replace(seen, facts=facts, corners=corners, level=_median(level))


def _median(level: object) -> float | None:
    import numpy as np

    middle = float(np.nanmedian(level))  # type: ignore[call-overload]
    return middle if np.isfinite(middle) else None


def _of_record(seen: Seen, log: TimeHistory) -> Seen:
    """What samples show: a sweep where a control or a drive can be followed, else a decay, unless they are steady."""
    from reportgen.compute.decay.stationary import MOST_SAMPLES, is_steady
    from reportgen.compute.sweep.several_sweeps import sweeps_of_record
    from reportgen.cores import cores
    from reportgen.records.finding import error

    if seen.controls:
        sweeps = sweeps_of_record(log, seen.controls[0], workers=cores())
        return _of_sweep(seen, sweeps[0]) if sweeps else seen
    if is_steady(log.read(0, min(log.samples, MOST_SAMPLES)), log.sample_rate_hz):
        return replace(seen, faults=(error(seen.path.name, message("draft.steady")),))
    return replace(seen, kind=RunKind.DECAY)


def _with_kinds(seen: Sequence[Seen]) -> list[Seen]:
    """Each run with its kind: from what the frequency did, the name of the log, or its level among the others'."""
    loudest = max((each.level for each in seen if each.level is not None), default=0.0)
    levels = {round(each.level, 9) for each in seen if each.level is not None}
    several = bool(levels) and min(levels) < LOUD * loudest
    return [replace(each, kind=each.kind or _kind(each, loudest, several)) for each in seen]


def _kind(seen: Seen, loudest: float, several: bool) -> RunKind | None:
    from reportgen.read.job.run_names import Part

    if seen.faults:
        return None
    if seen.facts is not None and seen.facts.direction is Direction.HOLD:
        return RunKind.DWELL
    if seen.part in (Part.BEFORE, Part.AFTER, Part.SURVEY):
        return RunKind.SURVEY
    if seen.part is Part.SWEEP:
        return RunKind.SWEEP
    loud = several and seen.level is not None and seen.level >= LOUD * loudest
    return RunKind.SWEEP if loud else RunKind.SURVEY


def _with_ids(seen: Sequence[Seen]) -> list[Seen]:
    """Each run with an id of its own."""
    given: Counter[str] = Counter()
    found = []
    for each in seen:
        given[each.id] += 1
        found.append(each if given[each.id] == 1 else replace(each, id=f"{each.id}-{given[each.id]}"))
    return found


def _ordered(seen: Sequence[Seen]) -> list[Seen]:
    """Runs in the order of their time where every log tells it, else by axis, part in the test, and name."""
    from reportgen.read.job.run_names import Part

    if all(each.started is not None for each in seen):
        return sorted(seen, key=lambda each: each.started or datetime.min)
    of_kind = {RunKind.SURVEY: Part.SURVEY, RunKind.SWEEP: Part.SWEEP, RunKind.DWELL: Part.DWELL}
    parts = list(Part)

    def place(each: Seen) -> tuple[object, ...]:
        part = Part.DECAY if each.kind is RunKind.DECAY and each.part is None else each.part
        part = part or of_kind.get(each.kind or RunKind.SURVEY, Part.SURVEY)
        return each.axis or "~", parts.index(part), _natural(each.path.name), each.sweep or 0

    return sorted(seen, key=place)


def _natural(name: str) -> list[tuple[int, str]]:
    """A name in which 10 comes after 9."""
    return [(int(each), "") if each.isdigit() else (-1, each) for each in re.split(r"(\d{1,18})", name.casefold())]


# The job file


class _Draft:
    """The lines of a job file."""

    def __init__(self, seen: Sequence[Seen], laboratory: Path | None) -> None:
        self._runs = [each for each in seen if not each.faults]
        self._faulty = [each for each in seen if each.faults]
        self._laboratory = laboratory
        self._profiles = _grouped(self._runs)

    def lines(self) -> Iterator[str]:
        yield from _comment(message("draft.head", logs=len(self._runs) + len(self._faulty), mark=GUESS))
        yield from self._identity()
        yield from self._test()
        yield from self._columns()
        for name, runs in self._profiles.items():
            yield from _profile(name, runs)
        yield from self._defaults()
        yield from self._table()
        yield from self._special()
        yield from self._pairs()
        yield from self._left_out()

    def _identity(self) -> Iterator[str]:
        blank = _said(message("draft.fill"))
        tables = {"report": ("number", "title", "date"), "laboratory": ("name",), "customer": ("name",)}
        if self._laboratory is not None:
            del tables["laboratory"]
        for table, keys in {**tables, "specimen": ("name",)}.items():
            yield from ("", f"[{table}]")
            yield from (_beside(f'{key} = ""', blank) for key in keys)

    def _test(self) -> Iterator[str]:
        yield from ("", "[test]")
        if self._laboratory is not None:
            yield from _comment(message("draft.laboratory", path=self._laboratory.name))
        yield '# environment = "from notes"'
        yield _beside("channels = [", f"id, role, location, instrument; {GUESS} {_said(message('draft.roles'))}")
        for channel, (role, unit) in self._channels().items():
            yield _beside(f'  [{_quoted(channel)}, "{role}", "", ""],', unit or _said(message("draft.no-unit")))
        yield "]"

    def _channels(self) -> dict[str, tuple[str, str]]:
        """Role and unit of each channel of any log."""
        from reportgen.read.log_columns import looks_like_drive

        controls = {each for run in self._runs for each in run.controls}
        found: dict[str, tuple[str, str]] = {}
        for run in self._runs:
            for channel, unit in run.channels:
                role = "control" if channel in controls else "drive" if looks_like_drive(channel) else "response"
                found.setdefault(channel, (role, unit))
        order = ("drive", "control", "response")
        return dict(sorted(found.items(), key=lambda each: order.index(each[1][0])))

    def _columns(self) -> Iterator[str]:
        """Units that no header says, and columns of other names that may be the same channels."""
        lacking = dict(each for run in self._runs for each in run.without_unit)
        same = self._same_places()
        if not lacking and not same:
            return
        yield ""
        if lacking:
            yield "[columns]"
            blank = _said(message("draft.fill-unit"))
            yield from (
                _beside(f"{_quoted(key)} = {_quoted(column + ' / ...')}", blank) for key, column in lacking.items()
            )
        if same:
            yield from _comment(message("draft.same-places", mark=GUESS))
            yield from (["# [columns]"] if not lacking else [])
            yield from (f"# {_quoted(key)} = {_quoted(column)}" for key, column in same.items())

    def _same_places(self) -> dict[str, str]:
        """Channels of the shorter names, with the columns that stand in their places in logs of other names."""
        roles = self._channels()
        layouts = {tuple(channel for channel, _ in run.channels) for run in self._runs if len(run.channels) > 1}
        by_roles: dict[tuple[str, ...], list[tuple[str, ...]]] = {}
        for each in sorted(layouts):
            by_roles.setdefault(tuple(roles[channel][0] for channel in each), []).append(each)
        found: dict[str, str] = {}
        for several in by_roles.values():
            short = min(several, key=lambda names: sum(map(len, names)))
            for other in several:
                pairs = [(one, two) for one, two in zip(short, other, strict=True) if one != two]
                if not any(one in other or two in short for one, two in pairs):
                    found |= {one: two for one, two in pairs if one not in found}
        return found

    def _defaults(self) -> Iterator[str]:
        yield from ("", "[run_defaults]")
        for kind in RunKind:
            runs = [run for run in self._runs if run.kind is kind]
            name = self._usual(kind)
            keys = [f'profile = "{name}"'] if name else []
            keys += ['strategy = "average"'] if any(len(run.controls) > 1 for run in runs) else []
            if keys:
                yield f"{kind} = {{ {', '.join(keys)} }}"
        yield '# tracking_filter = "10 Hz"'

    def _usual(self, kind: RunKind) -> str | None:
        """The profile of most runs of a kind."""
        counts = Counter(name for name, runs in self._profiles.items() for run in runs if run.kind is kind)
        return counts.most_common(1)[0][0] if counts else None

    def _profile_of(self, run: Seen) -> str | None:
        return next((name for name, runs in self._profiles.items() if run in runs), None)

    def _table(self) -> Iterator[str]:
        timed = all(run.started is not None for run in self._runs)
        order = message("draft.order-of-time") if timed else message("draft.order-of-names", mark=GUESS)
        yield from ("", _beside("[runs]", _said(order)), _beside("table = [", _said(message("draft.cells"))))
        for run in self._runs:
            cells = [_quoted(run.id), f'"{run.kind}"', f'"{run.axis or ""}"', _quoted(f"logs/{run.path.name}")]
            cells += [run.started.isoformat()] if run.started is not None else []
            yield _beside(f"  [{', '.join(cells)}],", f"{GUESS} {_said(_swept(run))}{self._only_section(run)}")
        yield "]"

    def _only_section(self, run: Seen) -> str:
        """What to decide where a run covers only a section of the profile of others."""
        others = next((runs for runs in self._profiles.values() if run in runs), [])
        return f"; {_said(message('draft.section'))}" if any(_is_section(run, each) for each in others) else ""

    def _special(self) -> Iterator[str]:
        """What a run has of its own."""
        roles = self._channels()
        for run in self._runs:
            lines = []
            there = {channel for channel, _ in run.channels}
            usual = tuple(channel for channel, (role, _) in roles.items() if role == "control" and channel in there)
            if run.sweep is not None:
                lines.append(f"sweep = {run.sweep}")
            if run.rms:
                lines.append(_beside('amplitude = "rms"', f"{GUESS} {_said(message('draft.rms'))}"))
            if run.controls and (run.control_guessed or {*run.controls} != {*usual}):
                named = f"control = [{', '.join(map(_quoted, run.controls))}]"
                guess = f"{GUESS} {_said(message('draft.first-as-control'))}"
                lines.append(_beside(named, guess) if run.control_guessed else named)
            own, default = self._profile_of(run), self._usual(run.kind) if run.kind else None
            if own is not None and own != default:
                lines.append(f'profile = "{own}"')
            if lines:
                yield from ("", "[[run]]", f"id = {_quoted(run.id)}", *lines)

    def _pairs(self) -> Iterator[str]:
        """A requirement to take off its remark signs for each pair of surveys before and after."""
        for before, after in _pairs(self._runs):
            yield ""
            yield from _comment(message("draft.pair", before=before.id, after=after.id, mark=GUESS))
            yield from (
                "# [[requirement]]",
                '# clause = ""',
                '# check = "frequency shift"',
                f"# before = {_quoted(before.id)}",
                f"# after = {_quoted(after.id)}",
                '# limit = "5 %"',
            )

    def _left_out(self) -> Iterator[str]:
        for run in self._faulty:
            yield ""
            why = tuple(each.message for each in run.faults)
            yield from _comment(message("draft.left-out", log=f"logs/{run.path.name}", reasons=why))


def _pairs(runs: Sequence[Seen]) -> list[tuple[Seen, Seen]]:
    """By axis and kind: the last run before and the first one after."""
    from reportgen.read.job.run_names import Part

    found = []
    for axis in dict.fromkeys(run.axis for run in runs):
        for kind in (RunKind.SURVEY, RunKind.DECAY):
            there = [run for run in runs if run.axis == axis and run.kind is kind]
            before = [run for run in there if run.part is Part.BEFORE]
            after = [run for run in there if run.part is Part.AFTER]
            if before and after:
                found += _named_alike(before, after) or [(before[-1], after[0])]
    return found


def _named_alike(before: Sequence[Seen], after: Sequence[Seen]) -> list[tuple[Seen, Seen]]:
    """Pairs whose names differ in the word of their part alone, so that a second specimen's runs stay together."""
    from reportgen.read.job.run_names import name_without_part

    last = {name_without_part(run.path): run for run in before}
    first = {name_without_part(run.path): run for run in reversed(after)}
    return [(run, first[name]) for name, run in last.items() if name in first]


def _grouped(runs: Sequence[Seen]) -> dict[str, list[Seen]]:
    """Runs by the profile that their control followed, under a name for each."""
    groups: list[list[Seen]] = []
    for run in runs:
        if run.corners:
            same = next((each for each in groups if _alike(each[0], run)), None)
            groups.append([run]) if same is None else same.append(run)
    named: dict[str, list[Seen]] = {}
    for group in _without_sections(groups):
        name, number = str(group[0].kind).upper(), 1
        while (own := name if number == 1 else f"{name}-{number}") in named:
            number += 1
        named[own] = group
    return named


def _alike(one: Seen, other: Seen) -> bool:
    """Whether two runs of one kind followed one profile."""
    if one.kind is not other.kind or len(one.corners) != len(other.corners):
        return False
    pairs = zip(one.corners, other.corners, strict=True)
    same = all(
        a.dimension == b.dimension and _near(a.amplitude, b.amplitude) and _near(a.frequency_hz, b.frequency_hz)
        for a, b in pairs
    )
    rates = [each.facts.rate for each in (one, other) if each.facts is not None and each.facts.rate is not None]
    return same and (len(rates) < 2 or _near(*rates))


def _without_sections(groups: Sequence[list[Seen]]) -> list[list[Seen]]:
    """Groups of runs, those that ran only a section of another's profile joined to it: stopped, or resumed."""
    wholes = [each for each in groups if not any(_is_section(each[0], other[0]) for other in groups)]
    joined = [[*each] for each in wholes]
    for group in groups:
        if group not in wholes:
            into = next((each for each in joined if _is_section(group[0], each[0])), None)
            joined.append([*group]) if into is None else into.extend(group)
    return joined


def _is_section(part: Seen, whole: Seen) -> bool:
    """Whether a run followed the profile of another one of its kind over a narrower range."""
    if part.kind is not whole.kind or len(part.corners) < 2 or len(whole.corners) < 2:
        return False
    rates = [each.facts.rate for each in (part, whole) if each.facts is not None and each.facts.rate is not None]
    low, high = part.corners[0].frequency_hz, part.corners[-1].frequency_hz
    from_hz, to_hz = whole.corners[0].frequency_hz, whole.corners[-1].frequency_hz
    narrower = high / low < (1.0 - ALIKE) * to_hz / from_hz
    inside = low > (1.0 - END) * from_hz and high < (1.0 + END) * to_hz
    if not (narrower and inside) or (len(rates) == 2 and not _near(*rates)):
        return False
    between = [(a.frequency_hz * b.frequency_hz) ** 0.5 for a, b in pairwise(part.corners)]
    return all(_near(_level_at(part.corners, at_hz), _level_at(whole.corners, at_hz)) for at_hz in between)


def _level_at(corners: Sequence[Corner], at_hz: float) -> float:
    """Acceleration, m/s² peak, of a profile at a frequency; beyond its ends, that of its outer piece."""
    from reportgen.compute.sweep.profile_as_swept import SLOPES

    pieces = [(a, b) for a, b in pairwise(corners) if b.frequency_hz > a.frequency_hz]
    left, right = next((piece for piece in pieces if at_hz <= piece[1].frequency_hz), pieces[-1])
    share = math.log(at_hz / left.frequency_hz) / math.log(right.frequency_hz / left.frequency_hz)
    amplitude = left.amplitude * (right.amplitude / left.amplitude) ** share
    return float(amplitude * (2.0 * math.pi * at_hz) ** SLOPES[left.dimension])


def _near(a: float, b: float) -> bool:
    return abs(a - b) <= ALIKE * max(abs(a), abs(b))


_UNITS = {"acceleration": (STANDARD_GRAVITY, "g"), "velocity": (1.0, "m/s"), "displacement": (1e-3, "mm")}
"""SI of one unit, and the unit, in which the amplitudes of profiles are usually written."""


def _profile(name: str, runs: Sequence[Seen]) -> Iterator[str]:
    yield from ("", "[[profile]]")
    ids = tuple(run.id for run in runs)
    yield _beside(f'id = "{name}"', f"{GUESS} {_said(message('draft.profile', runs=ids))}")
    facts = next((run.facts for run in runs if run.facts is not None and run.facts.rate is not None), None)
    if facts is not None and facts.rate is not None:
        yield f'sweep_rate = "{_round(facts.rate)} {facts.rate_unit}"'
    points: list[str] = []
    for corner in runs[0].corners:
        size, unit = _UNITS[corner.dimension]
        point = _plain(f'["{corner.frequency_hz:.3g} Hz", "{_round(corner.amplitude / size)} {unit}"]')
        points += [point] if point not in points[-1:] else []
    yield f"breakpoints = [{', '.join(points)}]"
    yield _beside('# tolerance = "10 %"', _said(message("draft.tolerance")))


def _plain(text: str) -> str:
    """Numbers without an exponent."""
    return re.sub(r"\d(?:\.\d+)?e[+-]\d+", lambda found: f"{float(found[0]):g}", text)


def _round(value: float) -> str:
    """Two digits where they say the number within 3 %, else three: profiles are written in round numbers."""
    two = float(f"{value:.2g}")
    return f"{two:g}" if abs(two - value) <= 0.03 * abs(value) else f"{float(f'{value:.3g}'):g}"


def _swept(run: Seen) -> Message:
    """What the log shows of its run, in words."""
    if run.kind is RunKind.DECAY:
        return message("draft.decay")
    facts = run.facts
    if facts is None:
        return message("draft.kind-from-name")
    if facts.direction is Direction.HOLD:
        return message("draft.held", at_hz=facts.first_hz)
    rate = (
        message("draft.no-rate") if facts.rate is None else message("draft.rate", rate=facts.rate, unit=facts.rate_unit)
    )
    return message("draft.swept", direction=facts.direction, first_hz=facts.first_hz, last_hz=facts.last_hz, rate=rate)


def _said(what: Message) -> str:
    from reportgen.render.catalogue import said

    return _one_line(said(what))


def _one_line(text: str) -> str:
    """Text that stays behind its remark sign, whatever a log brings along."""
    return " ".join(re.sub(r"[\x00-\x1f\x7f\u0085\u2028\u2029]", " ", text).split())


def _beside(line: str, comment: str) -> str:
    """A line of the file with a comment behind it."""
    return f"{line:<38}  # {_one_line(comment)}"


def _comment(what: Message) -> Iterable[str]:
    import textwrap

    return [f"# {line}" for line in textwrap.wrap(_said(what), 116, break_long_words=False)]


def _quoted(text: str) -> str:
    from reportgen.read.run_entries import quoted

    return quoted(_one_line(text))
