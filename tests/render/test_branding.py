"""A laboratory's own templates: blocks replaced, names checked, no way out of the sandbox."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from dataclasses import replace

import pytest
from PIL import Image

from reportgen.errors import RenderError
from tests.archive.words import telling
from tests.printed import page_of_words, render_pdf


@pytest.fixture
def small(report):
    return replace(report, runs=(), shifts=(), modes=(), pictures=(), beam_fits=())


@pytest.fixture
def branding(tmp_path):
    folder = tmp_path / "branding"
    folder.mkdir()
    return folder


def test_the_worked_example_works(small, templates):
    example = templates / "branding_example"
    html = page_of_words(small, templates=templates, branding=example)
    assert "Breakwater Vibration Laboratory" in html
    assert 'class="logo"' in html
    assert "How this laboratory works" in html
    assert html.index('id="cautions"') < html.index('id="results"') if 'id="results"' in html else True
    assert render_pdf(small, templates=templates, branding=example).startswith(b"%PDF-")


def test_a_block_is_replaced_and_may_call_ours(small, templates, branding):
    (branding / "report.html.j2").write_text(
        '{% extends "core/report.html.j2" %}\n{% block opinions %}<p>before</p>{{ super() }}{% endblock %}\n',
        encoding="utf-8",
    )
    html = page_of_words(small, templates=templates, branding=branding)
    assert html.index("<p>before</p>") < html.index('id="opinions"')


def test_parts_in_another_order_number_themselves_anew(small, templates, branding):
    (branding / "report.html.j2").write_text(
        '{% extends "core/report.html.j2" %}\n'
        "{% block parts %}{{ self.inputs() }}{{ self.conformity() }}{% endblock %}\n",
        encoding="utf-8",
    )
    html = page_of_words(small, templates=templates, branding=branding)
    assert '<span class="no">1</span> Input files' in html
    assert '<span class="no">2</span> Statement of conformity' in html
    assert 'href="#run-' not in html, "links to what is not printed are plain text"


def test_a_wrong_name_is_an_error_with_file_and_line(small, templates, branding):
    path = branding / "report.html.j2"
    path.write_text(
        '{% extends "core/report.html.j2" %}\n\n{% block extra %}\n{{ laboratory.fax }}\n{% endblock %}\n',
        encoding="utf-8",
    )
    with telling(RenderError, match=r"branding/report\.html\.j2:4: .*fax"):
        page_of_words(small, templates=templates, branding=branding)


def test_a_slip_of_syntax_is_an_error_with_file_and_line(small, templates, branding):
    (branding / "report.html.j2").write_text('{% extends "core/report.html.j2" %}\n{% blok x %}\n', encoding="utf-8")
    with telling(RenderError, match=r"report\.html\.j2:2: "):
        page_of_words(small, templates=templates, branding=branding)


@pytest.mark.parametrize(
    "escape",
    [
        "{{ report.__class__ }}",
        "{{ ''.__class__.__mro__ }}",
        "{{ contents.listed.__func__.__globals__ }}",
        "{{ drawing.__globals__ }}",
        "{% include '../pyproject.toml' %}",
        "{{ notes.append('x') }}",
        "{{ range(1000000000) | list }}",
    ],
)
def test_the_sandbox_holds(escape, small, templates, branding):
    (branding / "report.html.j2").write_text(
        f'{{% extends "core/report.html.j2" %}}{{% block extra %}}{escape}{{% endblock %}}', encoding="utf-8"
    )
    with pytest.raises(RenderError):
        page_of_words(small, templates=templates, branding=branding)


def test_a_style_sheet_cannot_leave_its_element(small, templates, branding):
    (branding / "brand.css").write_text("</style><script>x</script>", encoding="utf-8")
    with telling(RenderError, match=r"brand\.css"):
        page_of_words(small, templates=templates, branding=branding)


def test_a_logo_is_written_anew(small, templates, branding):
    Image.new("RGB", (120, 40), "#0b5d73").save(branding / "logo.png", pnginfo=None)
    html = page_of_words(small, templates=templates, branding=branding)
    assert 'class="logo" src="data:image/jpeg;base64,' in html


def test_what_a_laboratory_puts_in_the_body_is_not_in_the_annex_too(report, templates, tmp_path):
    (tmp_path / "report.html.j2").write_text(
        '{% extends "core/report.html.j2" %}\n{% block parts %}{{ self.results() }}{{ self.inputs() }}{% endblock %}\n',
        encoding="utf-8",
    )
    html = page_of_words(report, templates=templates, branding=tmp_path)
    ids = re.findall(r'\bid="([^"]+)"', html)
    assert html.count('<h2 id="results">') == 1
    assert len(ids) == len(set(ids))


# Whoever wants it to hang -----------------------------------------------------------------------------------------


def branded(branding, words):
    (branding / "report.html.j2").write_text(
        '{% extends "core/report.html.j2" %}\n{% block opinions %}' + words + "{% endblock %}"
    )


@pytest.mark.filterwarnings(
    "ignore::pytest.PytestUnraisableExceptionWarning"
)  # the alarm rings in a collector's hook, too
def test_a_template_without_end_is_named_and_ended(small, templates, branding, monkeypatch):
    monkeypatch.setattr("reportgen.render.templating.FILL_SECONDS", 2.0)
    loop = "{% for a in range(99999) %}" * 3 + "{{ a }}" + "{% endfor %}" * 3
    branded(branding, loop)
    with telling(RenderError, r"report\.html\.j2:2: the template came to no end"):
        page_of_words(small, templates=templates, branding=branding)


@pytest.mark.parametrize(
    "words",
    [
        "{{ 9 ** 9 ** 9 ** 9 }}",
        "{{ 'a' * 10 ** 10 }}",
        "{{ ('a' * 9999999) * 9999 }}",
        "{{ range(10 ** 9) }}",
        "{{ [0] * 99999999999 }}",
        "{% macro m() %}{{ m() }}{% endmacro %}{{ m() }}",
    ],
)
def test_a_template_that_would_fill_the_machine_is_refused(small, templates, branding, words):
    branded(branding, words)
    with telling(RenderError, r"report\.html\.j2"):
        page_of_words(small, templates=templates, branding=branding)


@pytest.mark.parametrize("name", ["brand.css", "logo.svg", "logo.png", "report.html.j2", "parts/modes.html.j2"])
@pytest.mark.parametrize("kind", ["pipe", "broken link"])
def test_a_branding_file_that_is_none_is_named_not_passed_over(small, templates, branding, name, kind):
    (branding / name).parent.mkdir(exist_ok=True)
    os.mkfifo(branding / name) if kind == "pipe" else (branding / name).symlink_to("gone")
    with telling(RenderError, re.escape(name)):
        page_of_words(small, templates=templates, branding=branding)


def test_a_logo_that_uses_itself_without_end_is_refused(small, templates, branding):
    groups = "".join(f'<g id="g{n}">' + f'<use href="#g{n - 1}"/>' * 10 + "</g>" for n in range(1, 12))
    svg = f'<svg xmlns="http://www.w3.org/2000/svg"><rect id="g0" width="1" height="1"/>{groups}</svg>'
    (branding / "logo.svg").write_text(svg)
    with telling(RenderError, r"logo\.svg: draws more than"):
        page_of_words(small, templates=templates, branding=branding)


@pytest.mark.parametrize(
    "css",
    [
        'body { background: url("file:///etc/hostname") }',
        '@font-face { font-family: X; src: url("http://example.com/x.woff2") } body { font-family: X }',
    ],
)
def test_a_style_sheet_reaches_no_file_and_no_network(small, templates, branding, css, monkeypatch):
    import socket

    def refused(*_):
        raise AssertionError("a name was looked up")

    monkeypatch.setattr(socket, "getaddrinfo", refused)
    (branding / "brand.css").write_text(css)
    with telling(RenderError, r"example\.com|hostname"):
        render_pdf(small, templates=templates, branding=branding)
    assert "default-src &#39;none&#39;" in page_of_words(small, templates=templates, branding=branding)


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler's pdftotext")
@pytest.mark.parametrize("place", ["http://example.com/x.css", "file"])
def test_a_style_sheet_imports_no_other(small, templates, branding, place, monkeypatch):
    """An import behind other rules is none (CSS Cascade 4, 2): nothing is looked up, and no file is read."""
    import socket

    def refused(*_):
        raise AssertionError("a name was looked up")

    monkeypatch.setattr(socket, "getaddrinfo", refused)
    (branding / "other.css").write_text('.cover::before { content: "imported" }')
    address = (branding / "other.css").as_uri() if place == "file" else place
    (branding / "brand.css").write_text(f'@import url("{address}");')
    pdf = render_pdf(small, templates=templates, branding=branding)
    text = subprocess.run(["pdftotext", "-", "-"], input=pdf, capture_output=True, check=True).stdout.decode()
    assert "Test report" in text
    assert "imported" not in text
