"""An SVG element by element: presentation attributes only, no style, every id begins with the figure's key.

Written by hand since a plotting library takes twenty times as long and its drawing holds four times as many elements,
each of which costs time again when it is set on the page (measured: 45 + 45 ms a figure against 2 + 15 ms).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from html import escape, unescape

FAMILY = "Report Sans, sans-serif"
Point = tuple[float, float]
Dash = tuple[float, ...]
"""Lengths of strokes and gaps in widths of the line; empty for a solid line."""


def coordinate(value: float) -> str:
    """A length with at most two decimals: a hundredth of a point is less than any printer's dot.

    >>> coordinate(12.0), coordinate(-0.001), coordinate(3.456)
    ('12', '0', '3.46')
    """
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


class Svg:
    """A drawing in the making; y runs down, as SVG has it. All lengths are in points."""

    def __init__(self, key: str, title: str, width: float, height: float, ink: str, font_size: float) -> None:
        self.key = key
        self.ink = ink
        self._parts = [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {coordinate(width)} {coordinate(height)}"'
            f' font-family="{FAMILY}" font-size="{coordinate(font_size)}" fill="{ink}" stroke-linejoin="round">',
            f"<title>{escape(title, quote=False)}</title>",
        ]

    def text_of(self) -> str:
        """The whole drawing."""
        return "\n".join([*self._parts, "</svg>\n"])

    def id(self, name: str) -> str:
        """``name`` as an id that no other figure has."""
        return f"{self.key}-{name}"

    @contextmanager
    def group(self, **attributes: str) -> Iterator[None]:
        """A group around what is drawn inside; attributes in Python's spelling (``stroke_width``, ``class_``)."""
        self._parts.append(f"<g{_written(attributes)}>")
        yield
        self._parts.append("</g>")

    def clip(self, name: str, left: float, top: float, width: float, height: float) -> str:
        """Define a box to which a group may be cut; returns what its ``clip_path`` has to say."""
        box = _written(
            dict(zip(("x", "y", "width", "height"), map(coordinate, (left, top, width, height)), strict=True))
        )
        self._parts.append(f'<defs><clipPath id="{self.id(name)}"><rect{box}/></clipPath></defs>')
        return f"url(#{self.id(name)})"

    def line(self, points: Sequence[Point], **attributes: str) -> None:
        """Straight from point to point."""
        listed = " ".join(f"{coordinate(x)} {coordinate(y)}" for x, y in points)
        self._parts.append(f'<polyline points="{listed}"{_written(attributes)}/>')

    def segments(self, pairs: Sequence[tuple[Point, Point]], **attributes: str) -> None:
        """Many separate lines as one element."""
        path = "".join(
            f"M{coordinate(x0)} {coordinate(y0)}L{coordinate(x1)} {coordinate(y1)}" for (x0, y0), (x1, y1) in pairs
        )
        if path:
            self._parts.append(f'<path d="{path}"{_written(attributes)}/>')

    def box(self, left: float, top: float, width: float, height: float, **attributes: str) -> None:
        """A rectangle."""
        sizes = zip(("x", "y", "width", "height"), map(coordinate, (left, top, width, height)), strict=True)
        self._parts.append(f"<rect{_written(dict(sizes))}{_written(attributes)}/>")

    def text(self, x: float, y: float, text: str, anchor: str = "start", **attributes: str) -> None:
        """``text`` with its base line at ``y``; ``anchor`` is start, middle or end."""
        anchored = {} if anchor == "start" else {"text_anchor": anchor}
        place = {"x": coordinate(x), "y": coordinate(y)}
        self._parts.append(f"<text{_written({**place, **anchored, **attributes})}>{escape(text, quote=False)}</text>")

    def upright(self, x: float, y: float, text: str) -> None:
        """``text`` turned to run upwards, its middle at ``y``."""
        turn = f"rotate(-90 {coordinate(x)} {coordinate(y)})"
        self.text(x, y, text, "middle", transform=turn)

    def symbol(self, shape: str, x: float, y: float, size: float, **attributes: str) -> None:
        """A mark centred at a point: ``disc``, ``square``, ``diamond``, ``cross``, ``down`` or ``up`` (triangles)."""
        half = size / 2
        if shape == "disc":
            place = {"cx": coordinate(x), "cy": coordinate(y), "r": coordinate(half)}
            self._parts.append(f"<circle{_written({**place, **attributes})}/>")
        elif shape == "square":
            self.box(x - half, y - half, size, size, **attributes)
        elif shape == "cross":
            corners = ((x - half, y - half), (x + half, y + half)), ((x - half, y + half), (x + half, y - half))
            self.segments(corners, fill="none", **attributes)
        else:
            self.polygon([(x + dx * half, y + dy * half) for dx, dy in _CORNERS[shape]], **attributes)

    def polygon(self, points: Sequence[Point], **attributes: str) -> None:
        """A closed outline."""
        listed = " ".join(f"{coordinate(x)} {coordinate(y)}" for x, y in points)
        self._parts.append(f'<polygon points="{listed}"{_written(attributes)}/>')


_CORNERS: dict[str, tuple[Point, ...]] = {
    "diamond": ((0, -1.35), (1.35, 0), (0, 1.35), (-1.35, 0)),
    "down": ((-1, -1), (1, -1), (0, 1)),
    "up": ((-1, 1), (1, 1), (0, -1)),
}


_ANCHORED = re.compile(r'<text x="([^"]+)"([^>]*?) text-anchor="(middle|end)"([^>]*)>([^<]*)</text>')


def from_the_left(svg: str, advances: Callable[[str], Mapping[int, float]]) -> str:
    """``svg`` with every text placed by its left end; ``advances`` gives the widths of a font by its weight.

    Only for a page whose fonts are known: there each anchored text would become an object of its own, which makes a
    quarter of the size of a report and a twentieth of its time.
    """
    size = float(_attribute(svg[: svg.index(">")], "font-size", "1"))

    def placed(match: re.Match[str]) -> str:
        x, before, anchor, after, text = match.groups()
        widths = advances(_attribute(after, "font-weight", "400"))
        width = sum(widths.get(ord(each), 0.6) for each in unescape(text))
        width *= float(_attribute(after, "font-size", str(size)))
        left = float(x) - width * (0.5 if anchor == "middle" else 1.0)
        return f'<text x="{coordinate(left)}"{before}{after}>{text}</text>'

    return _ANCHORED.sub(placed, svg)


def _attribute(attributes: str, name: str, default: str) -> str:
    found = re.search(rf' {name}="([^"]*)"', attributes)
    return found.group(1) if found else default


def dashes(dash: Dash, width: float) -> dict[str, str]:
    """Attributes of a dashed line ``width`` wide; none for a solid one."""
    return {"stroke_dasharray": " ".join(coordinate(length * width) for length in dash)} if dash else {}


def _written(attributes: dict[str, str]) -> str:
    return "".join(f' {name.rstrip("_").replace("_", "-")}="{escape(value)}"' for name, value in attributes.items())
