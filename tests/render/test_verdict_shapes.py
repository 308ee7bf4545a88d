"""Every verdict has its shape, whole, beside its word, on page and screen."""

from __future__ import annotations

import io
import re
import shutil
import subprocess

import numpy as np
import pytest
from PIL import Image

from reportgen.records.verdict import Outcome
from reportgen.render.rows.conformity import shape
from tests.printed import render_summary_pdf


def test_every_outcome_has_its_shape_in_the_style_sheet(templates, html):
    """Fault: three of five had a class with a digest in its name, which no style sheet knows, and so no symbol."""
    css = (templates / "css" / "type.css").read_text(encoding="utf-8")
    for each in Outcome:
        assert f".verdict.{shape(each)} {{" in css
    used = set(re.findall(r'class="verdict (?:small )?(is-[^"]+)"', html))
    assert used <= {shape(each) for each in Outcome}
    assert {shape(each) for each in Outcome} <= used


def rows_of_ink(picture: np.ndarray) -> int:
    """Rows in which a picture is not white."""
    return int((picture.min(axis=(1, 2)) < 200).sum())


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs poppler's pdftoppm")
def test_the_symbol_of_a_verdict_is_not_cut_off_at_its_lower_edge(report, templates, tmp_path):
    """Fault: the disc of the result was a third lower than wide. A disc and a diamond are as high as they are wide."""
    content = render_summary_pdf(report, templates=templates)
    command = ["pdftoppm", "-r", "220", "-png", "-f", "1", "-l", "1", "-singlefile", "-"]
    page = np.asarray(
        Image.open(io.BytesIO(subprocess.run(command, input=content, capture_output=True, check=True).stdout))
    )
    left = page[: page.shape[0] // 3, : int(21 / 210 * page.shape[1]) + 56, :3]
    alarm = np.abs(left.astype(int) - (168, 60, 22)).sum(axis=2) < 60
    rows, columns = np.flatnonzero(alarm.any(axis=1)), np.flatnonzero(alarm.any(axis=0))
    assert len(rows) > 20
    height, width = rows.max() - rows.min() + 1, columns.max() - columns.min() + 1
    assert height == pytest.approx(width, rel=0.06)
