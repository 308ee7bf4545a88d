"""What the tables of a job file say about one another: ids, references, and what each check needs.

Works on the bare TOML values, so that one faulty table does not hide the faults of the others.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date
from typing import Any

from reportgen.read.job.job_dates import date_findings
from reportgen.read.job.job_folder import slashed
from reportgen.read.job.nearest import near_or
from reportgen.read.job.places import Places
from reportgen.read.job.run_history import history_findings
from reportgen.records.check import Check, JobEvidence, check_named
from reportgen.records.finding import Finding, error, note, warning
from reportgen.records.job import BY_REFERENCE, Surveys
from reportgen.records.message import Message, Place, message
from reportgen.records.verdict import ProvedBy
from reportgen.units import CONDITIONS


def reference_findings(raw: dict[str, Any], places: Places, checks: tuple[Check, ...]) -> tuple[Finding, ...]:
    """Findings about ids, references and checks of one job file, in the order of the file's lines."""
    book = _Book(raw, places)
    found = [
        *_duplicates(book), *_runs(book), *_channels(book), *_notches(book), *_requirements(book, checks),
        *_corrections(book), *_decided_places(book), *_calibration_dates(book), *date_findings(raw, book.at),
        *_unused_profiles(book), *history_findings(raw, book.at),
    ]  # fmt: skip
    return tuple(sorted(found, key=lambda finding: finding.line))


class _Book:
    """The bare tables with the place of each."""

    def __init__(self, raw: dict[str, Any], places: Places) -> None:
        self.raw = raw
        self._places = places
        self.runs = self.ids("run")
        self.profiles = self.ids("profile")
        self.channels = self.ids("channel")
        self.instruments = self.ids("instrument")

    def tables(self, name: str) -> list[tuple[int, dict[str, Any]]]:
        value = self.raw.get(name)
        return [(i, t) for i, t in enumerate(value) if isinstance(t, dict)] if isinstance(value, list) else []

    def ids(self, name: str) -> dict[str, dict[str, Any]]:
        return {str(t["id"]).strip(): t for _, t in self.tables(name) if isinstance(t.get("id"), str | int)}

    def at(self, *path: str | int) -> Place:
        return self._places.at(path)

    def reference(
        self, name: str, index: int, key: str, known: Iterable[str], what: str | Message
    ) -> Iterator[Finding]:
        """An error where the key names something that is not there; ``what`` is such as ``[[run]]``."""
        known = tuple(known)
        for value in named(self.raw[name][index].get(key)):
            if value.strip() not in known:
                hint = near_or(value, known, message("hint.defined", known=known))
                table = title(name, index, self.raw[name][index])
                said = message("reference.nothing", table=table, key=key, found=value, what=what, hint=hint)
                yield error(self.at(name, index, key), said)


def named(value: object) -> list[str]:
    """The texts of a key that takes one or several."""
    return [each for each in (value if isinstance(value, list) else [value]) if isinstance(each, str)]


def title(name: str, index: int, table: dict[str, Any]) -> str:
    """``[[run]] X-PRE``, or ``[[run]] 2`` for the second where it has no id."""
    return f"[[{name}]] {table.get('id', index + 1)}"


def _duplicates(book: _Book) -> Iterator[Finding]:
    for name in ("instrument", "channel", "profile", "run", "requirement"):
        first: dict[str, int] = {}
        for index, table in book.tables(name):
            own = str(table.get("id", "")).strip()
            if own and own in first:
                line = book.at(name, first[own], "id").line
                yield error(book.at(name, index, "id"), message("reference.id-twice", table=name, id=own, line=line))
            first.setdefault(own, index)


def _runs(book: _Book) -> Iterator[Finding]:
    controls = [key for key, table in book.channels.items() if table.get("role") == "control"]
    logs: dict[str, str] = {}
    for index, run in book.tables("run"):
        own, kind = str(run.get("id", index + 1)), run.get("kind")
        yield from book.reference("run", index, "profile", book.profiles, "[[profile]]")
        for key in ("controller", "acquisition", "filter"):
            yield from book.reference("run", index, key, book.instruments, "[[instrument]]")
        yield from _control_names(book, index, run)
        if kind != "decay" and not run.get("control") and not controls:
            yield warning(book.at("run", index), message("reference.no-control", run=own))
        if kind == "sweep" and "profile" not in run:
            yield warning(book.at("run", index), message("reference.sweep-without-profile", run=own))
        if isinstance(run.get("started"), date) and not hasattr(run["started"], "hour"):
            yield warning(book.at("run", index, "started"), message("reference.no-time-of-day", run=own))
        yield from _same_log(book, index, run, logs)


def _control_names(book: _Book, index: int, run: dict[str, Any]) -> Iterator[Finding]:
    if not book.channels:
        return
    control = run.get("control")
    several = control if isinstance(control, list) else [control]
    for each in several:
        if isinstance(each, str) and each.strip() not in book.channels:
            hint = near_or(each, book.channels, message("hint.defined", known=tuple(book.channels)))
            own = str(run.get("id", index + 1))
            yield error(
                book.at("run", index, "control"), message("reference.control", run=own, channel=each, hint=hint)
            )


def _same_log(book: _Book, index: int, run: dict[str, Any], logs: dict[str, str]) -> Iterator[Finding]:
    """Two runs on one log are right only where each picks its own sweep, sheet or columns."""
    own = str(run.get("id", index + 1))
    for log in dict.fromkeys(named(run.get("log"))):
        key = f"{slashed(log)}|{run.get('sweep')}|{run.get('columns')}"
        if key in logs:
            yield error(book.at("run", index, "log"), message("reference.same-log", run=own, other=logs[key]))
        logs.setdefault(key, own)


def _channels(book: _Book) -> Iterator[Finding]:
    for index, _channel in book.tables("channel"):
        yield from book.reference("channel", index, "instrument", book.instruments, "[[instrument]]")


def _notches(book: _Book) -> Iterator[Finding]:
    for index, profile in book.tables("profile"):
        notches = profile.get("notch")
        for place, notch in enumerate(notches if isinstance(notches, list) else ()):
            channel = notch.get("channel") if isinstance(notch, dict) else None
            if isinstance(channel, str) and book.channels and channel not in book.channels:
                hint = near_or(channel, book.channels, message("hint.defined", known=tuple(book.channels)))
                own = str(profile.get("id", index + 1))
                yield error(
                    book.at("profile", index, "notch", place, "channel"),
                    message("reference.notch", profile=own, channel=channel, hint=hint),
                )


def _unused_profiles(book: _Book) -> Iterator[Finding]:
    used = {str(run.get("profile", "")).strip() for _, run in book.tables("run")}
    for index, profile in book.tables("profile"):
        own = profile.get("id")
        if isinstance(own, str) and own.strip() not in used:
            yield note(book.at("profile", index), message("reference.profile-unused", profile=own))


def _requirements(book: _Book, checks: tuple[Check, ...]) -> Iterator[Finding]:
    axes = {str(run["axis"]) for _, run in book.tables("run") if isinstance(run.get("axis"), str)}
    for index, table in book.tables("requirement"):
        by_reference = table.get("before") == BY_REFERENCE and BY_REFERENCE not in book.runs
        if by_reference:
            yield from _earlier_report(book, index, table, check_named(checks, str(table.get("check"))))
        for key in ("run", "after") if by_reference else ("run", "before", "after"):
            yield from book.reference("requirement", index, key, book.runs, "[[run]]")
        if book.channels and str(table.get("channel")).strip().casefold() not in CONDITIONS:
            yield from book.reference("requirement", index, "channel", book.channels, "[[channel]]")
        if axes:
            yield from book.reference("requirement", index, "axis", sorted(axes), message("reference.axis-of-a-run"))
        check = next((each for each in checks if each.name == table.get("check")), None)
        if check is not None:
            yield from _missing_keys(book, index, table, check)
            yield from _idle_keys(book, index, table, check)
            yield from _unfit_runs(book, index, table, check)
            yield from _evidence(book, index, table, check)


def _earlier_report(book: _Book, index: int, table: dict[str, Any], check: Check | None) -> Iterator[Finding]:
    """A requirement that is held against an earlier report which the job does not name, or by another check."""
    own, place = title("requirement", index, table), book.at("requirement", index, "before")
    if not isinstance(book.raw.get("reference"), dict):
        yield error(place, message("earlier.not-named", table=own))
    if check is not None and check.proved_by is not ProvedBy.FREQUENCY_SHIFT:
        yield error(place, message("earlier.other-check", table=own, check=check.name))


def _missing_keys(book: _Book, index: int, table: dict[str, Any], check: Check) -> Iterator[Finding]:
    runs = list(book.runs)
    samples = {
        "run": runs[0] if runs else "X-PRE",
        "axis": "X",
        "before": runs[0] if runs else "X-PRE",
        "after": runs[-1] if runs else "X-POST",
        "limit": check.limit_example,
        "what": "visual",
        "kind": "sweep",
        "surveys": str(Surveys.BEFORE_AND_AFTER),
    }
    own = title("requirement", index, table)
    for group in check.needs:
        if not any(key in table for key in group):
            lines = tuple(f'{key} = "{samples[key]}"' for key in group)
            said = message("reference.check-needs", table=own, check=check.name, keys=group, lines=lines)
            yield error(book.at("requirement", index), said)
    if "before" in table and table.get("before") == table.get("after"):
        said = message("reference.before-is-after", table=own, run=str(table["after"]))
        yield error(book.at("requirement", index, "after"), said)


def _idle_keys(book: _Book, index: int, table: dict[str, Any], check: Check) -> Iterator[Finding]:
    """Keys that would narrow a clause down, but not by this check: it would be judged without them."""
    for key in ("channel", "mode", "band"):
        if key in table and key not in check.narrowed_by:
            own = title("requirement", index, table)
            said = message("reference.idle-key-of-none", table=own, key=key, check=check.name)
            if check.narrowed_by:
                said = message("reference.idle-key", table=own, key=key, check=check.name, keys=check.narrowed_by)
            yield error(book.at("requirement", index, key), said)


def _unfit_runs(book: _Book, index: int, table: dict[str, Any], check: Check) -> Iterator[Finding]:
    own, kinds = title("requirement", index, table), tuple(map(str, check.run_kinds))
    for key, each in [(k, each) for k in ("run", "before", "after") for each in named(table.get(k))]:
        kind = book.runs.get(each.strip(), {}).get("kind")
        if isinstance(kind, str) and kinds and kind not in kinds:
            said = message("reference.unfit-run", table=own, check=check.name, kind=kind, kinds=kinds)
            yield warning(book.at("requirement", index, key), said)


def _evidence(book: _Book, index: int, table: dict[str, Any], check: Check) -> Iterator[Finding]:
    """Warnings where the job holds nothing that the check could be judged by."""
    own, place = title("requirement", index, table), book.at("requirement", index)
    seen = tuple(str(each.get("what", "")).strip() for _, each in book.tables("inspection"))
    what = table.get("what")
    for name in named(table.get("run")):
        yield from _profile_evidence(book, table, check, name.strip(), (own, place))
    match check.judged_by:
        case JobEvidence.INSTRUMENTS:
            yield from _calibration_evidence(book, place, own)
        case JobEvidence.INSPECTIONS if isinstance(what, str) and what.strip() not in seen:
            yield from _no_inspection(book, index, own, what, seen)


def _profile_evidence(
    book: _Book, table: dict[str, Any], check: Check, run_id: str, asked: tuple[str, Place]
) -> Iterator[Finding]:
    """Warnings where a run's profile lacks what the check of a requirement, ``asked``, holds it against."""
    run = book.runs.get(run_id)
    if run is None:
        return
    (own, place), profile = asked, book.profiles.get(str(run.get("profile", "")).strip(), {})
    match check.judged_by:
        case JobEvidence.TOLERANCE if not (profile.get("tolerance") or (profile and "limit" in table)):
            yield warning(place, message("reference.no-tolerance", table=own, run=run_id))
        case JobEvidence.PROFILE if not profile:
            yield warning(place, message("reference.no-profile", table=own, run=run_id))
        case JobEvidence.PROFILE_RATE if not profile.get("sweep_rate"):
            yield warning(place, message("reference.no-sweep-rate", table=own, run=run_id))


def _no_inspection(book: _Book, index: int, named: str, what: str, seen: tuple[str, ...]) -> Iterator[Finding]:
    hint = near_or(what, seen, message("hint.inspected", known=seen))
    said = message("reference.no-inspection", table=named, what=what, hint=hint)
    yield warning(book.at("requirement", index, "what"), said)


def _calibration_evidence(book: _Book, place: Place, named: str) -> Iterator[Finding]:
    if not book.tables("instrument"):
        yield warning(place, message("reference.no-instrument", table=named))
    for index, instrument in book.tables("instrument"):
        if "due" not in instrument:
            own = title("instrument", index, instrument)
            yield warning(book.at("instrument", index), message("reference.no-due-date", table=own))
    for index, run in book.tables("run"):
        if "started" not in run:
            yield warning(book.at("run", index), message("reference.no-start", table=title("run", index, run)))


def _calibration_dates(book: _Book) -> Iterator[Finding]:
    for index, instrument in book.tables("instrument"):
        calibrated, due = instrument.get("calibrated"), instrument.get("due")
        if isinstance(calibrated, date) and isinstance(due, date) and str(due)[:10] < str(calibrated)[:10]:
            own = title("instrument", index, instrument)
            said = message("reference.due-before-calibrated", table=own, due=due, calibrated=calibrated)
            yield error(book.at("instrument", index, "due"), said)


def _corrections(book: _Book) -> Iterator[Finding]:
    for index, table in book.tables("correction"):
        yield from book.reference("correction", index, "run", book.runs, "[[run]]")
        if book.channels:
            yield from book.reference("correction", index, "channel", book.channels, "[[channel]]")
        if table.get("action") == "renumber" and "mode" not in table:
            yield error(
                book.at("correction", index),
                message("reference.renumber", number=index + 1),
            )
        if table.get("action") == "add" and "run" not in table:
            yield error(book.at("correction", index), message("reference.add-run", number=index + 1))


def _decided_places(book: _Book) -> Iterator[Finding]:
    """Runs and channels that exclusions and annotations name and that are not there."""
    for name in ("exclusion", "annotation"):
        for index, _ in book.tables(name):
            yield from book.reference(name, index, "run", book.runs, "[[run]]")
            if book.channels:
                yield from book.reference(name, index, "channel", book.channels, "[[channel]]")
