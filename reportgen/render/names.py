"""Names inside a report: anchors that links point at, and the unit a level is printed in."""

from __future__ import annotations

import hashlib
import re

from reportgen.records.job import Profile
from reportgen.units import STANDARD_GRAVITY

_NOT_IN_AN_ID = re.compile(r"[^A-Za-z0-9]+")


def anchor(*parts: object) -> str:
    """An id made of ``parts``: letters, digits and hyphens, so that it is valid in HTML, SVG and PDF.

    What is not a letter or digit becomes a hyphen; letters outside ASCII are spelt as their code. A part that lost
    something by that gets the start of its digest, so that two ids stay two.

    >>> anchor("fig", "X-PRE", "A1"), anchor("fig", "X_PRE", "A1")
    ('fig-X-PRE-A1', 'fig-X-PRE-5b6561-A1')
    """
    return "-".join(_spelt(str(part)) for part in parts)


def _spelt(part: str) -> str:
    ascii_only = "".join(c if c.isascii() else f"u{ord(c):x}" for c in part)
    plain = _NOT_IN_AN_ID.sub("-", ascii_only).strip("-")
    return (
        plain
        if plain == part
        else "-".join(filter(None, (plain, hashlib.sha256(part.encode(errors="backslashreplace")).hexdigest()[:6])))
    )


def control_unit(profile: Profile | None) -> tuple[str, float]:
    """Symbol and size in m/s² of the unit a level is printed in: the profile's own, else m/s².

    The customer's requirement is read beside the curve, so the curve speaks the requirement's unit.
    """
    if profile is not None:
        for point in profile.breakpoints:
            if point.dimension == "acceleration":
                in_g = re.search(r"\d\s*g\b", point.text[1]) is not None
                return ("g", STANDARD_GRAVITY) if in_g else ("m/s²", 1.0)
    return "m/s²", 1.0
