"""Names inside a report: anchors that links point at, and the unit a level is printed in."""

from __future__ import annotations

import re

from reportgen.records.job import Profile
from reportgen.units import STANDARD_GRAVITY

_NOT_IN_AN_ID = re.compile(r"[^A-Za-z0-9]+")


def anchor(*parts: object) -> str:
    """An id made of ``parts``: letters, digits and hyphens, so that it is valid in HTML, SVG and PDF.

    What is not a letter or digit becomes a hyphen; letters outside ASCII are spelt as their code, so two ids stay two.

    >>> anchor("fig", "X-PRE", "A1"), anchor("file", "logs/x_pre.csv")
    ('fig-X-PRE-A1', 'file-logs-x-pre-csv')
    """
    spelt = ("".join(c if c.isascii() else f"u{ord(c):x}" for c in str(part)) for part in parts)
    return "-".join(_NOT_IN_AN_ID.sub("-", each).strip("-") for each in spelt)


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
