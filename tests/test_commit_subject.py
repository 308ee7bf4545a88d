"""The hook that holds commit subjects to a length."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

HOOK = Path(__file__).resolve().parents[1] / ".ci" / "commit-subject"


def said(tmp_path, message: str) -> tuple[int, str]:
    (tmp_path / "message").write_text(message, encoding="utf-8")
    done = subprocess.run([sys.executable, HOOK, tmp_path / "message"], capture_output=True, text=True)
    return done.returncode, done.stderr


@pytest.mark.parametrize("message", ["ζ" * 72, "a subject\n\nthe reason\n", "# of git\nsubject\n# of git"])
def test_a_message_that_may_be(tmp_path, message):
    assert said(tmp_path, message) == (0, "")


@pytest.mark.parametrize(
    "message, trouble",
    [("x" * 73, "73 characters"), ("a subject\nthe reason", "not blank"), ("# nothing\n", "no subject")],
)
def test_a_message_that_may_not_be(tmp_path, message, trouble):
    code, told = said(tmp_path, message)
    assert code == 1
    assert trouble in told
