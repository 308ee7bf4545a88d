"""Changes: every difference of two results and their texts, as messages (ISO/IEC 17025:2017, 7.8.8)."""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Iterator, Mapping, Sequence
from itertools import zip_longest
from typing import Any

from reportgen.archive.compare import ORDER, Difference, Step, compare_results
from reportgen.archive.moved_lines import LineMoved, changed_blocks, moved_lines, with_lines_moved
from reportgen.archive.pairing import ABSENT, Entry, paired
from reportgen.records.message import Message, Place, Value, message
from reportgen.records.report import Change

_JOB_FILE = "job.toml"
"""Text file whose changes are told by its keys."""
_NOT_A_CHANGE = ("software", "schema", "job.revision", "supersedes", "inputs")
"""Places in results that say nothing of the test, or are told by themselves."""
_NOTHING = message("as-written", text="—")
"""Stands where there is no value on that side."""
_INSIDE = ("channels", "resonances")
"""Lists inside an entry that came or went whose entries are told each by itself."""
_ORDER = ("overall", "verdicts", "job", "modes", "runs", "shifts", "level_dependence", "beams", "findings")
"""Order in which changes are told, by the first step of their place."""
_UNITS = {"_hz": "Hz", "_db": "dB", "_deg": "°", "_s": "s", "_mps2": "m/s²"}
"""Units by the end of a field's name, as README of the archive tells them."""


def changes(
    old_results: Mapping[str, Any],
    new_results: Mapping[str, Any],
    old_texts: Mapping[str, str],
    new_texts: Mapping[str, str],
) -> tuple[Change, ...]:
    """Every number, verdict, input and text that changed: verdicts first, then numbers, the job file, the notes.

    >>> changes({"job": {"title": "Box"}}, {"job": {"title": "Boom"}}, {}, {})[0].after.value("text")
    'Boom'
    """
    told_by_line = {*old_texts, *new_texts}
    in_new_lines = with_lines_moved(old_results, moved_lines(old_texts, new_texts))
    differences = [
        each
        for each in compare_results(in_new_lines, new_results)
        if _is_change(each) and not _told(each, told_by_line)
    ]
    differences.sort(key=lambda each: _ORDER.index(each.steps[0]) if each.steps[0] in _ORDER else len(_ORDER))
    found = [change for each in differences for change in _result_changes(each)]
    found += _input_changes(old_results, new_results)
    for name in sorted(told_by_line, key=lambda each: (each != _JOB_FILE, each)):
        found += _text_changes(name, old_texts.get(name), new_texts.get(name))
    return tuple(found)


def _is_change(each: Difference) -> bool:
    """Whether a difference says something of the test: another order, program or revision does not."""
    if each.steps[0] in _NOT_A_CHANGE or each.where in _NOT_A_CHANGE or each.steps[-1] == ORDER:
        return False
    return not any(isinstance(step, str) and _repeats_a_text(step) for step in each.steps)


def _repeats_a_text(key: str) -> bool:
    """Whether a key of results holds code and values of a text that stands beside it in words."""
    return key in ("code", "values") or key.endswith(("_message", "_messages"))


def _told(each: Difference, told_by_line: Collection[str]) -> bool:
    """Whether a difference shows among the lines of a text file, or is of a line's number alone.

    What was read from a note is a result, and stays.
    """
    match each.steps:
        case ("notes", Entry(where=str(where))) | ("notes", Entry(where=str(where)), "text"):
            return where.rpartition(":")[0] in told_by_line
        case ("notes" | "findings", Entry(), "where"):
            one, other = (str(side).rpartition(":")[0] for side in (each.reported, each.recomputed))
            return one == other
    return False


def _result_changes(each: Difference) -> Iterator[Change]:
    """A difference as changes in words: a value, or the values of an entry that came or went."""
    *above, last = each.steps
    one, other = each.reported, each.recomputed
    if isinstance(last, Entry) and (one is ABSENT or other is ABSENT):
        yield from _coming_and_going(above, last, one, other)
    elif isinstance(one, dict | list) or isinstance(other, dict | list):
        for path in _paths_that_differ(each):
            yield Change(what=place_said(path.steps), before=_shown(path.reported), after=_shown(path.recomputed))
    else:
        yield Change(what=place_said(each.steps), before=_shown(one), after=_shown(other))


def _coming_and_going(above: Sequence[Step], entry: Entry, one: Any, other: Any) -> Iterator[Change]:
    """An entry that came or went, with all its values; the entries inside it each by itself."""
    present = one if other is ABSENT else other
    which = _entry([_one_of(above[-1])], entry, place_counts=False)
    what = message("change.removed", which=which) if other is ABSENT else message("change.added", which=which)
    if len(above) > 1:
        what = message("change.within", place=place_said(above[:-1]), what=what)
    values = _listed(present)
    yield Change(what=what, before=values if other is ABSENT else _NOTHING, after=values if one is ABSENT else _NOTHING)
    for name in _INSIDE:
        for pair in paired(_tables(present, name), [])[0]:
            inside = (pair.one, ABSENT) if other is ABSENT else (ABSENT, pair.one)
            yield from _coming_and_going((*above, entry, name), pair.entry, *inside)


def _tables(entry: Any, name: str) -> list[dict[str, Any]]:
    """The tables of a list inside an entry; none where it has no such list."""
    inner = entry.get(name) if isinstance(entry, dict) else None
    return [each for each in inner if isinstance(each, dict)] if isinstance(inner, list) else []


def _listed(entry: Any) -> Message:
    """All that an entry says, on one line: ``frequency (Hz) 240.0; Q 38.1``; what it does not know is left out."""
    if not isinstance(entry, dict):
        return _shown(entry)
    values = [
        (steps, value)
        for key, member in entry.items()
        if (not _tables(entry, key) or key not in _INSIDE) and not _repeats_a_text(key)
        for steps, value in _values((key,), member)
        if value not in (None, "", [], {})
    ]
    if not values:
        return _NOTHING
    told = (message("change.value", name=place_said(steps), value=_shown(value)) for steps, value in values)
    return message("change.values", values=tuple(told))


def place_said(steps: Sequence[Step]) -> Message:
    """A place in results.json, as in ``run X-PRE, channel A1, resonance at 70.296 Hz (mode 2): Q``."""
    places: list[Message] = []
    fields: list[Value] = []
    for step, following in zip_longest(steps, steps[1:]):
        if isinstance(step, Entry):
            continue
        if isinstance(following, Entry):
            places.append(_entry([*fields, _one_of(step)], following))
            fields = []
        else:
            fields.append(_field(step))
    if not places:
        return message("change.field", fields=tuple(fields))
    if not fields:
        return message("change.place", places=tuple(places))
    return message("change.place-field", places=tuple(places), fields=tuple(fields))


def _entry(kinds: Sequence[Value], entry: Entry, *, place_counts: bool = True) -> Message:
    """An entry by its kind and what tells it from its neighbours."""
    label = tuple(_label(entry)) or ((str(entry.place + 1),) if place_counts else ())
    if not label:
        return message("change.field", fields=tuple(kinds))
    return message("change.entry", kinds=tuple(kinds), label=label)


def _label(entry: Entry) -> Iterator[Value]:
    """What tells an entry from its neighbours."""
    if entry.name is not None or entry.where is not None:
        yield str(entry)
        return
    if entry.about:
        about = (message("change.axis", axis=text) if key == "axis" else text for key, text in entry.about)
        yield message("change.about", about=tuple(about))
    if entry.frequency_hz is not None:
        yield message("change.at", frequency_hz=entry.frequency_hz)
    if entry.number is not None:
        yield message("change.mode", mode=entry.number)


def _one_of(name: Step) -> Message:
    """One entry of a list of results.json."""
    return message("change.one", name=str(name))


def _field(name: str) -> Message:
    """A field of results.json: its unit in brackets, ``std`` spelt out."""
    ending = next((ending for ending in _UNITS if name.endswith(ending)), "")
    plain, std, part = name.removesuffix(ending).partition("_std")
    field = message("change.named", name=plain)
    if std and part:
        field = message("field.std-part", field=field, part=part.removeprefix("_").replace("_", " "))
    elif std:
        field = message("field.std", field=field)
    return message("field.with-unit", field=field, unit=_UNITS[ending]) if ending else field


def _paths_that_differ(each: Difference) -> Iterator[Difference]:
    """A difference of whole tables or lists down to single values."""
    left, right = (dict(_values(each.steps, side)) for side in (each.reported, each.recomputed))
    for steps in (*left, *(steps for steps in right if steps not in left)):
        one, other = left.get(steps, ABSENT), right.get(steps, ABSENT)
        if one != other:
            yield Difference(steps=steps, reported=one, recomputed=other)


def _values(steps: tuple[Step, ...], value: Any) -> Iterator[tuple[tuple[Step, ...], Any]]:
    """Every single value below a place, with its own place; a list of plain values is one."""
    if isinstance(value, dict) and value:
        for key, each in value.items():
            yield from _values((*steps, str(key)), each)
    elif isinstance(value, list) and any(isinstance(each, dict | list) for each in value):
        for index, each in enumerate(value):
            yield from _values((*steps, Entry(place=index)), each)
    elif value is not ABSENT:
        yield steps, value


def _input_changes(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[Change]:
    """Files that came, went or hold something else, each told once by its digest."""
    before, after = _digests(old), _digests(new)
    return [
        Change(what=message("change.file", path=path), before=_digest(before.get(path)), after=_digest(after.get(path)))
        for path in sorted({*before, *after})
        if before.get(path) != after.get(path)
    ]


def _digests(results: Mapping[str, Any]) -> dict[str, str]:
    """Path to digest of the inputs; an entry that is not of that form has none."""
    entries = results.get("inputs")
    return {
        str(each["path"]): str(each["sha256"])
        for each in (entries if isinstance(entries, list) else [])
        if isinstance(each, dict) and {"path", "sha256"} <= each.keys()
    }


_DIGITS_SHOWN = 16
"""Of a digest: 64 bits tell any two files apart that are not made to deceive; all 64 digits stand in the archive."""


def _digest(digest: str | None) -> Message:
    return _NOTHING if digest is None else message("as-written", text=f"SHA-256 {digest[:_DIGITS_SHOWN]}…")


def _text_changes(name: str, old: str | None, new: str | None) -> list[Change]:
    """What changed in a text file: keys of the job file, lines of any other."""
    if old == new:
        return []
    if name == _JOB_FILE and old is not None and new is not None:
        try:
            return _key_changes(tomllib.loads(old), tomllib.loads(new))
        except tomllib.TOMLDecodeError:
            pass  # told line by line below
    return list(_line_changes(name, (old or "").splitlines(), (new or "").splitlines()))


def _key_changes(old: dict[str, Any], new: dict[str, Any]) -> list[Change]:
    old, new = (
        {**{key: [] for key in (*old, *new) if _is_tables(old.get(key, new.get(key)))}, **each} for each in (old, new)
    )
    return [
        Change(
            what=message("change.job-key", file=_JOB_FILE, key=each.where),
            before=_listed(each.reported),
            after=_listed(each.recomputed),
        )
        for each in compare_results(old, new)
        if each.where != "report.revision" and each.steps[-1] != ORDER
    ]


def _is_tables(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(each, dict) for each in value)


def _line_changes(name: str, old: list[str], new: list[str]) -> Iterator[Change]:
    for first, last, new_first, new_last in changed_blocks(old, new):
        yield Change(
            what=message("change.line", where=str(Place(name, (new_first if new_last > new_first else first) + 1))),
            before=_lines(old[first:last]),
            after=_lines(new[new_first:new_last]),
        )


def _lines(lines: Sequence[str]) -> Message:
    return message("as-written", text="\n".join(lines)) if lines else _NOTHING


def _shown(value: Any) -> Message:
    """A value letter for letter, numbers with all their digits."""
    match value:
        case LineMoved():
            return message("as-written", text=value.written)
        case None | []:
            return message("change.none")
        case dict() if not value:
            return message("change.none")
        case list():
            return message("change.list", values=tuple(map(_shown, value)))
        case dict():
            pairs = (message("change.value", name=str(key), value=_shown(each)) for key, each in value.items())
            return message("change.values", values=tuple(pairs))
    return _NOTHING if value is ABSENT else message("as-written", text=str(value))
