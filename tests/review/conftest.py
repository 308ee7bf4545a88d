"""One review of a small job for all tests of the room; each test finds job and notes as they were."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest

from reportgen.pipeline import Settings
from reportgen.review.session import Session
from tests.review.small_review_job import JOB, MODES, NOTES, rows, write_job

WEAK = (300.0, 30.0, 1.5e-5)
"""A mode of the first log, half as strong as one that is reported: only who asks for it gets it."""
NOW = datetime(2026, 5, 5, 16, 30, 12, 345)


@pytest.fixture(scope="session")
def _reviewed(tmp_path_factory: pytest.TempPathFactory) -> Session:
    folder = write_job(tmp_path_factory.mktemp("review") / "lamp_head")
    (folder / "logs/x_pre.csv").write_text(rows(1.0, 1, modes=(*MODES, WEAK)), encoding="utf-8")
    return Session(folder, Settings(), clock=lambda: NOW)


@pytest.fixture
def session(_reviewed: Session) -> Iterator[Session]:
    """The review; what a test decided, wrote or broke is put right behind it."""
    before = {path: path.read_bytes() for path in _files(_reviewed.folder)}
    yield _reviewed
    for path in _files(_reviewed.folder) - before.keys():
        path.unlink()
    for path, content in before.items():
        if not path.is_file() or path.read_bytes() != content:
            path.write_bytes(content)
    assert (_reviewed.folder / "job.toml").read_text(encoding="utf-8") == JOB
    assert (_reviewed.folder / "notes.txt").read_text(encoding="utf-8") == NOTES
    _reviewed.look_outside()


def _files(folder: Path) -> set[Path]:
    return {path for path in folder.rglob("*") if path.is_file()}
