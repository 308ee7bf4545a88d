"""The report as one HTML file: no network, works without script, allows no style or script but its own."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path

from markupsafe import Markup

from reportgen.records.report import Report
from reportgen.render.document import Document, assemble
from reportgen.render.draft import SCREEN_CSS, mark_screen
from reportgen.render.page import data_url, figure_names, fill_twice, logo_file, style_sheet


def render_html(report: Report, *, templates: Path, branding: Path | None = None) -> str:
    """The whole report as one self-contained file. Raises RenderError with template and line where one is wrong."""
    return screen_page(assemble(report, templates), "report.html.j2", templates, branding)


def screen_page(document: Document, template: str, templates: Path, branding: Path | None) -> str:
    """``template`` filled for the screen."""
    css = style_sheet(
        templates,
        branding,
        ("type.css", "screen.css"),
        lambda name: data_url((templates / "fonts" / name).read_bytes(), "font/woff2"),
    )
    css += SCREEN_CSS if document.draft else ""
    script = _script(templates)
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
    }
    page = fill_twice(document, template, templates, branding, names)
    return mark_screen(page, document.language) if document.draft else page


def _script(templates: Path) -> str:
    path = templates / "script" / "report.js"
    return path.read_text(encoding="utf-8").replace("</", "<\\/") if path.is_file() else ""


def content_policy(css: str, script: str) -> str:
    """A policy that allows exactly this style and this script, images and fonts inside the file, and nothing else."""
    scripts = f"'{_digest(script)}'" if script else "'none'"
    return (
        f"default-src 'none'; img-src data:; font-src data:; style-src '{_digest(css)}'; script-src {scripts}; "
        "base-uri 'none'; form-action 'none'"
    )


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
