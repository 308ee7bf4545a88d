"""results.json tells every field of every record, or its table says that the field is left out."""

from __future__ import annotations

import json
import re
import tomllib
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import date, datetime, time
from enum import Enum
from types import NoneType
from typing import Any, get_args, get_type_hints

import pytest

from reportgen.records.job import Job
from reportgen.records.log import Floats
from reportgen.records.message import Message, Place, message
from reportgen.records.report import Amendment, Change, Report
from reportgen.records.result import Mode, QualityIssue, RunResult, SweepFacts
from reportgen.render import results_table
from reportgen.render.results import encoded, results, results_json, told_fields
from reportgen.render.results_table import SHAPES
from reportgen.resources import data_dir

PLAIN = (str, int, float, bool, NoneType, Message, Place, date, datetime, time)


def parts_of(hint: Any) -> set[Any]:
    """Types that a field may hold, those within tuples too."""
    if hint is Floats or not get_args(hint):
        return {hint}
    return {part for each in get_args(hint) if each is not Ellipsis for part in parts_of(each)}


def told_records() -> set[type]:
    """Records that results.json tells, from the report down. The job's own stand in its file."""
    found: set[type] = set()
    to_look_at: list[Any] = [Report]
    while to_look_at:
        record = to_look_at.pop()
        found.add(record)
        parts = {part for hint in told_fields(record).values() for part in parts_of(hint)}
        to_look_at += [part for part in parts if is_dataclass(part) and part not in (*found, *PLAIN, Job)]
    return found


def not_told(record: type) -> list[str]:
    """Fields of types that the encoder does not know, and that the table does not name as left out."""
    made = SHAPES[record].made if record in SHAPES else {}
    return [
        name
        for name, hint in told_fields(record).items()
        if name not in made
        and not all(each in PLAIN or is_dataclass(each) or issubclass(each, Enum) for each in parts_of(hint))
    ]


@pytest.mark.parametrize("record", sorted(told_records(), key=str))
def test_every_field_is_told_or_named_as_left_out(record):
    assert not not_told(record), "encode it in results.py, or name it under left_out in results_table.py"


def test_a_field_of_an_unknown_kind_is_found():
    assert not_told(_WithNewField) == ["residue"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _WithNewField:
    name: str
    at: tuple[Place, ...] = ()
    why: Message | None = None
    residue: complex = 1j


@dataclass(frozen=True, slots=True, kw_only=True)
class _NewRecord:
    status: str
    why: Message | None = None
    notes: tuple[Message, ...] = ()
    parts: tuple[Place, ...] = ()


def test_a_new_record_needs_no_line():
    why = message("as-written", text="stopped")
    assert encoded(_NewRecord(status="aborted", why=why, notes=(why,), parts=(Place("a.csv", 3),))) == {
        "status": "aborted",
        "why": "stopped",
        "why_message": {"code": "as-written", "values": {"text": "stopped"}},
        "notes": ["stopped"],
        "note_messages": [{"code": "as-written", "values": {"text": "stopped"}}],
        "parts": ["a.csv:3"],
    }
    assert encoded(_NewRecord(status="whole"))["why_message"] is None


@pytest.mark.parametrize("record", SHAPES, ids=str)
def test_the_table_names_only_fields_that_there_are(record):
    assert record in told_records()
    shape, known = SHAPES[record], {each.name for each in fields(record)}
    tables = (shape.named, shape.pairs, shape.messages, shape.drawn_in, shape.made)
    assert {*shape.left_out, *(name for table in tables for name in table)} <= known
    hints = get_type_hints(record)
    assert not [name for name in shape.left_out if hints[name] in (Floats, Floats | None)], "arrays are in no file"


def test_no_two_fields_share_a_name():
    for record in told_records() - {Report}:
        shape = SHAPES.get(record, results_table.Shape())
        named = [shape.named.get(name, name) for name in told_fields(record)]
        assert len(named) == len(set(named)), record


def test_a_run_without_a_sweep_has_its_members_all_the_same():
    swept = set(encoded(RunResult(id="X", kind="dwell", axis=None, sweep=None, control=None)))
    sweep = SweepFacts(direction="up", rate=1.0, rate_unit="oct/min", first_hz=5.0, last_hz=9.0, lowest_hz=5.0,
                       highest_hz=9.0, rows=3)  # fmt: skip
    whole = encoded(RunResult(id="X", kind="sweep", axis=None, sweep=sweep, control=None))
    assert swept == set(whole)
    empty = encoded(RunResult(id="X", kind="dwell", axis=None, sweep=None, control=None))
    assert (empty["first_hz"], empty["sweep_rate_reason_message"], empty["holds"]) == (None, None, [])
    assert (whole["sweep_rate"], whole["sweep_rate_unit"], whole["method"]) == (1.0, "oct/min", "")


def test_a_message_that_is_the_record_has_code_and_values_in_it(report):
    told = message("as-written", text="5.3")
    issue = QualityIssue(kind="clock", message=told, band_hz=(1.0, float("nan")))
    assert encoded(issue) == {"kind": "clock", "channel": None, "band_hz": [1.0, None], "spoils": False,
                              "message": "5.3", "code": "as-written", "values": {"text": "5.3"}}  # fmt: skip
    change = Change(what=told, before=told, after=told)
    amendment = Amendment(number="VTR-1", revision="A", sha256="0", changes=(change,))
    assert results(replace(report, amendment=amendment))["supersedes"]["changes"] == [
        {"what": "5.3", "code": "as-written", "values": {"text": "5.3"}, "before": "5.3", "after": "5.3"}
    ]


def test_what_is_not_finite_is_null_and_noise_of_the_last_bits_is_gone():
    mode = Mode(axis=None, mode=1, nodes=0, frequency_hz=100.0 / 3, q=float("inf"))
    assert (encoded(mode)["frequency_hz"], encoded(mode)["q"]) == (33.33333333, None)


def test_the_file_holds_what_results_says(report):
    assert json.loads(results_json(report)) == results(report)


@pytest.mark.parametrize("language", ["en", "de"])
def test_words_of_fields_are_of_fields_that_there_are(language, report):
    """A field that was renamed must not leave its German word behind."""
    shapes = {record: SHAPES.get(record, results_table.Shape()) for record in told_records()}
    names = {shape.named.get(name, name) for record, shape in shapes.items() for name in told_fields(record)}
    names |= {"frequency_hz", *results(report)["job"]} | {
        n for s in shapes.values() for p in s.pairs.values() for n in p
    }
    terms = tomllib.loads((data_dir("templates") / "words" / f"{language}.toml").read_text("utf-8"))["terms"]
    words = {term.partition(" ")[2] for term in terms if re.fullmatch(r"(field|entry) \w+", term)}
    without_unit = {re.sub(r"_(hz|db|deg|s|mps2)$", "", name) for name in names}
    assert words - names - without_unit == set()
    assert len(words) > 20
