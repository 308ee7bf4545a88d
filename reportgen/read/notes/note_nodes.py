"""Nodes counted and placed, and kinds of motion, each at its drive frequency."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from reportgen.read.notes.note_segments import DENIED, Reading, Segment, drive_of
from reportgen.read.notes.note_vocabulary import vocabulary
from reportgen.read.notes.note_words import (
    MOST_NODES,
    Counted,
    Frequency,
    Level,
    MotionWord,
    NodePlace,
    NodePlaces,
    Nodes,
    Phrase,
    Word,
)
from reportgen.records.message import Message, message
from reportgen.records.note import MotionSeen, NodesSeen


def gather_places(segments: list[Segment]) -> None:
    """Give places that stand apart from the word node ("at 212 mm, 366 mm") to the nodes they belong to."""
    last: Nodes | None = None
    waiting: list[Counted] = []
    for segment in segments:
        own = segment.of(Nodes)
        said = _before_drive(segment)
        if own:
            _end_list(last, waiting)
            last = own[-1] if _take_following(segment) else None
        elif last is not None and said and _is_list_of_places(said):
            waiting += [each for each in said if isinstance(each, Counted)]
            if any(isinstance(each, NodePlaces) for each in said):
                _take_all(last, waiting, said)
        elif segment.tells or segment.drives or bool(segment.of(NodePlaces)):
            _end_list(last, waiting)
            last = None
        for each in own:
            each.origin = each.origin or _origin(segment)
    _end_list(last, waiting)


def _origin(segment: Segment) -> str | None:
    return next((each.key for each in segment.phrases if isinstance(each, Word) and each.kind == "FROM"), None)


def _take_all(nodes: Nodes, waiting: list[Counted], said: list[Phrase]) -> None:
    """Bare figures of a list, then the place that gives them their unit: "0.3, 0.6, 0.9 L"."""
    _take_figures(nodes, [each for each in waiting if each not in said])
    for each in said:
        _take(nodes, each)
    waiting.clear()


def _end_list(nodes: Nodes | None, waiting: list[Counted]) -> None:
    """Bare figures at the end of a list that began with units: "x/L = 0.36, 0.64"."""
    if nodes is not None and nodes.places and nodes.places[-1].unit != "m":
        _take_figures(nodes, waiting)
    waiting.clear()


def _take_figures(nodes: Nodes, figures: Iterable[Counted]) -> None:
    for each in figures:
        if each.value is not None and each.text[:1].isdigit():
            nodes.places.append(NodePlace(each.value))


def _take_following(segment: Segment) -> bool:
    """Places and a late count behind the nodes of one segment; False where other words come between."""
    nodes: Nodes | None = None
    told = False
    for each in segment.phrases:
        if isinstance(each, Nodes):
            nodes, told = each, False
        elif nodes is not None and isinstance(each, NodePlaces):
            _take(nodes, each)
        elif nodes is not None and isinstance(each, Word) and each.kind == "ABOUT":
            told = False  # a place may be about there, a count may not
        elif nodes is not None and isinstance(each, Counted) and told and nodes.count is None and not nodes.places:
            whole = each.value is not None and each.value <= MOST_NODES and each.value == int(each.value)
            nodes.count = int(each.value or 0) if whole else None
        elif isinstance(each, Word) and each.key in (":", "="):
            told = True
        elif isinstance(each, Word) and each.kind not in ("LINK", "SEEN", "QUALITY") and not each.text.endswith("ly"):
            nodes = None
    return nodes is not None


def _take(nodes: Nodes, each: Phrase) -> None:
    if isinstance(each, NodePlaces):
        nodes.places.extend(each.places)
        nodes.origin = nodes.origin or each.origin
    elif isinstance(each, Counted):
        _take_figures(nodes, [each])


def _before_drive(segment: Segment) -> list[Phrase]:
    """Phrases up to the first frequency: "0.64 at 268 Hz" goes on with a list of places."""
    stop = next((i for i, each in enumerate(segment.phrases) if isinstance(each, Frequency)), None)
    return segment.phrases[:stop]


def _is_list_of_places(said: list[Phrase]) -> bool:
    """True where nothing but places, figures and links stands there."""
    links = ("LINK", "SEEN", "FROM", "ABOUT", "LABEL", "MORE", "QUALITY")
    known = (NodePlaces, Counted)
    return all(isinstance(each, known) or (isinstance(each, Word) and each.kind in links) for each in said)


def _placed(places: list[NodePlace]) -> list[NodePlace] | None:
    """Places with units: a bare figure takes the unit that stands behind it in the list, else the one before it.

    None where there is no unit, or where lengths and fractions are mixed.
    """
    found = _carried(_carried(places[::-1])[::-1])
    units = {each.unit for each in found}
    return found if len(units) <= 1 and None not in units else None


def _carried(places: list[NodePlace]) -> list[NodePlace]:
    """Places in which a bare figure has the unit of the one before it."""
    found: list[NodePlace] = []
    for each in places:
        if each.unit is None and found:
            each = NodePlace(each.figure, found[-1].unit, found[-1].scale)
        found.append(each)
    return found


def _from_first_end(
    places: list[NodePlace], origin: str | None, length_m: float | None
) -> tuple[list[float], Message | None]:
    """Positions from the clamped (first) end, or why they can not be had."""
    values = [each.value for each in places]
    if not places or origin is None or re.search(r"clamp|root|base|fix|support|first|left", origin.lower()):
        return values, None
    if not re.search(r"tip|free|far|second|right|(?:the|from)\s+end", origin.lower()):
        return [], message("note.no-end-of-beam", words=origin)
    if places[0].unit == "m" and length_m is None:
        return [], message("note.length-needed")
    whole = length_m if places[0].unit == "m" and length_m is not None else 1.0
    return sorted(round(whole - value, 9) for value in values), None


@dataclass(slots=True)
class _AtDrive:
    """What one drive frequency of the line has."""

    drive: Frequency
    counts: list[Nodes] = field(default_factory=list)
    motions: list[MotionWord] = field(default_factory=list)


def read_nodes_and_motion(segments: list[Segment], reading: Reading, length_m: float | None) -> None:
    """Counts, places and kinds of motion, gathered by drive frequency; ``length_m`` turns places from the far end."""
    at: dict[float, _AtDrive] = {}
    loose: list[MotionWord] = []
    for index, segment in enumerate(segments):
        for each in segment.of(Frequency):
            _refuse_frequency(each, reading)
        for nodes in _trusted_nodes(segment, reading):
            drive = drive_of(segments, index, nodes)
            if isinstance(drive, Message):
                reading.refuse(nodes.text, drive, _write_count(nodes))
            else:
                at.setdefault(drive.hz, _AtDrive(drive)).counts.append(nodes)
        for motion in _trusted_motions(segment, reading):
            drive = drive_of(segments, index, motion)
            if isinstance(drive, Message):
                loose.append(motion)
            else:
                at.setdefault(drive.hz, _AtDrive(drive)).motions.append(motion)
    for each_drive in at.values():
        _tell(each_drive, reading, length_m)
    reading.facts.extend(MotionSeen(motion=kind) for kind in dict.fromkeys(m.kind for m in loose))


def _refuse_frequency(each: Frequency, reading: Reading) -> None:
    if each.problem:
        reading.refuse(each.text, each.problem, message("note.kept"))


def _trusted_nodes(segment: Segment, reading: Reading) -> list[Nodes]:
    trusted = []
    for index, each in enumerate(segment.phrases):
        if not isinstance(each, Nodes):
            continue
        why = segment.doubt or each.problem or _doubt_before(segment.phrases[:index])
        if why is None and each.count is None and not each.places:
            why = message("note.how-many")
        if why is None and each.count == 0 and each.places:
            why = message("note.none-yet-place")
        if why:
            reading.refuse(each.text, why, _write_count(each))
        else:
            trusted.append(each)
    return trusted


_NONE_OF = ("no", "none", "without", "w/o")
"""Words before a thing that deny it."""


def _doubt_before(before: Sequence[Phrase]) -> Message | None:
    """Whether the words just before a count take it back: "about", "more than", "2 or"."""
    last = before[-1] if before else None
    if isinstance(last, Word) and re.fullmatch(
        r"\d+(?:st|nd|rd|th|\.)|first|second|third|fourth|fifth|sixth", last.key
    ):
        return message("note.which-not-how-many", words=last.text)
    if isinstance(last, Word) and last.kind in ("ABOUT", "OR"):
        return message("note.number-open", words=last.text)
    of_several = len(before) > 1 and isinstance(before[-2], Counted)
    if isinstance(last, Word) and last.kind == "MORE" and (last.key != "of" or of_several):
        return message("note.number-open", words=last.text)
    if isinstance(last, Level) or (isinstance(last, Counted) and last.value is None):
        return message("note.number-open", words=last.text)
    if isinstance(last, Counted) and last.word in _NONE_OF:
        return DENIED
    if isinstance(last, Word) and last.key == "to" and len(before) > 1 and isinstance(before[-2], Counted):
        return message("note.range-of-number")
    return None


def _trusted_motions(segment: Segment, reading: Reading) -> list[MotionWord]:
    trusted = []
    for index, each in enumerate(segment.phrases):
        if not isinstance(each, MotionWord) or _is_of_a_thing(segment.phrases, index):
            continue
        before = segment.phrases[index - 1] if index else None
        denied = isinstance(before, Counted) and before.word in _NONE_OF
        why = segment.doubt or (DENIED if denied else None)
        if why:
            reading.refuse(each.text, why, message("note.write-motion"))
        else:
            trusted.append(each)
    return trusted


def _is_of_a_thing(said: Sequence[Phrase], index: int) -> bool:
    """True for "bending radius" or "cable bending", where no motion was seen."""
    words = vocabulary().words
    after = said[index + 1].text.lower() if index + 1 < len(said) else ""
    before = said[index - 1].text.lower() if index else ""
    return after in words["no_motion"] or before in words["of_a_thing"]


def _tell(found: _AtDrive, reading: Reading, length_m: float | None) -> None:
    kinds = list(dict.fromkeys(motion.kind for motion in found.motions))
    if not found.counts:
        step = found.drive.step_hz
        reading.facts.extend(MotionSeen(motion=kind, frequency_hz=found.drive.hz, resolution_hz=step) for kind in kinds)
        return
    merged = _merge(found.counts)
    if isinstance(merged, Message):
        reading.refuse("; ".join(each.text for each in found.counts), merged, _write_count(found.counts[0]))
        return
    positions, unit = _positions(merged, reading, length_m)
    reading.facts.append(
        NodesSeen(
            frequency_hz=found.drive.hz,
            count=merged.count if merged.count is not None else len(merged.places),
            positions=positions,
            position_unit=unit,
            motion=kinds[0] if len(kinds) == 1 else None,
            resolution_hz=found.drive.step_hz,
        )
    )
    if len(kinds) > 1:
        reading.facts.extend(MotionSeen(motion=kind, frequency_hz=found.drive.hz) for kind in kinds)


def _positions(nodes: Nodes, reading: Reading, length_m: float | None) -> tuple[tuple[float, ...], str]:
    """Positions from the first end and their unit; none, with a word on it, where they cannot be told."""
    placed = _placed(nodes.places)
    values, trouble = _from_first_end(placed or [], nodes.origin, length_m)
    if placed is None:
        trouble = message("note.positions-unit")
    if trouble:
        reading.refuse(nodes.text, trouble, message("note.write-positions"))
    return tuple(values), (placed[0].unit if placed and values else None) or "L"


def _merge(counts: list[Nodes]) -> Nodes | Message:
    """One count with its places, or what is wrong with it."""
    stated = {each.count for each in counts if each.count is not None}
    places = [place for each in counts for place in each.places]
    text = "; ".join(each.text for each in counts)
    if len(stated) > 1:
        return message("note.counts-contradict")
    count = next(iter(stated), None)
    if count is not None and len(places) > count:
        return message("note.more-positions", count=count, positions=len(places))
    if count is None and len(places) == 1 and any(each.plural for each in counts):
        return message("note.one-position")
    origin = next((each.origin for each in counts if each.origin), None)
    return Nodes(text, count=count, places=places, origin=origin)


def _write_count(nodes: Nodes) -> Message:
    return message("note.write-count", nodes=2 if nodes.count is None else nodes.count)
