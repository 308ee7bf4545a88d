"""The command line as its user meets it."""

from __future__ import annotations

import subprocess
import sys
import time

import pytest

from reportgen import __version__
from reportgen.cli import main

HEAVY = ("numpy", "pandas", "scipy", "matplotlib", "weasyprint", "pydantic", "jinja2", "h5py", "lark", "babel")


def test_help_loads_nothing_heavy_and_answers_at_once():
    code = (
        "import sys, reportgen.cli as c\n"
        "try: c.main(['--help'])\n"
        "except SystemExit: pass\n"
        f"print([m for m in {HEAVY!r} if m in sys.modules])"
    )
    fastest = float("inf")
    for _ in range(3):
        begun = time.perf_counter()
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        fastest = min(fastest, time.perf_counter() - begun)
        assert done.stdout.strip().endswith("[]"), done.stdout.splitlines()[-1]
    assert fastest < 0.3  # the limit that was set for the tool


def test_every_command_has_help(capsys):
    for command in ("new", "check", "build", "quicklook", "inspect", "verify", "sign", "demo"):
        with pytest.raises(SystemExit) as ended:
            main([command, "--help"])
        assert ended.value.code == 0
        assert "usage: reportgen" in capsys.readouterr().out


@pytest.mark.parametrize("arguments", [[], ["build"], ["verify"], ["brew"], ["build", "x", "--workers", "0"]])
def test_a_usage_error_is_exit_code_2(arguments):
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2


def test_the_version_is_the_package_s(capsys):
    with pytest.raises(SystemExit):
        main(["--version"])
    assert capsys.readouterr().out.strip() == f"reportgen {__version__}"


def test_new_refuses_a_folder_with_files(tmp_path, capsys):
    (tmp_path / "kept.txt").write_text("mine", encoding="utf-8")
    assert main(["new", str(tmp_path)]) == 2
    assert (tmp_path / "kept.txt").read_text(encoding="utf-8") == "mine"
    assert "has files in it" in capsys.readouterr().err


def test_a_job_that_is_not_there_is_exit_code_1(tmp_path, capsys):
    assert main(["build", str(tmp_path / "nowhere")]) == 1
    assert "nowhere" in capsys.readouterr().err


def test_a_branding_that_is_not_there_is_a_usage_error(tmp_path, capsys):
    """Left out in silence, the report would go to the customer without the laboratory's own pages."""
    with pytest.raises(SystemExit) as ended:
        main(["build", str(tmp_path), "--branding", str(tmp_path / "nowhere")])
    assert ended.value.code == 2
    assert "there is no folder" in capsys.readouterr().err


def test_the_demo_where_no_folder_can_be(tmp_path, capsys):
    (tmp_path / "taken").write_text("mine", encoding="utf-8")
    assert main(["demo", "--out", str(tmp_path / "taken")]) == 1
    assert "name a folder with --out" in capsys.readouterr().err


def test_a_trusted_certificate_that_cannot_be_read_says_nothing_of_the_archive(tmp_path, capsys):
    (tmp_path / "a.zip").write_bytes(b"")
    assert main(["verify", str(tmp_path / "a.zip"), "--trust", str(tmp_path / "nowhere.pem")]) == 1
    printed = capsys.readouterr()
    assert "a trusted certificate cannot be read" in printed.err
    assert "NOT as it was reported" not in printed.out
