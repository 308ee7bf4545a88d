"""Amendment: what a new revision changes against the one it replaces (ISO/IEC 17025:2017, 7.8.8)."""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from reportgen.archive.bag import JOB, RESULTS
from reportgen.archive.compare import ABSENT, Difference, compare_results
from reportgen.archive.open_archive import digest_of, open_archive, read_json
from reportgen.errors import ArchiveError
from reportgen.records.report import Amendment, Change, Report

SUPERSEDED = "supersedes.json"
"""Name in the archive of the amendment, so that the amended report can be made again without the old archive."""

_JOB_FILE = "job.toml"
_NOT_A_CHANGE = ("software", "schema", "job.revision", "supersedes")
_NOTHING = "—"
_TEXT = (".toml", ".txt", ".md", ".csv")


def amendment_of(superseded: Path, report: Report, results: Mapping[str, Any]) -> Amendment:
    """What ``report``, with these results, changes against the report of an archive.

    Raises ArchiveError where the archive cannot be read, or is not what was archived: a revision must not be held
    against a spoilt original; or where it is of another report.
    """
    with open_archive(superseded) as archive:
        if archive.problems:
            raise ArchiveError(
                f"{superseded} is not what was archived ({archive.problems[0].text}); an amendment needs the original"
            )
        old = archive.json(RESULTS)
        texts = _texts_of(report)
        names = {*texts, *(name.removeprefix(JOB) for name in archive.found if _is_text(name))}
        old_texts = {name: text for name in names if (text := archive.text(JOB + name)) is not None}
    number, revision = _identity(old, superseded)
    if number != report.job.report.number:
        raise ArchiveError(
            f"{superseded} is report {number}; found {report.job.report.number} in {report.job.file.name}. An "
            f"amendment keeps the number and gets the next revision"
        )
    return Amendment(
        number=number,
        revision=revision,
        sha256=digest_of(superseded),
        changes=changes(old, results, old_texts, texts),
    )


def amended(report: Report, amendment: Amendment) -> Report:
    """The report as an amendment; it gets the next revision where the job file still states the one replaced."""
    identity = report.job.report
    if identity.revision == amendment.revision:
        identity = replace(identity, revision=next_revision(amendment.revision))
    return replace(report, job=replace(report.job, report=identity), amendment=amendment)


def kept_amendment(report: Report) -> Report:
    """A report recomputed from an unpacked archive, as the amendment it was; unchanged where it was none.

    Raises ArchiveError where what the archive keeps of the amendment cannot be read.
    """
    kept = report.job.folder.parent / SUPERSEDED
    if not kept.is_file():
        return report
    return amended(report, read_amendment(kept.read_text(encoding="utf-8", errors="replace"), kept.name))


def _identity(results: Any, superseded: Path) -> tuple[str, str]:
    """Number and revision of the report that results are of."""
    identity = results.get("job") if isinstance(results, dict) else None
    found = tuple(identity.get(key) for key in ("number", "revision")) if isinstance(identity, dict) else ()
    match found:
        case (str(number), str(revision)):
            return number, revision
    raise ArchiveError(f"{superseded}: {RESULTS} does not say which report it is")


def _texts_of(report: Report) -> dict[str, str]:
    """The job file and the notes, where they are text."""
    paths = [Path(report.job.file.name), *report.job.notes_files]
    return {
        path.as_posix(): (report.job.folder / path).read_text(encoding="utf-8", errors="replace")
        for path in paths
        if path.suffix in _TEXT
    }


def _is_text(name: str) -> bool:
    """Whether an archived file is the job file or notes: they lie at the top of the job folder."""
    plain = name.removeprefix(JOB)
    return name.startswith(JOB) and "/" not in plain and plain.endswith(_TEXT)


def changes(
    old_results: Mapping[str, Any],
    new_results: Mapping[str, Any],
    old_texts: Mapping[str, str],
    new_texts: Mapping[str, str],
) -> tuple[Change, ...]:
    """Every number, verdict, input and text that changed: results first, then the job file, then the notes.

    >>> changes({"runs": [{"id": "X", "q": 38.1}]}, {"runs": [{"id": "X", "q": 40.0}]}, {}, {})
    (Change(what='run X: Q', before='38.1', after='40.0'),)
    """
    found = [
        Change(what=in_words(each.where), before=_shown(each.reported), after=_shown(each.recomputed))
        for each in _leaves(compare_results(old_results, new_results))
        if each.where.partition("[")[0] not in _NOT_A_CHANGE and not each.where.startswith("supersedes.")
    ]
    found += _input_changes(old_results, new_results)
    for name in sorted({*old_texts, *new_texts}, key=lambda each: (each != _JOB_FILE, each)):
        found += _text_changes(name, old_texts.get(name), new_texts.get(name))
    return tuple(found)


def in_words(where: str) -> str:
    """A place in results.json in words.

    >>> in_words("runs[X-PRE].channels[A1].resonances[0].frequency_std_hz")
    'run X-PRE, channel A1, resonance 1: standard uncertainty of frequency (Hz)'
    >>> in_words("verdicts[R3].result")
    'requirement R3: result'
    """
    places, rest = [], where
    while match := re.match(r"(\w+)\[([^\]]*)\]\.?", rest):
        name, key = match.groups()
        places.append(f"{_ONE.get(name, name)} {int(key) + 1 if key.isdigit() else key}")
        rest = rest[match.end() :]
    return ", ".join(places) + (": " if places and rest else "") + ", ".join(_field(each) for each in rest.split("."))


_ONE = {
    "runs": "run",
    "channels": "channel",
    "resonances": "resonance",
    "verdicts": "requirement",
    "modes": "mode",
    "beams": "beam fit",
    "shifts": "shift",
    "findings": "finding",
    "notes": "note",
    "flags": "flag",
    "holds": "hold",
    "level_steps": "level step",
    "outside_bands": "band outside tolerance",
}
_UNITS = {"_hz": " (Hz)", "_db": " (dB)", "_deg": " (°)", "_s": " (s)", "_mps2": " (m/s²)"}


def _field(name: str) -> str:
    """A field of results.json in words: its unit in brackets, ``std`` spelt out."""
    unit = next((unit for unit in _UNITS if name.endswith(unit)), "")
    plain = name.removesuffix(unit)
    of = "standard uncertainty of " if plain.endswith("_std") else ""
    plain = plain.removesuffix("_std").replace("_", " ")
    return of + ("Q" if plain == "q" else plain) + _UNITS.get(unit, "")


def _leaves(differences: tuple[Difference, ...]) -> Iterator[Difference]:
    """Differences down to single values: an entry that came or went is told number by number."""
    for each in differences:
        if each.where.startswith("inputs["):
            continue
        one, other = ({} if side is ABSENT else side for side in (each.reported, each.recomputed))
        if isinstance(one, dict | list) or isinstance(other, dict | list):
            yield from _spread(each.where, each.reported, each.recomputed)
        else:
            yield each


def _spread(where: str, one: Any, other: Any) -> Iterator[Difference]:
    left, right = dict(_values(where, one)), dict(_values(where, other))
    for path in (*left, *(path for path in right if path not in left)):
        if left.get(path, ABSENT) != right.get(path, ABSENT):
            yield Difference(where=path, reported=left.get(path, ABSENT), recomputed=right.get(path, ABSENT))


def _values(where: str, value: Any) -> Iterator[tuple[str, Any]]:
    """Every single value below a place, with its own place."""
    if isinstance(value, dict) and value:
        for key, each in value.items():
            yield from _values(f"{where}.{key}", each)
    elif isinstance(value, list) and value:
        for index, each in enumerate(value):
            yield from _values(f"{where}[{index}]", each)
    elif value is not ABSENT:
        yield where, value


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
    return [
        Change(what=f"job.toml {each.where}", before=_shown(each.reported), after=_shown(each.recomputed))
        for each in _leaves(compare_results(old, new))
        if each.where != "report.revision"
    ]


def _line_changes(name: str, old: list[str], new: list[str]) -> Iterator[Change]:
    matcher = difflib.SequenceMatcher(a=old, b=new, autojunk=False)
    for tag, first, last, new_first, new_last in matcher.get_opcodes():
        if tag != "equal":
            line = (new_first if tag != "delete" else first) + 1
            yield Change(
                what=f"{name}:{line}",
                before="\n".join(old[first:last]) or _NOTHING,
                after="\n".join(new[new_first:new_last]) or _NOTHING,
            )


def _shown(value: Any) -> str:
    if value is ABSENT:
        return _NOTHING
    return "none" if value is None else str(value)


def next_revision(revision: str) -> str:
    """The revision after this one.

    >>> [next_revision(each) for each in ("A", "Z", "AZ", "1", "09", "B2")]
    ['B', 'AA', 'BA', '2', '10', 'B3']
    """
    stem = revision.rstrip("0123456789")
    if stem != revision:
        number = revision[len(stem) :]
        return stem + str(int(number) + 1).zfill(len(number))
    if not (revision.isascii() and revision.isalpha()):
        return f"{revision}.1"
    head, last = revision[:-1], revision[-1]
    if last not in "zZ":
        return head + chr(ord(last) + 1)
    first = "a" if last == "z" else "A"
    return (next_revision(head) if head else first) + first


def amendment_json(record: Amendment) -> bytes:
    """``supersedes.json``: the amendment as the archive keeps it."""
    return (json.dumps(asdict(record), indent=1, ensure_ascii=False, sort_keys=True) + "\n").encode()


def read_amendment(text: str, where: str) -> Amendment:
    """The amendment that an archive keeps. Raises ArchiveError."""
    fields = read_json(text, where)
    try:
        return Amendment(**{**fields, "changes": tuple(Change(**each) for each in fields["changes"])})
    except (TypeError, KeyError) as problem:
        raise ArchiveError(f"{where} is not what a build writes: {problem}") from problem
