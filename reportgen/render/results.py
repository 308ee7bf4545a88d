"""results.json: what downstream scripts rely on. Numbers that cannot be had are null, with the reason beside them.

One encoder for all records: a field is a member of the same name, in the same order, and a text has its code and values
beside it. What differs from that, and what is left out, stands in ``results_table``.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import is_dataclass
from datetime import date, time
from enum import Enum
from functools import lru_cache
from typing import Any, get_type_hints

from reportgen.records.log import Floats
from reportgen.records.message import Message, Place
from reportgen.records.report import Report
from reportgen.render.catalogue import said, told
from reportgen.render.results_table import SHAPES, MessageAs, Shape

SCHEMA = 1
_DIGITS = 10
"""Significant digits kept: far below any uncertainty, above the last-bit noise of other processors."""
_AS_IT_STANDS = Shape()


def results_json(report: Report) -> bytes:
    """Serialise ``report``; the same report gives the same bytes. UTF-8, two-space indent, trailing newline."""
    text = json.dumps(results(report), ensure_ascii=False, indent=2, allow_nan=False)
    return (text + "\n").encode("utf-8")


def results(report: Report) -> dict[str, Any]:
    """Results as values that JSON knows; keys are those of the file contract, with additions."""
    return {"schema": SCHEMA, **encoded(report)}


def encoded(value: Any) -> Any:
    """A value as JSON knows it; numbers to ten significant digits, null for what is not finite.

    >>> encoded((1 / 3, math.inf, Place("notes.txt", 12), date(2026, 3, 4)))
    [0.3333333333, None, 'notes.txt:12', '2026-03-04']
    """
    match value:
        case None | bool():
            return value
        case str() | Enum() | Place():
            return str(value)
        case Message():
            return {"code": value.code, "values": encoded(dict(value.values))}
        case date() | time():
            return value.isoformat()
        case Mapping():
            return {str(key): encoded(each) for key, each in value.items()}
        case Sequence():
            return [encoded(each) for each in value]
        case int():
            return value
    return _members(type(value), value) if is_dataclass(value) else exact(float(value))


def exact(number: float) -> float | None:
    """A number with the digits that results.json holds, and every other file with it; None where it is not finite.

    >>> exact(117.43123456789), exact(float("nan"))
    (117.4312346, None)
    """
    return float(f"{number:.{_DIGITS}g}") if math.isfinite(number) else None


def _members(record: type, of: Any) -> dict[str, Any]:
    """Members that tell a record; null or empty where ``of`` is None."""
    shape = SHAPES.get(record, _AS_IT_STANDS)
    told_first: dict[str, Any] = {"kind": shape.kind} if shape.kind else {}
    told_last: dict[str, Any] = {}
    for name, hint in told_fields(record).items():
        value = getattr(of, name, () if _is_tuple(hint) else None)
        if value is None and shape.known_only:
            continue
        words, beside = _field(shape, name, hint, value, of)
        told_first |= words
        (told_last if shape.messages_last else told_first).update(beside)
    return told_first | told_last


@lru_cache(maxsize=100)  # more than there are records
def told_fields(record: type) -> Mapping[str, Any]:
    """Field and type of what results.json tells of a record."""
    left_out = SHAPES.get(record, _AS_IT_STANDS).left_out
    return {
        name: hint
        for name, hint in get_type_hints(record).items()
        if name not in left_out and hint not in (Floats, Floats | None)
    }


def _is_tuple(hint: Any) -> bool:
    return getattr(hint, "__origin__", None) is tuple


def _field(shape: Shape, name: str, hint: Any, value: Any, of: Any) -> tuple[dict[str, Any], dict[str, Any]]:
    """Members for one field, and those that hold code and values of its texts."""
    key = shape.named.get(name, name)
    if name in shape.made:
        return encoded(shape.made[name](of)), {}
    if name in shape.drawn_in:
        return _members(shape.drawn_in[name], value), {}
    if hint in (Message, Message | None):
        return _text(key, value, shape.messages.get(name, MessageAs.BESIDE))
    if hint == tuple[Message, ...]:
        return _texts(key, value, shape.messages.get(name, MessageAs.BESIDE))
    if name in shape.pairs:
        value = [dict(zip(shape.pairs[name], pair, strict=True)) for pair in value]
    return {key: encoded(value)}, {}


def _text(key: str, text: Message | None, how: MessageAs) -> tuple[dict[str, Any], dict[str, Any]]:
    words = {key: said(text) if text else "" if how is MessageAs.STATED else None}
    match how:
        case MessageAs.WORDS:
            return words, {}
        case MessageAs.OWN:
            return words, encoded(text)
    return words, {f"{key}_message": encoded(text)}


def _texts(key: str, texts: Sequence[Message], how: MessageAs) -> tuple[dict[str, Any], dict[str, Any]]:
    if how is MessageAs.OWN:
        return {key: [{"message": said(each), **encoded(each)} for each in texts]}, {}
    words = told(texts) if how is MessageAs.TOGETHER else [said(each) for each in texts]
    return {key: words}, {f"{key.removesuffix('s')}_messages": encoded(texts)}
