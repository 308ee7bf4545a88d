"""Issue: which sets of outputs stand in a folder, and what a new one does to them.

A set is *issued* once a build without ``--draft`` has put its report, PDF and archive into the folder. From then on
nothing of it is overwritten or deleted: the same content again is no new issue, other content is refused under the same
number and revision, and an amendment (``--supersedes``) takes the fixed names while what it replaces moves, as it is,
into a folder named after its number and revision. Everything else a build writes may be replaced by a later build.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

from reportgen.archive.amendment import next_revision
from reportgen.archive.manifest import other_version, safe_name
from reportgen.archive.open_archive import read_json
from reportgen.errors import ArchiveError
from reportgen.records.message import Message, Value, message

MARKER = "reportgen-sets.json"
"""File by which a folder is known as a build's own: every set in it, with the digest of every file."""

_FORMAT = "reportgen sets 1"
"""First words of a marker, so that a later form is told from this one."""
_DIGEST = re.compile(r"[0-9a-f]{64}")
"""A SHA-256 in hexadecimal (FIPS 180-4)."""


class Standing(StrEnum):
    """What a set is worth."""

    ISSUED = "issued"
    DRAFT = "draft"
    INTERIM = "interim"
    """Not issued: results alone, a report that lacks its PDF, an example of the program's own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportSet:
    """One set of outputs, with what it was made from."""

    number: str = ""
    revision: str = ""
    standing: Standing = Standing.INTERIM
    alone: bool = False
    """Only results, by ``--results-only``."""
    archive: str = ""
    """Name of its archive; it never moves."""
    supersedes: str = ""
    """SHA-256 of the archive of the revision that it replaces."""
    inputs: Mapping[str, str] = field(default_factory=dict)
    """Name to digest of what was read."""
    versions: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, str] = field(default_factory=dict)
    """Name to digest of what was written."""
    folder: str = ""
    """Where its files lie now; empty for those that stand at the fixed names."""

    def place(self, name: str) -> str:
        """Where one of its files lies now.

        >>> kept = ReportSet(archive="V-1-A.zip", folder="V-1-A")
        >>> kept.place("report.pdf"), kept.place("V-1-A.zip")
        ('V-1-A/report.pdf', 'V-1-A.zip')
        """
        return name if not self.folder or name == self.archive else f"{self.folder}/{name}"

    @property
    def placed(self) -> dict[str, str]:
        """Place to digest."""
        return {self.place(name): digest for name, digest in self.files.items()}

    @property
    def archive_digest(self) -> str:
        """SHA-256 of its archive; empty where it has none."""
        return self.files.get(self.archive, "")

    @property
    def named(self) -> Message:
        """Which report it is of."""
        return message("issue.report", number=self.number, revision=self.revision)


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What becomes of the sets that stand in a folder."""

    same: ReportSet | None = None
    """Stands there already with the same content."""
    replaced: tuple[ReportSet, ...] = ()
    """Not issued; their files give way."""
    moved: ReportSet | None = None
    """Superseded; its files move to a folder of its own."""

    def sets(self, present: Sequence[ReportSet], new: ReportSet) -> tuple[ReportSet, ...]:
        """The sets that stand afterwards."""
        if self.same is not None:
            return tuple(present)
        kept = [each for each in present if each not in self.replaced and each is not self.moved]
        return (new, *(() if self.moved is None else (put_aside(self.moved),)), *kept)


def put_aside(which: ReportSet) -> ReportSet:
    """A superseded set in the folder that bears its number and revision; what an issue cites is issued itself."""
    return replace(which, folder=which.archive.removesuffix(".zip"), standing=Standing.ISSUED)


def decide(present: Sequence[ReportSet], new: ReportSet, target: Path) -> Decision:
    """What ``new`` does to the sets that are ``present`` in ``target``. Raises ArchiveError where it must not be."""
    _refuse_other_report(present, new, target)
    draft = next((each for each in present if each.standing is Standing.DRAFT), None)
    main = next((each for each in present if each.standing is not Standing.DRAFT and not each.folder), None)
    if new.standing is Standing.DRAFT:
        return _replacing(draft, new, target)
    if new.standing is Standing.INTERIM and main is not None and main.standing is Standing.ISSUED:
        return _beside_issued(main, new, target)
    if new.standing is Standing.ISSUED:
        known = next((each for each in present if _issued_as(each, new)), None)
        if known is not None:
            return _again(known, main or known, new, target)
        if main is not None and new.supersedes and main.archive_digest == new.supersedes:
            return Decision(moved=main)
        if main is not None and main.standing is Standing.ISSUED:
            raise ArchiveError(
                message(
                    "issue.needs-supersedes",
                    target=str(target),
                    issued=main.named,
                    revision=new.revision,
                    archive=str(target / main.archive),
                )
            )
    return _replacing(main, new, target)


def _issued_as(each: ReportSet, new: ReportSet) -> bool:
    return each.standing is Standing.ISSUED and (each.number, each.revision) == (new.number, new.revision)


def _refuse_other_report(present: Sequence[ReportSet], new: ReportSet, target: Path) -> None:
    for each in present:
        if each.standing is Standing.ISSUED and each.number != new.number:
            raise ArchiveError(message("issue.other-report", target=str(target), issued=each.named, number=new.number))


def _again(known: ReportSet, newest: ReportSet, new: ReportSet, target: Path) -> Decision:
    """The same number and revision once more: the same content is no new issue, any other is refused."""
    if known.files == new.files:
        return Decision(same=known)
    raise ArchiveError(
        message(
            "issue.never-overwritten",
            target=str(target),
            issued=known.named,
            why=why_other(known, new),
            revision=next_revision(newest.revision),
            archive=str(target / newest.archive),
        )
    )


def _beside_issued(issued: ReportSet, new: ReportSet, target: Path) -> Decision:
    """Results alone, or a set without its PDF, where an issued set stands."""
    if _part_of(new, issued):
        return Decision(same=issued)
    raise ArchiveError(
        message("issue.only-draft-beside", target=str(target), issued=issued.named, why=why_other(issued, new))
    )


def _replacing(old: ReportSet | None, new: ReportSet, target: Path) -> Decision:
    """A set that may be replaced gives way; but results alone never take a whole report's place."""
    if old is None:
        return Decision()
    if new.alone and not old.alone and len(old.files) > len(new.files):
        if _part_of(new, old):
            return Decision(same=old)
        raise ArchiveError(message("issue.whole-report", target=str(target), standing=old.standing))
    return Decision(replaced=(old,))


def _part_of(new: ReportSet, whole: ReportSet) -> bool:
    return all(whole.files.get(name) == digest for name, digest in new.files.items())


def forbid_early(present: Sequence[ReportSet], new: ReportSet, target: Path) -> None:
    """Refuse, before anything is computed, what ``decide`` will surely refuse: inputs other than those of an issue."""
    _refuse_other_report(present, new, target)
    main = next((each for each in present if each.standing is Standing.ISSUED and not each.folder), None)
    for known in present:
        if new.standing is Standing.ISSUED and _issued_as(known, new) and known.inputs != new.inputs:
            _again(known, main or known, new, target)


def why_other(old: ReportSet, new: ReportSet) -> Message:
    """Why the content of two sets differs, as far as that can be told from what they were made from."""
    if changed := _differing(old.inputs, new.inputs):
        return message("issue.inputs-changed", names=_some(changed))
    if changed := _differing(old.versions, new.versions):
        versions = [other_version(name, old.versions.get(name), new.versions.get(name)) for name in changed]
        return message("issue.other-software", versions=_some(versions))
    return message("issue.outputs-differ", names=_some(_differing(old.files, new.files)))


def _differing(one: Mapping[str, str], other: Mapping[str, str]) -> list[str]:
    return sorted(name for name in {*one, *other} if one.get(name) != other.get(name))


_MOST_NAMED = 5
"""Files or versions named in a refusal; further ones are counted."""


def _some(names: Sequence[Value]) -> Message:
    if len(names) > _MOST_NAMED:
        return message("issue.some", names=tuple(names[:_MOST_NAMED]), more=len(names) - _MOST_NAMED)
    return message("issue.all", names=tuple(names))


def sets_json(sets: Sequence[ReportSet]) -> bytes:
    """The marker of a folder."""
    found = [
        {name: _plain(getattr(each, name)) for name in ReportSet.__dataclass_fields__}
        for each in sorted(sets, key=lambda each: (each.folder, each.standing))
    ]
    return (json.dumps({"format": _FORMAT, "sets": found}, indent=1, ensure_ascii=False) + "\n").encode()


def _plain(value: object) -> object:
    return dict(sorted(value.items())) if isinstance(value, Mapping) else value


def read_sets(text: str, where: str) -> tuple[ReportSet, ...]:
    """The sets that a marker lists. Raises ArchiveError where it is not one that a build writes."""
    found = read_json(text, where)
    try:
        if found["format"] != _FORMAT:
            raise ArchiveError(
                message("archive.other-format", where=where, found=str(found["format"])[:40], expected=_FORMAT)
            )
        return tuple(_set_of(each, where) for each in found["sets"])
    except (KeyError, TypeError, ValueError, AttributeError) as problem:
        raise ArchiveError(message("archive.not-of-a-build", where=where, reason=str(problem))) from problem


def _set_of(fields: dict[str, Any], where: str) -> ReportSet:
    made = ReportSet(**{**fields, "standing": Standing(fields["standing"])})
    texts = (made.number, made.revision, made.archive, made.supersedes, made.folder)
    if not all(isinstance(each, str) for each in texts) or not isinstance(made.alone, bool):
        raise ArchiveError(message("issue.field-of-other-kind", where=where))
    for table in (made.inputs, made.versions, made.files):
        if not all(isinstance(each, str) for pair in table.items() for each in pair):
            raise ArchiveError(message("issue.table-not-text", where=where))
    if any(not safe_name(made.place(name)) or not _DIGEST.fullmatch(digest) for name, digest in made.files.items()):
        raise ArchiveError(message("issue.no-name-or-digest", where=where))
    return made
