"""The report as one HTML file: no network, works without script, allows no style or script but its own."""

from __future__ import annotations

import base64
import hashlib
import json
from pathlib import Path

from markupsafe import Markup

from reportgen.render.document import Document
from reportgen.render.draft import SCREEN_CSS, mark_screen
from reportgen.render.figures.figure_data import FigureData
from reportgen.render.page import data_url, figure_names, fill_twice, logo_file, style_sheet
from reportgen.render.rows.language import Language
from reportgen.render.rows.report_pages import ReportPages


def report_html(document: Document[ReportPages], *, templates: Path, branding: Path | None = None) -> str:
    """The whole report as one self-contained file. Raises RenderError with template and line where one is wrong."""
    identity = document.context.report
    name = f"{identity.number} {document.language.say('rev.')} {identity.revision}"
    return screen_page(document, "report.html.j2", templates, branding, name)


def screen_page(document: Document[object], template: str, templates: Path, branding: Path | None, name: str) -> str:
    """``template`` filled for the screen; ``name`` stands at the foot of what a browser prints."""
    css = style_sheet(
        templates,
        branding,
        ("type.css", "screen.css"),
        lambda name: data_url((templates / "fonts" / name).read_bytes(), "font/woff2"),
    )
    css = _with_running_words(css, name, document.language)
    css += SCREEN_CSS if document.draft else ""
    script, data = joined_script(templates, SCRIPTS), FigureData(document.drawings.sketches.values())

    def panels(key: str) -> str:
        return json.dumps(data.geometry(document.drawings[key]), ensure_ascii=False, separators=(",", ":"))

    logo = logo_file(branding)
    names = {
        "screen": True,
        "css": Markup(css),
        "script": Markup(script),
        "policy": content_policy(css, script),
        "logo": data_url(logo[1], logo[2]) if logo else "",
        **figure_names(
            document,
            lambda key: Markup(document.drawings[key].svg),
            lambda key: data_url(document.pictures[key].content, document.pictures[key].mime),
        ),
        "panels": panels,
        "figure_data": lambda: Markup(data.json()),
    }
    page = fill_twice(document, template, templates, branding, names)
    return mark_screen(page, document.language) if document.draft else page


SCRIPTS = ("page.js", "data.js", "axis.js", "figure.js", "table.js", "link.js")
"""Parts of the page's one script, in the order in which they build on each other."""


def joined_script(templates: Path, names: tuple[str, ...]) -> str:
    """All parts in one block, so that none of their names meets one of the page; empty where there are none."""
    parts = [templates / "script" / name for name in names]
    texts = [path.read_text(encoding="utf-8") for path in parts if path.is_file()]
    return ('"use strict";\n{\n' + "".join(texts) + "}\n").replace("</", "<\\/") if texts else ""


def content_policy(css: str, script: str) -> str:
    """A policy that allows exactly this style and this script, images and fonts inside the file, and nothing else."""
    scripts = f"'{_digest(script)}'" if script else "'none'"
    return (
        f"default-src 'none'; img-src data:; font-src data:; style-src '{_digest(css)}'; script-src {scripts}; "
        "base-uri 'none'; form-action 'none'"
    )


def _with_running_words(css: str, name: str, language: Language) -> str:
    """Styles with what stands at the foot of each page that a browser prints."""
    page_of = language.say('"Page " counter(page) " of " counter(pages)')
    return css.replace("var(--page-of)", page_of).replace("var(--running)", _css_text(name))


def _css_text(text: str) -> str:
    """A string of CSS Values 4, in which nothing of ``text`` ends it.

    >>> _css_text('A"b')
    '"A\\\\000022b"'
    """
    return '"' + "".join(c if c.isalnum() or c in " -._/" else f"\\{ord(c):06x}" for c in text) + '"'


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
