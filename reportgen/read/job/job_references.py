"""What the tables of a job file say about one another: ids, references, and what each check needs.

Works on the bare TOML values, so that one faulty table does not hide the faults of the others.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date
from typing import Any

from reportgen.read.job.job_dates import date_findings
from reportgen.read.job.job_folder import slashed
from reportgen.read.job.nearest import listed, nearest
from reportgen.read.job.toml_lines import KeyPath, TomlLines
from reportgen.records.check import Check
from reportgen.records.finding import Finding, error, note, warning


def reference_findings(
    raw: dict[str, Any], lines: TomlLines, file: str, checks: tuple[Check, ...]
) -> tuple[Finding, ...]:
    """Findings about ids, references and checks of one job file, in the order of the file's lines."""
    book = _Book(raw, lines, file)
    found = [
        *_duplicates(book), *_runs(book), *_channels(book), *_notches(book), *_requirements(book, checks),
        *_corrections(book), *_calibration_dates(book), *date_findings(raw, book.at),
        *_unused_profiles(book),
    ]  # fmt: skip
    return tuple(sorted(found, key=lambda finding: int(finding.where.rpartition(":")[2])))


class _Book:
    """The bare tables with the place of each."""

    def __init__(self, raw: dict[str, Any], lines: TomlLines, file: str) -> None:
        self.raw = raw
        self._lines = lines
        self._file = file
        self.runs = self.ids("run")
        self.profiles = self.ids("profile")
        self.channels = self.ids("channel")
        self.instruments = self.ids("instrument")

    def tables(self, name: str) -> list[tuple[int, dict[str, Any]]]:
        value = self.raw.get(name)
        return [(i, t) for i, t in enumerate(value) if isinstance(t, dict)] if isinstance(value, list) else []

    def ids(self, name: str) -> dict[str, dict[str, Any]]:
        return {str(t["id"]).strip(): t for _, t in self.tables(name) if isinstance(t.get("id"), str | int)}

    def at(self, *path: str | int) -> str:
        key: KeyPath = path
        return f"{self._file}:{self._lines.line_of(key)}"

    def reference(self, name: str, index: int, key: str, known: Iterable[str], what: str) -> Iterator[Finding]:
        """An error where the key names something that is not there."""
        table = self.raw[name][index]
        value = table.get(key)
        known = list(known)
        if isinstance(value, str) and value.strip() not in known:
            hint = nearest(value, known) or f"; defined: {listed(known)}"
            title = f"[[{name}]] {table['id']}" if isinstance(table.get("id"), str) else f"[[{name}]] {index + 1}"
            yield error(self.at(name, index, key), f"{title}: {key} = {value!r} names no {what}{hint}")


def _duplicates(book: _Book) -> Iterator[Finding]:
    for name in ("instrument", "channel", "profile", "run", "requirement"):
        first: dict[str, int] = {}
        for index, table in book.tables(name):
            own = str(table.get("id", "")).strip()
            if own and own in first:
                place = book.at(name, first[own], "id").rpartition(":")[2]
                yield error(
                    book.at(name, index, "id"),
                    f"[[{name}]] id {own!r} is already used in line {place}; every {name} needs an id of its own",
                )
            first.setdefault(own, index)


def _runs(book: _Book) -> Iterator[Finding]:
    controls = [key for key, table in book.channels.items() if table.get("role") == "control"]
    logs: dict[str, str] = {}
    for index, run in book.tables("run"):
        own, kind = str(run.get("id", index + 1)), run.get("kind")
        yield from book.reference("run", index, "profile", book.profiles, "[[profile]]")
        yield from _control_names(book, index, run)
        if kind != "decay" and not run.get("control") and not controls:
            yield warning(
                book.at("run", index),
                f'[[run]] {own} names no control channel and no [[channel]] has role = "control"; write '
                'control = ["C1"] in the run, or a [[channel]] with id = "C1" and role = "control"',
            )
        if kind == "sweep" and "profile" not in run:
            yield warning(
                book.at("run", index),
                f"[[run]] {own} is a sweep without a profile: control cannot be compared; "
                'write profile = "QUALIFICATION" and a [[profile]] of that id',
            )
        if isinstance(run.get("started"), date) and not hasattr(run["started"], "hour"):
            yield warning(
                book.at("run", index, "started"),
                f"[[run]] {own}: started has no time of day, midnight is taken; write such as 2026-03-12T09:14:00",
            )
        yield from _same_log(book, index, run, logs)


def _control_names(book: _Book, index: int, run: dict[str, Any]) -> Iterator[Finding]:
    if not book.channels:
        return
    control = run.get("control")
    for each in [control] if isinstance(control, str) else control or ():
        if isinstance(each, str) and each.strip() not in book.channels:
            hint = nearest(each, book.channels) or f"; defined: {listed(book.channels)}"
            yield error(
                book.at("run", index, "control"),
                f"[[run]] {run.get('id', index + 1)}: control channel {each!r} is no [[channel]]{hint}",
            )


def _same_log(book: _Book, index: int, run: dict[str, Any], logs: dict[str, str]) -> Iterator[Finding]:
    """Two runs on one log are right only where each picks its own sweep, sheet or columns."""
    if not isinstance(run.get("log"), str):
        return
    key = f"{slashed(run['log'])}|{run.get('sweep')}|{run.get('columns')}"
    own = str(run.get("id", index + 1))
    if key in logs:
        yield error(
            book.at("run", index, "log"),
            f"[[run]] {own} reads the same log as [[run]] {logs[key]}: two runs cannot be one measurement; name the "
            "file of its own, or where the file holds several sweeps write sweep = 2 in one of them",
        )
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
                hint = nearest(channel, book.channels) or f"; defined: {listed(book.channels)}"
                yield error(
                    book.at("profile", index, "notch", place, "channel"),
                    f"[[profile]] {profile.get('id', index + 1)}: notch channel {channel!r} is no [[channel]]{hint}",
                )


def _unused_profiles(book: _Book) -> Iterator[Finding]:
    used = {str(run.get("profile", "")).strip() for _, run in book.tables("run")}
    for index, profile in book.tables("profile"):
        own = profile.get("id")
        if isinstance(own, str) and own.strip() not in used:
            yield note(book.at("profile", index), f"[[profile]] {own} is used by no run")


def _requirements(book: _Book, checks: tuple[Check, ...]) -> Iterator[Finding]:
    axes = {str(run["axis"]) for _, run in book.tables("run") if isinstance(run.get("axis"), str)}
    for index, table in book.tables("requirement"):
        for key in ("run", "before", "after"):
            yield from book.reference("requirement", index, key, book.runs, "[[run]]")
        if book.channels:
            yield from book.reference("requirement", index, "channel", book.channels, "[[channel]]")
        if axes:
            yield from book.reference("requirement", index, "axis", sorted(axes), "axis of a [[run]]")
        check = next((each for each in checks if each.name == table.get("check")), None)
        if check is not None:
            yield from _missing_keys(book, index, table, check)
            yield from _unfit_runs(book, index, table, check)
            yield from _evidence(book, index, table, check.name)


def _missing_keys(book: _Book, index: int, table: dict[str, Any], check: Check) -> Iterator[Finding]:
    runs = list(book.runs)
    samples = {
        "run": runs[0] if runs else "X-PRE",
        "axis": "X",
        "before": runs[0] if runs else "X-PRE",
        "after": runs[-1] if runs else "X-POST",
        "limit": check.limit_example,
        "what": "visual",
    }
    for group in check.needs:
        if not any(key in table for key in group):
            advice = " or ".join(f'{key} = "{samples[key]}"' for key in group)
            yield error(
                book.at("requirement", index),
                f"[[requirement]] {table.get('id', index + 1)}: the check {check.name!r} needs {' or '.join(group)}; "
                f"write {advice}",
            )
    if "before" in table and table.get("before") == table.get("after"):
        yield error(
            book.at("requirement", index, "after"),
            f"[[requirement]] {table.get('id', index + 1)}: before and after are the same run {table['after']!r}; "
            "name two runs",
        )


def _unfit_runs(book: _Book, index: int, table: dict[str, Any], check: Check) -> Iterator[Finding]:
    for key in ("run", "before", "after"):
        run = book.runs.get(str(table.get(key, "")).strip())
        kinds = tuple(map(str, check.run_kinds))
        if run is not None and kinds and run.get("kind") not in kinds and isinstance(run.get("kind"), str):
            yield warning(
                book.at("requirement", index, key),
                f"[[requirement]] {table.get('id', index + 1)}: the check {check.name!r} cannot be answered by a run "
                f"of kind {run['kind']!r}; it needs {' or '.join(kinds)}, else it will not be evaluated",
            )


def _evidence(book: _Book, index: int, table: dict[str, Any], check: str) -> Iterator[Finding]:
    """Warnings where the job holds nothing that the check could be judged by."""
    title = f"[[requirement]] {table.get('id', index + 1)}"
    place = book.at("requirement", index)
    run = book.runs.get(str(table.get("run", "")).strip(), {})
    profile = book.profiles.get(str(run.get("profile", "")).strip(), {})
    if check == "control tolerance" and run and not (profile.get("tolerance") or (profile and "limit" in table)):
        yield warning(place, f"{title}: run {run.get('id')} has no profile with a tolerance, so the check cannot be "
                             'evaluated; write tolerance = "10 %" in its [[profile]]')  # fmt: skip
    if check == "frequency range" and run and not profile:
        yield warning(place, f"{title}: run {run.get('id')} has no profile, so its range cannot be compared; "
                             'write profile = "..." in the run')  # fmt: skip
    if check == "sweep rate" and run and not profile.get("sweep_rate"):
        yield warning(place, f"{title}: run {run.get('id')} has no profile with a sweep rate, so the check cannot be "
                             'evaluated; write sweep_rate = "2 oct/min" in its [[profile]]')  # fmt: skip
    if check == "calibration":
        yield from _calibration_evidence(book, place, title)
    seen = [str(each.get("what", "")).strip() for _, each in book.tables("inspection")]
    what = table.get("what")
    if check == "inspection" and isinstance(what, str) and what.strip() not in seen:
        hint = nearest(what, seen) or f"; inspected: {listed(seen)}"
        yield warning(book.at("requirement", index, "what"), f"{title}: no [[inspection]] has what = {what!r}{hint}")


def _calibration_evidence(book: _Book, place: str, title: str) -> Iterator[Finding]:
    if not book.tables("instrument"):
        yield warning(place, f"{title}: no [[instrument]] is listed, so calibration cannot be evaluated; write one "
                             "[[instrument]] with id, calibrated and due for each")  # fmt: skip
    for index, instrument in book.tables("instrument"):
        if "due" not in instrument:
            yield warning(book.at("instrument", index), f"[[instrument]] {instrument.get('id', index + 1)} has no due "
                          "date, so its calibration cannot be evaluated; write due = 2026-12-31")  # fmt: skip
    for index, run in book.tables("run"):
        if "started" not in run:
            yield warning(book.at("run", index), f"[[run]] {run.get('id', index + 1)} has no start, so calibration on "
                          "its day cannot be evaluated; write started = 2026-03-12T09:14:00")  # fmt: skip


def _calibration_dates(book: _Book) -> Iterator[Finding]:
    for index, instrument in book.tables("instrument"):
        calibrated, due = instrument.get("calibrated"), instrument.get("due")
        if isinstance(calibrated, date) and isinstance(due, date) and str(due)[:10] < str(calibrated)[:10]:
            yield error(
                book.at("instrument", index, "due"),
                f"[[instrument]] {instrument.get('id', index + 1)} is due on {due}, before "
                f"it was calibrated on {calibrated}; exchange or correct the two dates",
            )


def _corrections(book: _Book) -> Iterator[Finding]:
    for index, table in book.tables("correction"):
        yield from book.reference("correction", index, "run", book.runs, "[[run]]")
        if book.channels:
            yield from book.reference("correction", index, "channel", book.channels, "[[channel]]")
        if table.get("action") == "renumber" and "mode" not in table:
            yield error(
                book.at("correction", index),
                f"[[correction]] {index + 1}: renumber needs the new number; write mode = 3",
            )
