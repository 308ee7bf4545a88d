"""The words of a note as phrases: quantities, counts, places, roles. What they mean together is in ``note_line``."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from reportgen.errors import UnitError
from reportgen.read.notes.note_vocabulary import vocabulary
from reportgen.records.message import Message, message
from reportgen.records.note import MotionKind
from reportgen.units import Detector, parse_quantity

NUMBER_WORDS = {
    word: number
    for number, word in enumerate(
        ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
    )
} | {"a": 1, "an": 1, "single": 1, "no": 0, "none": 0, "nil": 0, "without": 0, "w/o": 0}
MOST_NODES = 40
SLOWEST_SEEN_AS_FAST_HZ = 10.0
"""Above this nothing is seen as slow motion: the eye follows a few cycles a second."""

_MOTIONS = {"tors": MotionKind.TORSION, "twis": MotionKind.TORSION, "axia": MotionKind.AXIAL}
_MOTIONS |= {"leng": MotionKind.AXIAL, "long": MotionKind.AXIAL, "bend": MotionKind.BENDING, "flex": MotionKind.BENDING}


@dataclass(frozen=True, slots=True)
class Frequency:
    """A frequency; ``problem`` where the figure can be read in two ways."""

    text: str
    hz: float
    step_hz: float
    problem: Message | None = None


@dataclass(frozen=True, slots=True)
class NodePlace:
    """A position along the beam: a figure, its unit (``m`` or ``L``) and the size of the unit it was written in.

    A bare figure has no unit until the list it stands in gives it one.
    """

    figure: float
    unit: str | None = None
    scale: float = 1.0

    @property
    def value(self) -> float:
        """In metres, or as a fraction of the length."""
        return round(self.figure * self.scale, 9)


@dataclass(slots=True)
class Nodes:
    """Words about nodes: how many, where; ``problem`` where they can not be taken at their word."""

    text: str
    count: int | None = None
    plural: bool = False
    """Whether the word itself says that there are several."""
    places: list[NodePlace] = field(default_factory=list)
    origin: str | None = None
    problem: Message | None = None


@dataclass(frozen=True, slots=True)
class Strobe:
    """Words about the strobe and what was seen under it."""

    text: str
    flash: Frequency | None = None
    drive: Frequency | None = None
    apparent: Frequency | None = None


@dataclass(frozen=True, slots=True)
class Slow:
    """Slow motion seen, with its frequency."""

    text: str
    apparent: Frequency | None
    drive: Frequency | None = None


@dataclass(frozen=True, slots=True)
class Level:
    """Words about the level of the drive."""

    text: str
    by_db: float | None = None
    to_mps2: float | None = None
    problem: Message | None = None
    named: bool = True
    """False for a bare "-6 dB" or "0.5 g", which may be a response as well."""
    key: str = ""
    """Its words in English."""


@dataclass(frozen=True, slots=True)
class MotionWord:
    """A kind of motion."""

    text: str
    kind: MotionKind


@dataclass(frozen=True, slots=True)
class Counted:
    """A number that counts nothing yet."""

    text: str
    value: float | None
    word: str
    """In English."""


@dataclass(frozen=True, slots=True)
class NodePlaces:
    """Positions without the word node."""

    text: str
    places: tuple[NodePlace, ...]
    origin: str | None


@dataclass(frozen=True, slots=True)
class Word:
    """Any other word, with the kind the grammar gives it."""

    kind: str
    text: str
    start: int
    end: int
    key: str = ""
    """In lower case and English: what the rules decide by; ``text`` is what is quoted."""


Phrase = Frequency | Nodes | Strobe | Slow | Level | MotionWord | Counted | NodePlaces | Word


@lru_cache(maxsize=1)
def _grammar() -> Any:
    from lark import Lark

    grammar = (Path(__file__).parent / "notes_grammar.lark").read_text(encoding="utf-8")
    return Lark(vocabulary().filled(grammar), parser="lalr", lexer="basic", propagate_positions=True)


def phrases(folded: str, original: str) -> list[Phrase]:
    """Phrases of a lower-case text in its order; ``original`` has the same length and is quoted from."""
    tree = _grammar().parse(folded)
    foreign = any(_english(str(each.type), str(each)) != each for each in tree.scan_values(lambda _: True))
    return _with_arrows([_phrase(_in_english(each, foreign), original) for each in tree.children])


def _in_english(tree: Any, foreign: bool) -> Any:
    """The same tree with the English word in the place of every other; places in the text stay.

    ``foreign``: words of another language stand on the line, so that a point may part thousands as well.
    """

    def english(token: Any) -> Any:
        value = _english(str(token.type), str(token))
        return token.update(value=_POINT_OR_THOUSAND.sub(r"\1,\2", value) if foreign else value)

    tree.children = [
        _in_english(each, foreign) if hasattr(each, "children") else english(each) for each in tree.children
    ]
    return tree


_POINT_OR_THOUSAND = re.compile(r"^([1-9]\d{0,2})\.(\d{3}\s*(?:hz|hertz))$")
"""A frequency such as 1.830 Hz, which in some languages is 1830 Hz: written with a comma it is asked about."""


def _english(kind: str, text: str) -> str:
    words = vocabulary()
    match kind:
        case "REMARK" | "REMARK_SHORT":
            bare = text.rstrip(": \t.")
            return words.meant("REMARK_SHORT", words.meant("REMARK_WORD", bare))
        case "LABEL":
            return words.meant("ORDINAL", text)
        case "ACCELERATION":
            return re.sub(words.patterns["DETECTOR"] + "$", lambda found: words.meant("DETECTOR", found.group()), text)
    return words.meant(kind, text)


def _with_arrows(found: list[Phrase]) -> list[Phrase]:
    """Take "strobe 9.8 Hz -> 1 Hz" together: what stands behind the arrow was seen under the strobe."""
    taken: list[Phrase] = []
    for each in found:
        arrow = taken[-1] if len(taken) > 1 else None
        strobe = taken[-2] if len(taken) > 1 else None
        seen = isinstance(each, Frequency) and each.hz <= SLOWEST_SEEN_AS_FAST_HZ
        pointed = isinstance(arrow, Word) and arrow.key in ("->", "→", "=>", "gives", "shows")
        if isinstance(each, Frequency) and seen and pointed and isinstance(strobe, Strobe) and not strobe.apparent:
            taken[-2:] = [replace(strobe, apparent=each)]
        else:
            taken.append(each)
    return taken


def _phrase(tree: Any, original: str) -> Phrase:
    if tree.data == "plain":
        return _plain(tree.children[0], original)
    text = " ".join(original[tree.meta.start_pos : tree.meta.end_pos].split())
    built: Phrase = _BUILDERS[tree.data](tree.children, text)
    return built


def _plain(token: Any, original: str) -> Phrase:
    text = original[token.start_pos : token.end_pos].strip()
    if token.type == "MOTION":
        return MotionWord(text, _MOTIONS[str(token)[:4]])
    return Word(token.type, text, token.start_pos, token.end_pos, " ".join(str(token).lower().split()))


def decimal(text: str) -> float:
    """Leading number of ``text``, with decimal point or comma."""
    match = re.search(r"\d+(?:[.,]\d+)?", text)
    return float(match.group().replace(",", ".")) if match else float("nan")


def frequency(text: str) -> Frequency:
    """``312 Hz``, ``1,2 kHz``, ``5160 rpm`` in hertz.

    >>> frequency("1,2 khz").hz
    1200.0
    """
    figure = re.match(r"\d+(?:[.,](\d+))?", text.strip())
    digits = figure.group() if figure else "0"
    decimals = len(figure.group(1) or "") if figure else 0
    unit = text.strip()[len(digits) :].strip()
    factor = 1000.0 if unit.startswith("k") else 1 / 60.0 if re.search(r"rpm|fpm|min", unit) else 1.0
    problem = None
    if re.fullmatch(r"[1-9]\d{0,2},\d{3}", digits):
        whole, part = digits.split(",")
        problem = message("note.ambiguous-comma", whole=whole, part=part)
    elif decimal(digits) <= 0:
        problem = message("note.frequency-positive")
    step = round(factor * 10.0**-decimals, 9)
    return Frequency(" ".join(text.split()), round(decimal(digits) * factor, 9), step, problem)


def _place(token: Any) -> NodePlace:
    if token.type == "LENGTH":
        number, unit = re.match(r"([\d.,]+)\s*(\w+)", str(token).strip()).groups()  # type: ignore[union-attr]
        scale = {"mm": 1e-3, "cm": 1e-2, "m": 1.0}.get(unit, 0.0254)
        return NodePlace(decimal(number), "m", scale)
    return NodePlace(decimal(str(token)), "L", 0.01 if token.type == "PERCENT" else 1.0)


def _number(token: Any) -> float | None:
    """Value of a number token; None where it says a range or a bound."""
    if token.type == "FUZZY":
        return None
    return float(NUMBER_WORDS[str(token)]) if str(token) in NUMBER_WORDS else decimal(str(token))


def _is_tree(each: Any, name: str) -> bool:
    return getattr(each, "data", None) == name


def _without_joints(text: str) -> str:
    """Text without the words at its end that lead on to what follows.

    >>> _without_joints("two nodes are at"), _without_joints("at")
    ('two nodes', 'at')
    """
    words, joints = list(re.finditer(r"\S+", text)), vocabulary().words["joints"]
    end = len(text)
    while words and words[-1].end() == end and words[-1].start() and words[-1].group().lower() in joints:
        words.pop()
        end = words[-1].end() if words else 0
    return text[:end]


def _nodes(children: list[Any], text: str) -> Nodes:
    found = Nodes(_without_joints(text))
    lead = next((each for each in children if _is_tree(each, "number")), None)
    tokens = [each for each in children if not _is_tree(each, "number")]
    found.plural = any(re.search(r"nod(?:es|al \w+s)\b", str(token)) for token in tokens if token.type == "NODES")
    if lead is not None:
        _count(found, lead.children[0], qualified=[str(each) for each in lead.children[1:]])
    at = any(token.type == "LINK" and str(token).strip() == "at" for token in tokens)
    for token in tokens:
        if token.type in ("LENGTH", "FRACTION", "PERCENT"):
            found.places.append(_place(token))
        elif token.type == "FROM":
            found.origin = str(token)
        elif token.type in ("NUMBER", "NUMBER_WORD", "NONE", "FUZZY"):
            if token.type == "NUMBER" and (at or not decimal(str(token)).is_integer()):
                found.places.append(NodePlace(decimal(str(token))))
            elif found.count is None and found.problem is None:
                _count(found, token, qualified=[])
    return found


def _count(found: Nodes, token: Any, qualified: list[str]) -> None:
    value = _number(token)
    if value is None or value > MOST_NODES or value != int(value):
        found.problem = message("note.not-whole", words=str(token).strip())
    elif token.type in ("NO", "NONE") and [word for word in qualified if word not in ("interior", "inner")]:
        found.problem = message("note.others-unsaid")
    else:
        found.count = int(value)


def _counted(children: list[Any], text: str) -> Counted:
    token = children[0].children[0]
    return Counted(text, _number(token), str(token))


def _places(children: list[Any], text: str) -> NodePlaces:
    origin = next((str(token) for token in children if token.type == "FROM"), None)
    return NodePlaces(text, tuple(_place(token) for token in children if token.type != "FROM"), origin)


def _lead(children: list[Any], text: str) -> Phrase:
    rates = [frequency(str(token)) for token in children if token.type == "FREQUENCY"]
    kinds = [str(token.type) for token in children if token.type != "LINK"]
    linked = any(token.type == "LINK" for token in children)
    if kinds == ["FREQUENCY"]:
        flashes = re.search(vocabulary().patterns["FLASH_RATE"], rates[0].text.lower())
        return Strobe(text, flash=rates[0]) if flashes else replace(rates[0], text=text)
    if kinds[1] == "SLOW":
        return _lead_slow(rates, next(str(t) for t in children if t.type == "SLOW"), text)
    if len(rates) == 1:
        return Strobe(text, flash=rates[0])
    if kinds[-1] == "SLOW" and not linked:
        return Strobe(text, flash=rates[0], apparent=rates[1])
    return Strobe(text, drive=rates[0], flash=rates[1], apparent=rates[2] if len(rates) > 2 else None)


def _lead_slow(rates: list[Frequency], word: str, text: str) -> Phrase:
    if len(rates) == 2:
        return Slow(text, apparent=rates[1], drive=rates[0])
    if word.startswith("slowly") or rates[0].hz > SLOWEST_SEEN_AS_FAST_HZ:
        return rates[0]
    return Slow(text, apparent=rates[0])


def _strobed(children: list[Any], text: str) -> Strobe:
    rates = [frequency(str(token)) for token in children if token.type == "FREQUENCY"]
    return Strobe(text, flash=rates[0] if rates else None, apparent=rates[1] if len(rates) > 1 else None)


def _slow(children: list[Any], text: str) -> Phrase:
    rates = [frequency(str(token)) for token in children if token.type == "FREQUENCY"]
    if not rates:
        return Slow(text, None)
    if rates[0].hz > SLOWEST_SEEN_AS_FAST_HZ:
        return rates[0]
    return Slow(text, apparent=rates[0])


def _steer(children: list[Any], text: str) -> Level:
    return replace(_steered(children, text), key=" ".join(str(token).strip() for token in children))


def _steered(children: list[Any], text: str) -> Level:
    kinds = {str(token.type) for token in children}
    value = next((token for token in children if token.type in ("DB", "ACCELERATION", "PERCENT")), None)
    if value is None:
        return Level(text, named="LEVEL" in kinds)
    if value.type == "DB":
        return _by_decibels(children, text)
    if "LEVEL" not in kinds:
        return Level(text, named=False) if value.type == "PERCENT" else _acceleration(value, text, named=False)
    if value.type == "PERCENT":
        return Level(text, problem=message("note.share-level"))
    return _acceleration(value, text, named=True)


def _level_now(children: list[Any], text: str) -> Level:
    return _acceleration(children[0], text, named=len(children) > 1)


def _acceleration(token: Any, text: str, named: bool) -> Level:
    try:
        quantity = parse_quantity(re.sub(r"(\d),(\d)", r"\1.\2", str(token).strip()), "acceleration")
    except UnitError as trouble:
        return Level(text, problem=message("note.unit", what=trouble.said), named=named)
    detector = quantity.unit.detector or Detector.PEAK
    return Level(text, to_mps2=quantity.si * detector.to_peak, named=named)


def _decibels(children: list[Any], text: str) -> Level:
    return replace(_by_decibels(children, text), key=" ".join(str(token).strip() for token in children))


def _by_decibels(children: list[Any], text: str) -> Level:
    kinds = {str(token.type) for token in children}
    token = next(str(token).strip() for token in children if token.type == "DB")
    named = "LEVEL" in kinds or bool(kinds & {"UP", "DOWN"})
    value, sign = decimal(token), re.match(r"[-+]|minus|plus", token)
    if sign:
        return Level(text, by_db=-value if sign.group() in ("-", "minus") else value, named="LEVEL" in kinds)
    if value == 0:
        return Level(text, by_db=0.0, named=named)
    if ("UP" in kinds) == ("DOWN" in kinds):
        problem = message("note.up-or-down")
        return Level(text, problem=problem if "LEVEL" in kinds else None, named="LEVEL" in kinds)
    return Level(text, by_db=value if "UP" in kinds else -value, named="LEVEL" in kinds)


_BUILDERS: dict[str, Any] = {
    "nodes": _nodes, "counted": _counted, "places": _places, "lead": _lead, "strobed": _strobed, "slow": _slow,
    "steer": _steer, "decibels": _decibels, "level_now": _level_now,
}  # fmt: skip
