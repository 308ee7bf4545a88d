"""README's walk, run word for word in an empty home folder; and what README says about commands holds."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def walk() -> str:
    """The shell blocks of the walk, one after another."""
    section = README.split("## Five minutes", 1)[1].split("\n## ", 1)[0]
    return "\n".join(re.findall(r"```sh\n(.*?)```", section, re.DOTALL))


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The folder after the walk, and what the commands printed."""
    home = tmp_path_factory.mktemp("home")
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        ["bash", "-euc", walk()], cwd=ROOT, env={**os.environ, "HOME": str(home), "PATH": path},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return home / "walk", done.stdout


def test_the_walk_ends_with_the_files_it_promises(walked):
    folder, _ = walked
    for name in ("report.pdf", "report.html", "summary.pdf", "tables.xlsx", "results.json", "plots", "VTR-0001-A.zip"):
        assert f"`{name}`" in README
        assert (folder / "boom_test/report" / name).exists(), name
    assert (folder / "my_sweep.csv.quicklook.html").exists()


def test_the_walk_shows_a_table_and_a_verdict(walked):
    _, printed = walked
    assert "1 of 1 requirement passed" in printed
    assert "control C1" in printed
    assert "0 errors" in printed


def test_every_command_is_in_the_readme():
    from reportgen.cli import _parser

    groups = [action for action in _parser()._actions if hasattr(action, "choices") and action.choices]
    commands = set(groups[0].choices)
    assert commands == set(re.findall(r"^\| `reportgen (\w+)", README, re.MULTILINE))


def test_readme_and_developers_name_files_that_exist():
    developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for text in (README, developers):
        for link in re.findall(r"\]\(([^)#]+)\)", text):
            assert (ROOT / link).exists(), link
    for name in re.findall(r"`((?:reportgen|templates|tests|example_logs|\.ci)/[\w./-]+)`", README + developers):
        assert (ROOT / name).exists(), name
