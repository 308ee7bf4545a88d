"""The text of a drafted job in short forms, each guess marked, a blank for what no log can know."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from reportgen.draft.pairs import Pair, one_clause
from reportgen.draft.same_profile import grouped, is_section, typical
from reportgen.draft.seen_runs import Seen
from reportgen.draft.shared import Shared
from reportgen.draft.specimens import specimens_of
from reportgen.errors import UnitError
from reportgen.records.job import RunKind
from reportgen.records.message import Message, message
from reportgen.records.stretch import Direction
from reportgen.units import STANDARD_GRAVITY, parse_unit

GUESS = "(?)"
"""Marks a guess in the draft."""


class JobText:
    """The lines of a job file."""

    def __init__(self, seen: Sequence[Seen], shared: Shared) -> None:
        self._runs = [each for each in seen if not each.faults]
        self._faulty = [each for each in seen if each.faults]
        self._shared = shared
        self._specimens = specimens_of(self._runs)
        self._own_profiles, self._profiles = _profiles_of(self._runs, shared)

    def lines(self) -> Iterator[str]:
        """The job file, line by line."""
        yield from _comment(message("draft.head", logs=len(self._runs) + len(self._faulty), mark=GUESS))
        yield from self._identity()
        yield from self._test()
        yield from self._columns()
        for name in self._own_profiles:
            yield from _profile(name, self._profiles[name])
        yield from self._defaults()
        yield from self._table()
        yield from self._special()
        yield from self._pairs()
        yield from self._left_out()

    def _identity(self) -> Iterator[str]:
        blank = _said(message("draft.fill"))
        tables = {"report": ("number", "title", "date"), "laboratory": ("name",), "customer": ("name",)}
        if self._shared.named:
            del tables["laboratory"]
        for table, keys in tables.items():
            yield from ("", f"[{table}]")
            yield from (_beside(f'{key} = ""', blank) for key in keys)
        if not self._specimens:
            yield from ("", "[specimen]", _beside('name = ""', blank))
        for number, each in enumerate(dict.fromkeys(self._specimens.values())):
            runs = tuple(run for run, of in self._specimens.items() if of == each)
            said = message("draft.specimen", runs=runs) if number else message("draft.first-specimen")
            yield from ("", "[[specimen]]", _beside(f"id = {_quoted(each)}", f"{GUESS} {_said(said)}"))
            yield from ([] if number else [_beside('name = ""', blank)])

    def _test(self) -> Iterator[str]:
        yield from ("", "[test]")
        yield from self._of_laboratory()
        of_room = any(run.of_room for run in self._runs)
        yield 'environment = "from logs"' if of_room else '# environment = "from notes"'
        yield _beside("channels = [", f"id, role, location, instrument; {GUESS} {_said(message('draft.roles'))}")
        channels = self._channels()
        for name in self._shared.sets_among(tuple(channels)):
            there = self._shared.channel_sets[name]
            yield _beside(f"  {_quoted(name)},", _said(message("draft.channel-set", channels=there)))
            channels = {channel: each for channel, each in channels.items() if channel not in there}
        for channel, (role, unit) in channels.items():
            instrument = self._instrument_of(channel)
            row = f'  [{_quoted(channel)}, "{role}", "", {_quoted(instrument or "")}],'
            said = unit or _said(message("draft.no-unit"))
            yield _beside(row, f"{said}; {GUESS} {_said(message('draft.instrument'))}" if instrument else said)
        yield "]"

    def _of_laboratory(self) -> Iterator[str]:
        """What the laboratory file holds, by its ids: the exciter where it has one; of people it cannot know who."""
        if self._shared.file is None:
            return
        yield from _comment(message("draft.laboratory", path=self._shared.file, mark=GUESS))
        several = ", ".join(map(_quoted, self._shared.exciters))
        if len(self._shared.exciters) == 1:
            yield _beside(f"exciter = {several}", f"{GUESS} {_said(message('draft.only-exciter'))}")
        elif self._shared.exciters:
            yield _beside('# exciter = ""', _said(message("draft.one-of", ids=self._shared.exciters)))
        if self._shared.people:
            said = _said(message("draft.people"))
            yield _beside(f"# people = [{', '.join(map(_quoted, self._shared.people))}]", said)

    def _instrument_of(self, channel: str) -> str | None:
        return self._shared.instrument_of(channel, [each for run in self._runs for each in run.remarks])

    def _channels(self) -> dict[str, tuple[str, str]]:
        """Role and unit of each channel of any log."""
        from reportgen.read.log_columns import looks_like_drive

        controls = {each for run in self._runs for each in run.controls}
        found: dict[str, tuple[str, str]] = {}
        for run in self._runs:
            for channel, unit in run.channels:
                beside = "monitor" if unit and not _may_respond(unit) else "response"
                role = "control" if channel in controls else "drive" if looks_like_drive(channel) else beside
                found.setdefault(channel, (role, unit))
        order = ("drive", "control", "response", "monitor")
        return dict(sorted(found.items(), key=lambda each: order.index(each[1][0])))

    def _columns(self) -> Iterator[str]:
        """Units that no header says, and columns of other names that may be the same channels."""
        lacking = dict(each for run in self._runs for each in run.without_unit)
        same, as_set = self._same_places(), self._same_as_set()
        if not lacking and not same and not as_set:
            return
        yield ""
        if lacking:
            yield "[columns]"
            blank = _said(message("draft.fill-unit"))
            yield from (
                _beside(f"{_quoted(key)} = {_quoted(column + ' / ...')}", blank) for key, column in lacking.items()
            )
        remarks: list[str] = []
        if same:
            remarks += _comment(message("draft.same-places", mark=GUESS))
        if as_set:
            name = next(name for name, own in self._shared.controls.items() if own)
            remarks += _comment(message("draft.same-as-set", mark=GUESS, set=name, columns=tuple(as_set.values())))
        yield from remarks
        yield from (["# [columns]"] if remarks and not lacking else [])
        yield from (f"# {_quoted(key)} = {_quoted(column)}" for key, column in {**same, **as_set}.items())

    def _same_as_set(self) -> dict[str, str]:
        """Controls of the laboratory's one set that the logs name otherwise, with the columns that may be they."""
        logged = [channel for channel, (role, _) in self._channels().items() if role == "control"]
        sets = [own for own in self._shared.controls.values() if own]
        if len(sets) != 1 or len(sets[0]) != len(logged) or {*sets[0]} & {*logged}:
            return {}
        return dict(zip(sets[0], logged, strict=True))

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
        if self._specimens:
            yield f"specimen = {_quoted(self._first_specimen())}"
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
            specimen = self._specimens.get(run.id)
            if specimen is not None and specimen != self._first_specimen():
                cells += [*(['""'] if run.started is None else []), _quoted(specimen)]
            yield _beside(f"  [{', '.join(cells)}],", f"{GUESS} {_said(_swept(run))}{self._only_section(run)}")
        yield "]"

    def _first_specimen(self) -> str:
        return next(iter(self._specimens.values()))

    def _only_section(self, run: Seen) -> str:
        """What to decide where a run covers only a section of the profile of others."""
        others = next((runs for runs in self._profiles.values() if run in runs), [])
        return f"; {_said(message('draft.section'))}" if any(is_section(run, each) for each in others) else ""

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
        """Requirements to take off their remark signs: one for all surveys around tests, one for each other pair."""
        around, pairs = one_clause(self._runs, self._specimens)
        if around:
            yield from self._pair(['# surveys = "before and after"'], around)
        for before, after in pairs:
            keys = [f"# before = {_quoted(before.id)}", f"# after = {_quoted(after.id)}"]
            yield from self._pair(keys, [(before, after)])

    def _pair(self, keys: Sequence[str], pairs: Sequence[Pair]) -> Iterator[str]:
        yield ""
        named = tuple(message("judge.pair", before=one.id, after=other.id) for one, other in pairs)
        yield from _comment(message("draft.pair", pairs=named, mark=GUESS))
        text = _said(message("draft.shift-clause"))
        yield from ("# [[requirement]]", '# clause = ""', f"# text = {_quoted(text)}", '# check = "frequency shift"')
        yield from (*keys, '# limit = "5 %"')

    def _left_out(self) -> Iterator[str]:
        for run in self._faulty:
            yield ""
            why = tuple(each.message for each in run.faults)
            yield from _comment(message("draft.left-out", log=f"logs/{run.path.name}", reasons=why))


def _may_respond(unit: str) -> bool:
    """Whether a channel in that unit may be a response of the structure: a motion, a force or a ratio of them."""
    try:
        return parse_unit(unit).dimension not in ("strain", "voltage", "current", "pressure")
    except UnitError:
        return True


def _profiles_of(runs: Sequence[Seen], shared: Shared) -> tuple[list[str], dict[str, list[Seen]]]:
    """Profiles that the draft has to write, and runs by the profile they followed, a laboratory's by its own id."""
    own: list[str] = []
    found: dict[str, list[Seen]] = {}
    for name, several in grouped(runs).items():
        theirs = shared.profile_of(several)
        taken = theirs or _free(name, {each.id for each in shared.profiles})
        own += [] if theirs else [taken]
        found.setdefault(taken, []).extend(several)
    return own, found


def _free(name: str, taken: set[str]) -> str:
    """A name that no profile of the laboratory has, so that it is not based on that one."""
    numbered = (f"{name}-{number}" for number in range(2, len(taken) + 3))
    return name if name not in taken else next(each for each in numbered if each not in taken)


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
    for corner in typical(runs).corners:
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
