"""The page on which results are reviewed: layout, style, script and fonts, as files that a server hands to a browser.

The page holds words and layout alone. What it shows it asks the server for; figures are those of the report, read by
the same script.
"""

from __future__ import annotations

from pathlib import Path

from reportgen.render.fonts import FACES
from reportgen.render.html import joined_script
from reportgen.render.page import style_sheet
from reportgen.render.rows.language import Language
from reportgen.render.templating import environment, fill

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""Content Security Policy (level 3) of the page: its own files and no others, and none of them within its text."""
SHEETS = ("type.css", "screen.css", "review.css")
SCRIPTS = (
    "page.js",
    "data.js",
    "axis.js",
    "figure.js",
    "review_server.js",
    "review_lists.js",
    "review_curve.js",
    "review_decision.js",
    "review.js",
)
"""Parts of the page's script, in the order in which they build on each other: first those of every figure."""

File = tuple[bytes, str]
"""Content, and its media type."""


def review_files(templates: Path, branding: Path | None, language: str) -> dict[str, File]:
    """All files of the page by name: the page itself is ``""``, the others lie beside it under ``assets/``.

    Of ``branding`` its style sheet alone is taken.
    Raises RenderError for a language without catalogue, or a template with a fault.
    """
    fonts = {name: ((templates / "fonts" / name).read_bytes(), "font/woff2") for *_, name in FACES}
    words = Language.of(language, templates).words
    page = fill(environment(templates, None, words), "review.html.j2", {"language": language})
    css = style_sheet(templates, branding, SHEETS, lambda name: name)
    return {
        "": (page.encode(), "text/html; charset=utf-8"),
        "review.css": (css.encode(), "text/css; charset=utf-8"),
        "review.js": (joined_script(templates, SCRIPTS).encode(), "text/javascript; charset=utf-8"),
        **fonts,
    }
