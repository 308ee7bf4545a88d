"""One sample report for all pages; printed once a run."""

from __future__ import annotations

import pytest

from reportgen.resources import data_dir
from tests.once import once
from tests.printed import render_html, render_pdf
from tests.render.sample_report import sample_report

ATTACHED = {
    "results.json": b'{"schema": 1}\n',
    "job.toml": b'[report]\nnumber = "VTR-0147"\n',
    "logs/x_pre.csv": b"frequency [Hz],C1 [g]\n5.0,0.5\n",
}


@pytest.fixture(scope="session")
def templates():
    return data_dir("templates")


@pytest.fixture(scope="session")
def report(tmp_path_factory):
    return sample_report(tmp_path_factory.mktemp("job"), points=700)


@pytest.fixture(scope="session")
def german(tmp_path_factory):
    return sample_report(tmp_path_factory.mktemp("auftrag"), points=700, language="de", paper="Letter", amended=True)


@pytest.fixture(scope="session")
def html(report, templates):
    return render_html(report, templates=templates)


@pytest.fixture(scope="session")
def german_html(german, templates):
    return render_html(german, templates=templates)


@pytest.fixture(scope="session")
def pdf(report, templates, shared_folder):
    return once(shared_folder, "sample", lambda: render_pdf(report, templates=templates, attachments=ATTACHED))


@pytest.fixture(scope="session")
def german_pdf(german, templates, shared_folder):
    return once(shared_folder, "muster", lambda: render_pdf(german, templates=templates, attachments=ATTACHED))
