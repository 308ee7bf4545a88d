"""The rooms meet only in the pipeline: read → compute → judge → render → archive."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "reportgen"
SHARED = {"errors", "units", "records", "resources", "progress", "__version__"}


def imported(path: Path) -> set[str]:
    """First parts below ``reportgen`` that a file imports."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if (
            isinstance(node, ast.ImportFrom)
            and node.level == 0
            and node.module
            and node.module.split(".")[0] == "reportgen"
        ):
            parts = node.module.split(".")
            found |= {parts[1]} if len(parts) > 1 else {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level:
            found.add("relative import")
        elif isinstance(node, ast.Import):
            found |= {a.name.split(".")[1] for a in node.names if a.name.startswith("reportgen.")}
    return found


@pytest.mark.parametrize("room", ["read", "compute", "judge", "render", "archive"])
def test_rooms_meet_only_in_the_pipeline(room):
    for path in (PACKAGE / room).rglob("*.py"):
        reaches = imported(path) - SHARED - {room}
        assert not reaches, f"{path.relative_to(PACKAGE)} reaches outside {room}/: {sorted(reaches)}"


def test_records_know_no_room():
    for path in (PACKAGE / "records").rglob("*.py"):
        assert imported(path) <= {"errors", "units", "records"}, path.name


@pytest.mark.parametrize("room", ["compute", "judge"])
def test_the_core_knows_no_files_and_no_clock(room):
    for path in (PACKAGE / room).rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        names = {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
        names |= {n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) and n.module}
        assert not names & {"pathlib", "os", "time", "logging", "sys"}, f"{path.name}: {names}"


WORDS_OF_INPUTS = {
    "read/formats/hdf5.py": {"RATE_NAMES", "TIME_NAMES"},
    "read/inspect_file.py": {"_DECIBELS"},
    "read/job/happenings.py": {"_SIDES", "_TEST"},
    "read/job/short_forms.py": {"ENVIRONMENT_FROM"},
    "read/logged_environment.py": {"_TOLD", "_UNITS_IN"},
    "read/notes/note_environment.py": {"_CONDITIONS", "_UNITS", "_UNITS_IN"},
    "read/job/toml_file.py": {"_TOML_PLACE"},
    "read/job/job_schema.py": {"EXAMPLES"},
    "read/notes/note_segments.py": {"_INEXACT"},
    "read/notes/operator_notes.py": {"_HEADINGS"},
    "read/table/clock.py": {"_MONTHS"},
    "read/table/columns.py": {"_AMBIENT_NAMES", "_TIME_NAMES", "_DATE_NAMES", "_FREQUENCY_NAMES", "_DEMAND"},
    "read/formats/recording.py": {"SAMPLE_RATE_KEY"},
    "archive/issue.py": {"_FORMAT"},
}
"""Constants, by file, that hold words as inputs write them, or as they are written into a file that a program reads."""
_WORDS = re.compile(r"[A-Za-z]{2,}[,;:]? [A-Za-z]{2,}")


def sentences_in(path: Path) -> list[str]:
    """Texts with a space that stand in a file and are neither docstring, term of an enumeration nor name of a check."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    excused = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    words = WORDS_OF_INPUTS.get(path.relative_to(PACKAGE).as_posix(), set())
    for line in tree.body:
        target = line.targets[0] if isinstance(line, ast.Assign) else getattr(line, "target", None)
        if isinstance(target, ast.Name) and target.id in words:
            excused |= {id(each) for each in ast.walk(line)}
    for node in ast.walk(tree):
        if isinstance(node, ast.ClassDef) and any(ast.unparse(base).endswith("Enum") for base in node.bases):
            excused |= {id(line.value) for line in node.body if isinstance(line, ast.Assign)}
        elif isinstance(node, ast.Call) and ast.unparse(node.func) == "Check":
            excused |= {id(each.value) for each in node.keywords if each.arg == "name"}
    return [
        f"{path.relative_to(PACKAGE)}:{node.lineno}: {node.value}"
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in excused
        if _WORDS.search(node.value)
    ]


def test_sentences_stand_in_catalogue_and_templates_alone():
    """Labels that ``render/`` says through its words are held by tests/render/test_words.py."""
    rooms = ("read", "compute", "judge", "archive", "records")
    assert [
        each for room in rooms for path in sorted((PACKAGE / room).rglob("*.py")) for each in sentences_in(path)
    ] == []


def test_locks_hold_no_address():
    text = (PACKAGE.parent / "requirements.lock").read_text(encoding="utf-8")
    assert "://" not in text
    assert text.count("--hash=sha256:") > 50


def test_the_review_is_used_by_the_command_line_alone():
    """Nothing that a build needs may come to depend on the page."""
    for path in PACKAGE.rglob("*.py"):
        if path.relative_to(PACKAGE).parts[0] not in ("review", "cli.py"):
            assert "review" not in imported(path), path.name
