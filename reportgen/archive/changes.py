"""Changes: every difference of two results and their texts, told in words (ISO/IEC 17025:2017, 7.8.8)."""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Iterator, Mapping, Sequence
from itertools import zip_longest
from typing import Any

from reportgen.archive.compare import ORDER, Difference, Step, compare_results
from reportgen.archive.moved_lines import LineMoved, changed_blocks, moved_lines, with_lines_moved
from reportgen.archive.pairing import ABSENT, Entry, paired
from reportgen.records.report import Change

_JOB_FILE = "job.toml"
_NOT_A_CHANGE = ("software", "schema", "job.revision", "supersedes", "inputs")
_NOTHING = "—"


def changes(
    old_results: Mapping[str, Any],
    new_results: Mapping[str, Any],
    old_texts: Mapping[str, str],
    new_texts: Mapping[str, str],
) -> tuple[Change, ...]:
    """Every number, verdict, input and text that changed: verdicts first, then numbers, the job file, the notes.

    >>> changes({"runs": [{"id": "X", "q": 38.1}]}, {"runs": [{"id": "X", "q": 40.0}]}, {}, {})
    (Change(what='run X: Q', before='38.1', after='40.0'),)
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
    return each.steps[0] not in _NOT_A_CHANGE and each.where not in _NOT_A_CHANGE and each.steps[-1] != ORDER


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
            yield Change(what=in_words(path.steps), before=_shown(path.reported), after=_shown(path.recomputed))
    else:
        yield Change(what=in_words(each.steps), before=_shown(one), after=_shown(other))


def _coming_and_going(above: Sequence[Step], entry: Entry, one: Any, other: Any) -> Iterator[Change]:
    """An entry that came or went, with all its values; the entries inside it each by itself."""
    present, word = (one, "removed") if other is ABSENT else (other, "added")
    context = in_words(above[:-1])
    what = f"{context}{': ' if context else ''}{_one_of(above[-1])}{_label(entry, place_counts=False)} {word}"
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


def _listed(entry: Any) -> str:
    """All that an entry says, on one line: ``frequency (Hz) 240.0; Q 38.1``; what it does not know is left out."""
    if not isinstance(entry, dict):
        return _shown(entry)
    values = [
        (steps, value)
        for key, member in entry.items()
        if not _tables(entry, key) or key not in _INSIDE
        for steps, value in _values((key,), member)
        if value not in (None, "", [], {})
    ]
    return "; ".join(f"{in_words(steps)} {_shown(value)}" for steps, value in values) or _NOTHING


def in_words(steps: Sequence[Step]) -> str:
    """A place in results.json in words.

    >>> in_words(("runs", Entry(place=0, name="X-PRE"), "channels", Entry(place=0, name="A1"), "resonances",
    ...           Entry(place=0, frequency_hz=70.2958, number=2), "frequency_std_hz"))
    'run X-PRE, channel A1, resonance at 70.296 Hz (mode 2): standard uncertainty of frequency (Hz)'
    >>> in_words(("verdicts", Entry(place=2, name="R3"), "result"))
    'requirement R3: result'
    """
    places: list[str] = []
    fields: list[str] = []
    for step, following in zip_longest(steps, steps[1:]):
        if isinstance(step, Entry):
            continue
        if isinstance(following, Entry):
            places.append(f"{', '.join([*fields, _one_of(step)])}{_label(following)}")
            fields = []
        else:
            fields.append(_field(step))
    return ", ".join(places) + (": " if places and fields else "") + ", ".join(fields)


def _label(entry: Entry, *, place_counts: bool = True) -> str:
    """What tells an entry from its neighbours, after the word for it."""
    if entry.name is not None or entry.where is not None:
        return f" {entry}"
    label = f" {', '.join(entry.about)}" if entry.about else ""
    if entry.frequency_hz is not None:
        label += f" at {entry.frequency_hz:.5g} Hz"
    if entry.number is not None:
        label += f" (mode {entry.number})"
    return label or (f" {entry.place + 1}" if place_counts else "")


def _one_of(name: Step) -> str:
    return _ONE.get(str(name), str(name).replace("_", " "))


_INSIDE = ("channels", "resonances")
"""Lists inside an entry that came or went whose entries are told each by itself."""
_ORDER = ("overall", "verdicts", "job", "modes", "runs", "shifts", "level_dependence", "beams", "findings")
_ONE = {
    "runs": "run",
    "channels": "channel",
    "resonances": "resonance",
    "verdicts": "requirement",
    "modes": "mode",
    "beams": "beam fit",
    "shifts": "shift",
    "level_dependence": "level dependence",
    "findings": "finding",
    "notes": "note",
    "flags": "flag",
    "reasons": "reason",
    "facts": "reading",
    "quality": "fault of data",
    "holds": "hold",
    "level_steps": "level step",
    "outside_bands": "band outside tolerance",
    "aborted_bands": "band outside abort limits",
    "bands_hz": "band",
    "alternatives": "other boundary",
    "node_positions": "node position",
    "expected_positions": "expected node position",
    "seen_in": "seen in",
}
_UNITS = {"_hz": " (Hz)", "_db": " (dB)", "_deg": " (°)", "_s": " (s)", "_mps2": " (m/s²)"}


def _field(name: str) -> str:
    """A field of results.json in words: its unit in brackets, ``std`` spelt out."""
    unit = next((unit for unit in _UNITS if name.endswith(unit)), "")
    plain = name.removesuffix(unit)
    plain, std, part = plain.partition("_std")
    words = "Q" if plain == "q" else plain.replace("_", " ")
    whose = f" ({part.removeprefix('_').replace('_', ' ')})" if part else ""
    return ("standard uncertainty of " if std else "") + words + whose + _UNITS.get(unit, "")


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
        Change(what=f"file {path}", before=_digest(before.get(path)), after=_digest(after.get(path)))
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


def _digest(digest: str | None) -> str:
    return _NOTHING if digest is None else f"SHA-256 {digest[:16]}…"


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
        Change(what=f"job.toml {each.where}", before=_listed(each.reported), after=_listed(each.recomputed))
        for each in compare_results(old, new)
        if each.where != "report.revision" and each.steps[-1] != ORDER
    ]


def _is_tables(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(each, dict) for each in value)


def _line_changes(name: str, old: list[str], new: list[str]) -> Iterator[Change]:
    for first, last, new_first, new_last in changed_blocks(old, new):
        yield Change(
            what=f"{name}:{(new_first if new_last > new_first else first) + 1}",
            before="\n".join(old[first:last]) or _NOTHING,
            after="\n".join(new[new_first:new_last]) or _NOTHING,
        )


def _shown(value: Any) -> str:
    match value:
        case LineMoved():
            return value.written
        case list():
            return ", ".join(map(_shown, value)) or "none"
        case dict():
            return "; ".join(f"{key} {_shown(each)}" for key, each in value.items()) or "none"
    return _NOTHING if value is ABSENT else "none" if value is None else str(value)
