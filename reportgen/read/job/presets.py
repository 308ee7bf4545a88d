"""Presets: limits of common requirements, kept as editable TOML and filled in where a job file names them."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from reportgen.errors import ReadError
from reportgen.read.content import content_of
from reportgen.read.job.nearest import nearest
from reportgen.records.finding import Finding, error, note
from reportgen.records.message import Place, message

At = Callable[[tuple[str | int, ...]], Place]
Entry = dict[str, Any]
MARK = "preset:"
LARGEST_PRESETS = 4_000_000
"""Bytes of one file; above, it is a mistake or an attack."""


OWN = Path("presets")
"""Folder of a job's own presets, relative to the job."""


def preset_folders(job_folder: Path) -> tuple[Path, ...]:
    """Where presets are looked for: beside the job first, then those that ship with the program."""
    from reportgen.resources import data_dir

    return (job_folder / OWN, data_dir("templates") / "presets")


def expand_presets(
    raw: dict[str, Any], at: At, folders: tuple[Path, ...]
) -> tuple[dict[str, Any], tuple[Finding, ...]]:
    """The job's tables with every ``preset`` filled in, and findings: a note for each used, an error for each unknown.

    ``raw`` is what tomllib made of the job file and is left as it is; ``at`` gives the place of a key by its
    path. Keys of the job itself go before those of the preset.
    """
    if not any("preset" in each for each in _tables(raw, "requirement")) and not any(
        _is_named(each.get(key)) for each in _tables(raw, "profile") for key in ("tolerance", "abort")
    ):
        return raw, ()
    expander = _Expander(folders)
    filled = dict(raw)
    for kind, fill in (("requirement", expander.requirement), ("profile", expander.profile)):
        if isinstance(raw.get(kind), list):
            filled[kind] = [
                fill(each, kind, i, at) if isinstance(each, dict) else each for i, each in enumerate(raw[kind])
            ]
    return filled, tuple(expander.findings)


def own_presets(raw: Mapping[str, Any], job_folder: Path) -> tuple[Path, ...]:
    """Preset files beside the job that it names, relative to its folder: they are read before those of the program.

    ``raw`` is what tomllib made of the job file.
    """
    named = [each.get("preset") for each in _tables(raw, "requirement")]
    limits = (each.get(key) for each in _tables(raw, "profile") for key in ("tolerance", "abort"))
    named += [str(limit).strip()[len(MARK) :] for limit in limits if _is_named(limit)]
    files = {each.partition("/")[0].strip() for each in named if isinstance(each, str)}
    paths = (OWN / f"{file}.toml" for file in sorted(files) if file and Path(file).name == file)
    return tuple(path for path in paths if (job_folder / path).is_file())


def _tables(raw: Mapping[str, Any], kind: str) -> list[Entry]:
    found = raw.get(kind)
    return [each for each in found if isinstance(each, dict)] if isinstance(found, list) else []


def _is_named(value: object) -> bool:
    return isinstance(value, str) and value.strip().casefold().startswith(MARK)


class _Expander:
    """Fills tables in and gathers what there is to say."""

    def __init__(self, folders: tuple[Path, ...]) -> None:
        self._folders = folders
        self.findings: list[Finding] = []

    def requirement(self, table: Entry, kind: str, index: int, at: At) -> Entry:
        """A requirement with its preset's keys below its own."""
        if "preset" not in table:
            return table
        own = {key: value for key, value in table.items() if key != "preset"}
        place = at((kind, index, "preset"))
        entry = self._entry(table["preset"], "requirement", place)
        if entry is None:
            return own
        given = tuple(f"{key} = {entry[key]!r}" for key in ("check", "limit") if key in entry and key not in own)
        self._note(place, table["preset"], given, entry)
        return {**entry, **own}

    def profile(self, table: Entry, kind: str, index: int, at: At) -> Entry:
        """A profile with its tolerance and abort limits written out."""
        filled = dict(table)
        for key in ("tolerance", "abort"):
            if not _is_named(table.get(key)):
                continue
            place = at((kind, index, key))
            named = str(table[key]).strip()[len(MARK) :].strip()
            entry = self._entry(named, "tolerance", place)
            if entry is None:
                del filled[key]
                continue
            filled[key] = entry["limit"]
            if "source" not in table:
                filled["source"] = entry["source"]
            self._note(place, named, (f"{key} = {entry['limit']!r}",), entry)
        return filled

    def _note(self, place: Place, named: str, given: tuple[str, ...], entry: Entry) -> None:
        """Tell what a preset gives, as it would stand in the job file, and where it comes from."""
        self.findings.append(note(place, message("preset.gives", preset=named, lines=given, source=entry["source"])))

    def _entry(self, named: object, section: str, place: Place) -> Entry | None:
        """The entry ``FILE/NAME`` of a section, its source telling whence; None with an error laid down."""
        file, _, entry_name = named.partition("/") if isinstance(named, str) else ("", "", "")
        file, entry_name = file.strip(), entry_name.strip()
        if not file or not entry_name:
            self.findings.append(
                error(place, message("preset.not-known", preset=str(named), known=self._known(section)))
            )
            return None
        path = next(
            (each for each in (folder / f"{file}.toml" for folder in self._folders) if os.path.lexists(each)), None
        )
        if path is None or path.name != f"{file}.toml" or Path(file).name != file:
            known = self._known(section)
            near = nearest(file, [each.stem for each in self._files()])
            self.findings.append(
                error(place, message("preset.no-file", file=file, known=known))
                if near is None
                else error(place, message("preset.no-file-near", file=file, near=near, known=known))
            )
            return None
        return self._read(path, section, entry_name, place)

    def _read(self, path: Path, section: str, entry_name: str, place: Place) -> Entry | None:
        try:
            content = tomllib.loads(content_of(path, LARGEST_PRESETS).decode())
        except (OSError, ReadError) as failure:
            problem = failure.what if isinstance(failure, ReadError) else failure.strerror or str(failure)
            self.findings.append(error(place, message("preset.not-read", file=path.name, problem=problem)))
            return None
        except (ValueError, RecursionError) as failure:  # no TOML, no UTF-8, endless digits, endless nesting
            self.findings.append(error(place, message("preset.not-read", file=path.name, problem=str(failure))))
            return None
        entries = content.get(section)
        entries = entries if isinstance(entries, dict) else {}
        entry = entries.get(entry_name)
        if not isinstance(entry, dict):
            known = tuple(f"{path.stem}/{each}" for each in entries)
            what = message("preset.no-entry", file=path.name, entry=f"[{section}.{entry_name}]", known=known)
            near = nearest(entry_name, entries)
            if near is not None:
                what = message("preset.near", what=what, near=near)
            self.findings.append(error(place, what))
            return None
        return self._sourced(dict(entry), content, path, section, place)

    def _sourced(self, entry: Entry, content: Entry, path: Path, section: str, place: Place) -> Entry | None:
        """A limit without a source is not one."""
        needed = ("source", "limit") if section == "tolerance" else ("source", "check")
        missing = [key for key in needed if not entry.get(key)]
        if missing:
            self.findings.append(error(place, message("preset.key-missing", file=path.name, key=missing[0])))
            return None
        verify = content.get("verify")
        entry["source"] = f"{entry['source']} ({verify})" if verify else str(entry["source"])
        return entry

    def _files(self) -> Iterator[Path]:
        for folder in self._folders:
            yield from sorted(folder.glob("*.toml")) if folder.is_dir() else ()

    def _known(self, section: str) -> tuple[str, ...]:
        names = []
        for path in self._files():
            try:
                entries = tomllib.loads(content_of(path, LARGEST_PRESETS).decode()).get(section, {})
            except (OSError, ReadError, ValueError, RecursionError):
                continue
            names += [f"{path.stem}/{each}" for each in entries]
        return tuple(dict.fromkeys(names))
