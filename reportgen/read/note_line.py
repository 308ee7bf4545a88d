"""One line of the operator's notes: which facts stand in it, and which words only look like facts.

The rules are cautious: a fact that is denied, doubted, asked, given as a range or without its frequency is not a fact.
It is handed back as unread, with what to write instead, and the line stays a note as it was written.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import TypeVar

from reportgen.read.note_words import (
    MOST_NODES,
    Counted,
    Frequency,
    Level,
    Motion,
    Nodes,
    Phrase,
    Place,
    Places,
    Slow,
    Strobe,
    Word,
    phrases,
)  # fmt: skip
from reportgen.records.note import (
    Fact,
    LevelChanged,
    MotionSeen,
    NodesSeen,
    Note,
    Remark,
    StrobeSeen,
)  # fmt: skip

LONGEST_READ = 2000
"""Characters of a line that are searched for facts; the line itself is kept whole."""

_T = TypeVar("_T")
_P = TypeVar("_P", bound=Phrase)
_SAME_LENGTH = str.maketrans({"−": "-", "\u00a0": " ", "\u202f": " ", "\u2009": " ", "‐": "-", "‑": "-"})
_RESPONSES = frozenset({
    "response", "peak", "tip", "sensor", "channel", "amplification", "noise", "sound", "gain", "floor",
    "amplitude", "output", "accelerometer", "signal",
})  # fmt: skip
_NOT_AT = frozenset({
    "above", "below", "after", "before", "past", "beyond", "until", "till", "between", "over", "under", "from",
})  # fmt: skip
_EVERYDAY = frozenset({
    "note", "notes", "noted", "mode", "modes", "model", "models", "code", "codes", "nose", "nosed", "noise",
    "none", "need", "needs", "noes", "done", "bonding", "binding", "blending", "bidding", "banding", "torso",
    "stroke", "strokes", "observed", "observer",
})  # fmt: skip
_KEYWORDS = ("torsion", "torsional", "bending", "strobe", "stroboscope", "deviation", "observation", "longitudinal")
_DENIED = "it is denied"
_ASKED = "it is a question"
_DOUBTED = "it is in doubt"


@dataclass(slots=True)
class _Segment:
    """Phrases between two separators."""

    phrases: list[Phrase] = field(default_factory=list)
    joined_by: str = ""
    doubt: str | None = None
    inexact: bool = False
    """True where a range or an "above" takes the place of a frequency."""

    def of(self, kind: type[_P]) -> list[_P]:
        return [each for each in self.phrases if isinstance(each, kind)]

    @property
    def drives(self) -> list[Frequency]:
        return [each for each in self.phrases if isinstance(each, Frequency) and each.problem is None]

    @property
    def tells(self) -> bool:
        """True where there is something that could be a fact."""
        kinds = (Nodes, Motion, Strobe, Slow, Level)
        return any(isinstance(each, kinds) for each in self.phrases)


@dataclass(slots=True)
class _Reading:
    """Facts and unread words of a line as they gather."""

    facts: list[Fact] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)

    def refuse(self, words: str, why: str, write: str) -> None:
        entry = f"{words!r}: {why}; {write}"
        if entry not in self.unread:
            self.unread.append(entry)


def parse_line(
    text: str,
    *,
    runs: Sequence[str] = (),
    source: str = "notes.txt",
    line: int = 1,
    length_m: float | None = None,
) -> Note:
    """Read one line; never fails.

    ``runs``: ids known to the job; ``length_m``: of the beam, for positions given from its far end.

    >>> parse_line("09:14 X-PRE 312 Hz: two nodes", runs=("X-PRE",)).facts
    (NodesSeen(frequency_hz=312.0, count=2, positions=(), position_unit='L', motion=None, resolution_hz=1.0),)
    """
    reading = _Reading()
    folded = _fold(text[:LONGEST_READ])
    folded, run = _take_run(folded, runs, reading)
    words = phrases(folded, text)
    when, day = _when(words, reading)
    segments = _segments(words)
    _spread_doubt(segments)
    _gather_places(segments)
    _read_nodes_and_motion(segments, reading, length_m)
    _read_strobe(segments, reading)
    _read_level(segments, reading)
    _read_remark(words, text, reading)
    _look_for_misspelling(segments, reading)
    if len(text) > LONGEST_READ:
        reading.refuse(text[LONGEST_READ : LONGEST_READ + 20] + "…", f"only the first {LONGEST_READ} characters of a "
                       "line are searched for facts", "write one entry a line")  # fmt: skip
    return Note(
        source=source, line=line, text=text, when=when, day=day, run=run,
        facts=tuple(reading.facts), unread=tuple(reading.unread),
    )  # fmt: skip


def _fold(text: str) -> str:
    """Lower case of the same length, so that places in it are places in the text."""
    lowered = "".join(each.lower() if len(each.lower()) == 1 else each for each in text)
    return lowered.translate(_SAME_LENGTH)


def _take_run(folded: str, runs: Sequence[str], reading: _Reading) -> tuple[str, str | None]:
    """Find run ids and blank them out, so that figures inside them are not read."""
    found: dict[str, None] = {}
    for each in sorted(runs, key=len, reverse=True):
        pattern = _run_pattern(each)
        for match in re.finditer(pattern, folded):
            found[each] = None
            folded = folded[: match.start()] + " " * (match.end() - match.start()) + folded[match.end() :]
    if not found:
        _near_run(folded, runs, reading)
    if len(found) > 1:
        reading.refuse(", ".join(found), "several runs are named", "write one line for each run")
        return folded, None
    return folded, next(iter(found), None)


def _run_pattern(run: str) -> str:
    word = re.escape(_fold(run))
    if re.search("[a-z]", _fold(run)) and len(run) >= 3:
        return rf"(?<![\w-])(?:run\s+)?{word}(?![\w-])"
    # An id as short as "X" or "3" is a run only where it is called one, or where it opens the line.
    return rf"(?<![\w-])run\s+#?{word}(?![\w-])|^\s*{word}\s*:(?!\d)"


def _near_run(folded: str, runs: Sequence[str], reading: _Reading) -> None:
    known = {_fold(run): run for run in runs if re.search(r"[a-z].*[-_\d]", _fold(run)) and len(run) >= 4}
    for word in re.findall(r"(?<![\w-])[a-z]\w*(?:[-_]\w+)+", folded):
        near = difflib.get_close_matches(word, list(known), n=1, cutoff=0.8)
        if near:
            reading.refuse(word.upper(), "no run has this id", f"write {known[near[0]]} if that was meant")


def _when(words: Iterable[Phrase], reading: _Reading) -> tuple[datetime | time | None, date | None]:
    stamps = {kind: _first(words, kind) for kind in ("DATE_TIME", "DATE", "TIME")}
    if stamps["DATE_TIME"]:
        text = stamps["DATE_TIME"].text
        return _refused(_date_time(text[:10], text[10:].lstrip("tT ")), text, reading), None
    clock = _clock(stamps["TIME"].text) if stamps["TIME"] else None
    if stamps["TIME"] and clock is None:
        _refused(None, stamps["TIME"].text, reading)
    if not stamps["DATE"]:
        return clock, None
    day = _refused(_day(stamps["DATE"].text), stamps["DATE"].text, reading)
    if day is not None and clock is not None:
        return datetime.combine(day, clock), None
    return clock, day


def _first(words: Iterable[Phrase], kind: str) -> Word | None:
    return next((each for each in words if isinstance(each, Word) and each.kind == kind), None)


def _refused(value: _T | None, text: str, reading: _Reading) -> _T | None:
    if value is None:
        reading.refuse(text, "this is not a date or time that can be read in one way only", "write 2026-03-12 09:14")
    return value


def _date_time(day: str, clock: str) -> datetime | None:
    on, at = _day(day), _clock(clock)
    return datetime.combine(on, at) if on and at else None


def _day(text: str) -> date | None:
    """ISO date, ``12.3.2026``, or ``25/03/2026`` where only one order of day and month is possible."""
    try:
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
            return date.fromisoformat(text)
        first, second, year = (int(part) for part in re.split(r"[./]", text))
        year += 2000 if year < 100 else 0
        if "/" in text and first <= 12 and second <= 12 and first != second:
            return None
        return date(year, first, second) if "/" in text and second > 12 else date(year, second, first)
    except ValueError:
        return None


def _clock(text: str) -> time | None:
    match = re.match(r"(\d?\d)[:.](\d\d)(?:[:.](\d\d)(\.\d+)?)?\s*(?:([ap])\.?m)?", text.strip().lower())
    if not match:
        return None
    hour, minute, second = int(match[1]), int(match[2]), int(match[3] or 0)
    if match[5]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if match[5] == "p" else 0)
    if hour > 23 or minute > 59 or second > 59:
        return None
    return time(hour, minute, second, round(float(match[4] or 0) * 1e6))


def _segments(words: Iterable[Phrase]) -> list[_Segment]:
    """Split at separators; a question mark ends its segment and puts it in doubt."""
    found = [_Segment()]
    for each in words:
        if isinstance(each, Word) and each.kind in ("SEPARATOR", "QUESTION", "REMARK"):
            if each.kind == "QUESTION":
                (found[-1] if found[-1].phrases else _last_telling(found)).doubt = _ASKED
            found.append(_Segment(joined_by=each.text.lower()))
        else:
            found[-1].phrases.append(each)
    return found


def _last_telling(segments: list[_Segment]) -> _Segment:
    return next((each for each in reversed(segments) if each.phrases), segments[-1])


def _spread_doubt(segments: list[_Segment]) -> None:
    for index, segment in enumerate(segments):
        segment.inexact = _is_inexact(segment)
        segment.doubt = segment.doubt or _doubt_in(segment)
        if index and _is_aside(segment):
            _last_telling(segments[:index]).doubt = segment.doubt


def _is_aside(segment: _Segment) -> bool:
    """True for "(maybe 3)" or ", not sure", which take back what stands before them."""
    if segment.doubt is None or segment.tells or segment.drives:
        return False
    words = any(isinstance(each, Word) and each.kind == "WORD" for each in segment.phrases)
    return _has(segment, "UNSURE") or (bool(segment.phrases) and not words and not _has(segment, "NOT"))


def _has(segment: _Segment, kind: str) -> bool:
    return any(isinstance(each, Word) and each.kind == kind for each in segment.phrases)


def _doubt_in(segment: _Segment) -> str | None:
    if _has(segment, "NOT"):
        return _DENIED
    if _has(segment, "HEDGE") or _has(segment, "UNSURE"):
        return _DOUBTED
    if _has(segment, "OR") and segment.tells:
        return "more than one thing is offered"
    return None


def _is_inexact(segment: _Segment) -> bool:
    if _has(segment, "RANGE"):
        return True
    before = ""
    for each in segment.phrases:
        if isinstance(each, Frequency) and before in _NOT_AT | {"more than", "less than", "up to", "<", ">", "≤", "≥"}:
            return True
        if not (isinstance(each, Word) and each.kind == "LINK"):
            before = " ".join(each.text.lower().split()) if isinstance(each, Word | Level) else ""
    return False


# Nodes and their places


def _gather_places(segments: list[_Segment]) -> None:
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
            if any(isinstance(each, Places) for each in said):
                _take_all(last, waiting, said)
        elif segment.tells or segment.drives:
            _end_list(last, waiting)
            last = None
        for each in own:
            each.origin = each.origin or _origin(segment)
    _end_list(last, waiting)


def _origin(segment: _Segment) -> str | None:
    return next((each.text for each in segment.phrases if isinstance(each, Word) and each.kind == "FROM"), None)


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
            nodes.places.append(Place(each.value, None))


def _take_following(segment: _Segment) -> bool:
    """Places and a late count behind the nodes of one segment; False where other words come between."""
    nodes: Nodes | None = None
    told = False
    for each in segment.phrases:
        if isinstance(each, Nodes):
            nodes, told = each, False
        elif nodes is not None and isinstance(each, Places):
            _take(nodes, each)
        elif nodes is not None and isinstance(each, Counted) and told and nodes.count is None and not nodes.places:
            whole = each.value is not None and each.value == int(each.value) and each.value <= MOST_NODES
            nodes.count = int(each.value or 0) if whole else None
        elif isinstance(each, Word) and each.text in (":", "="):
            told = True
        elif isinstance(each, Word) and each.kind not in ("LINK", "SEEN", "QUALITY") and not each.text.endswith("ly"):
            nodes = None
    return nodes is not None


def _take(nodes: Nodes, each: Phrase) -> None:
    if isinstance(each, Places):
        nodes.places.extend(each.places)
        nodes.origin = nodes.origin or each.origin
    elif isinstance(each, Counted):
        _take_figures(nodes, [each])


def _before_drive(segment: _Segment) -> list[Phrase]:
    """Phrases up to the first frequency: "0.64 at 268 Hz" goes on with a list of places."""
    stop = next((i for i, each in enumerate(segment.phrases) if isinstance(each, Frequency)), None)
    return segment.phrases[:stop]


def _is_list_of_places(said: list[Phrase]) -> bool:
    """True where nothing but places, figures and links stands there."""
    links = ("LINK", "SEEN", "FROM", "ABOUT", "LABEL", "MORE")
    return all(isinstance(each, Places | Counted) or (isinstance(each, Word) and each.kind in links) for each in said)


def _placed(nodes: Nodes) -> list[Place] | None:
    """Places with units: a bare number takes the unit that stands behind the list. None where there is none."""
    units = [place.unit for place in nodes.places]
    for index in reversed(range(len(units) - 1)):
        units[index] = units[index] or units[index + 1]
    for index in range(1, len(units)):
        units[index] = units[index] or units[index - 1]
    if None in units or len(set(units)) > 1:
        return None
    scale = {
        index: place.value * (1e-3 if place.unit is None and units[index] == "m" else 1.0)
        for index, place in enumerate(nodes.places)
    }
    return [Place(round(scale[index], 9), unit) for index, unit in enumerate(units)]


def _from_first_end(places: list[Place], origin: str | None, length_m: float | None) -> tuple[list[Place], str | None]:
    """Places counted from the clamped (first) end, or why they can not be had."""
    if not places or origin is None or re.search(r"clamp|root|base|fix|support|first|left", origin.lower()):
        return places, None
    if not re.search(r"tip|free|far|second|right|(?:the|from)\s+end", origin.lower()):
        return [], f"{origin!r} is not an end of the beam"
    if places[0].unit == "m" and length_m is None:
        return [], "positions from the free end need [specimen.beam] length in the job"
    whole = length_m if places[0].unit == "m" and length_m is not None else 1.0
    return sorted((Place(round(whole - p.value, 9), p.unit) for p in places), key=lambda p: p.value), None


@dataclass(slots=True)
class _AtDrive:
    """What one drive frequency of the line has."""

    drive: Frequency
    counts: list[Nodes] = field(default_factory=list)
    motions: list[Motion] = field(default_factory=list)


def _read_nodes_and_motion(segments: list[_Segment], reading: _Reading, length_m: float | None) -> None:
    at: dict[float, _AtDrive] = {}
    loose: list[Motion] = []
    for index, segment in enumerate(segments):
        for each in segment.of(Frequency):
            _refuse_frequency(each, reading)
        for nodes in _trusted_nodes(segment, reading):
            drive = _drive_of(segments, index, nodes)
            if isinstance(drive, str):
                reading.refuse(nodes.text, drive, _write_count(nodes))
            else:
                at.setdefault(drive.hz, _AtDrive(drive)).counts.append(nodes)
        for motion in _trusted_motions(segment, reading):
            drive = _drive_of(segments, index, motion)
            if isinstance(drive, str):
                loose.append(motion)
            else:
                at.setdefault(drive.hz, _AtDrive(drive)).motions.append(motion)
    for each_drive in at.values():
        _tell(each_drive, loose, reading, length_m)
    reading.facts.extend(MotionSeen(motion=kind) for kind in dict.fromkeys(m.kind for m in loose))


def _refuse_frequency(each: Frequency, reading: _Reading) -> None:
    if each.problem:
        reading.refuse(each.text, each.problem, "the line is kept as a note")


def _trusted_nodes(segment: _Segment, reading: _Reading) -> list[Nodes]:
    trusted = []
    for index, each in enumerate(segment.phrases):
        if not isinstance(each, Nodes):
            continue
        why = segment.doubt or each.problem or _doubt_before(segment.phrases[:index])
        if why is None and each.count is None and not each.places:
            why = "it is not said how many"
        if why is None and each.count == 0 and each.places:
            why = "no nodes, yet a place"
        if why:
            reading.refuse(each.text, why, _write_count(each))
        else:
            trusted.append(each)
    return trusted


def _doubt_before(before: Sequence[Phrase]) -> str | None:
    """Whether the words just before a count take it back: "about", "more than", "2 or"."""
    last = before[-1] if before else None
    if isinstance(last, Word) and re.fullmatch(
        r"\d+(?:st|nd|rd|th)|first|second|third|fourth|fifth|sixth", last.text, re.I
    ):
        return f"{last.text!r} says which node, not how many"
    if isinstance(last, Word) and last.kind in ("ABOUT", "OR"):
        return f"{last.text!r} leaves the number open"
    of_several = len(before) > 1 and isinstance(before[-2], Counted)
    if isinstance(last, Word) and last.kind == "MORE" and (last.text.lower() != "of" or of_several):
        return f"{last.text!r} leaves the number open"
    if isinstance(last, Level) or (isinstance(last, Counted) and last.value is None):
        return f"{last.text!r} leaves the number open"
    if isinstance(last, Counted) and last.word in ("no", "without", "w/o"):
        return _DENIED
    if isinstance(last, Word) and last.text.lower() == "to" and len(before) > 1 and isinstance(before[-2], Counted):
        return "a range leaves the number open"
    return None


def _trusted_motions(segment: _Segment, reading: _Reading) -> list[Motion]:
    trusted = []
    for index, each in enumerate(segment.phrases):
        if not isinstance(each, Motion):
            continue
        before = segment.phrases[index - 1] if index else None
        denied = isinstance(before, Counted) and before.word in ("no", "without", "w/o")
        why = segment.doubt or (_DENIED if denied else None)
        if why:
            reading.refuse(each.text, why, "write the kind of motion that was seen: torsion, bending or axial")
        else:
            trusted.append(each)
    return trusted


def _drive_of(segments: list[_Segment], index: int, each: Phrase) -> Frequency | str:
    """The one drive frequency that words belong to, or why there is none."""
    segment = segments[index]
    if segment.inexact:
        return "the frequency is a range, not a value"
    drives = _distinct(segment.drives)
    if len(drives) == 1:
        return drives[0] if not _lists_frequencies(segments, index) else "several frequencies are named"
    if len(drives) > 1:
        return _paired(segment, each) or "several frequencies are named"
    for earlier in reversed(segments[:index]):
        if earlier.inexact:
            return "the frequency is a range, not a value"
        if earlier.drives:
            open_question = earlier.doubt and not earlier.tells
            several = len(_distinct(earlier.drives)) > 1
            if open_question:
                return f"the frequency stands, but {earlier.doubt}"
            return "several frequencies are named" if several else earlier.drives[0]
    return _only_drive(segments)


def _only_drive(segments: list[_Segment]) -> Frequency | str:
    everywhere = _distinct([drive for each in segments for drive in each.drives if not each.inexact])
    if len(everywhere) == 1 and not any(each.inexact for each in segments):
        return everywhere[0]
    if everywhere:
        return "several frequencies are named"
    strobe = any(segment.of(Strobe) for segment in segments)
    return "there is a strobe rate but no drive frequency" if strobe else "there is no drive frequency"


def _distinct(drives: Iterable[Frequency]) -> list[Frequency]:
    return list({drive.hz: drive for drive in drives}.values())


def _lists_frequencies(segments: list[_Segment], index: int) -> bool:
    """True for "312 Hz, 540 Hz: 2 nodes", where the count may belong to either."""
    if index == 0 or segments[index].joined_by not in (",", "and", "&", "/"):
        return False
    before = segments[index - 1].phrases
    opens = segments[index].phrases and isinstance(segments[index].phrases[0], Frequency)
    return bool(opens and before and isinstance(before[-1], Frequency) and not segments[index - 1].tells)


def _paired(segment: _Segment, each: Phrase) -> Frequency | None:
    """Frequency and count in turn: "312 Hz 2 nodes 540 Hz 3 nodes"."""
    kind = type(each)
    turn = [p for p in segment.phrases if isinstance(p, kind) or (isinstance(p, Frequency) and p.problem is None)]
    pairs = list(zip(turn[::2], turn[1::2], strict=False))
    if len(turn) % 2 or any(isinstance(a, Frequency) == isinstance(b, Frequency) for a, b in pairs):
        return None
    if len({isinstance(a, Frequency) for a, _ in pairs}) > 1:
        return None
    pair = next(pair for pair in pairs if each in pair)
    return next(part for part in pair if isinstance(part, Frequency))


def _tell(found: _AtDrive, loose: list[Motion], reading: _Reading, length_m: float | None) -> None:
    kinds = list(dict.fromkeys(motion.kind for motion in found.motions))
    if not found.counts:
        step = found.drive.step_hz
        reading.facts.extend(MotionSeen(motion=kind, frequency_hz=found.drive.hz, resolution_hz=step) for kind in kinds)
        return
    merged = _merge(found.counts)
    if isinstance(merged, str):
        reading.refuse("; ".join(each.text for each in found.counts), merged, _write_count(found.counts[0]))
        return
    places = _placed(merged)
    places, trouble = ([], "the positions have no unit, or two") if places is None else (places, None)
    places, origin_trouble = _from_first_end(places, merged.origin, length_m)
    if trouble or origin_trouble:
        reading.refuse(
            merged.text, trouble or str(origin_trouble),
            "write positions from the clamped (or first) end as 212 mm or 0.77 L",
        )  # fmt: skip
    reading.facts.append(
        NodesSeen(
            frequency_hz=found.drive.hz,
            count=merged.count if merged.count is not None else len(merged.places),
            positions=tuple(place.value for place in places),
            position_unit=(places[0].unit or "L") if places else "L",
            motion=kinds[0] if len(kinds) == 1 else None,
            resolution_hz=found.drive.step_hz,
        )
    )
    if len(kinds) > 1:
        reading.facts.extend(MotionSeen(motion=kind, frequency_hz=found.drive.hz) for kind in kinds)


def _merge(counts: list[Nodes]) -> Nodes | str:
    """One count with its places, or what is wrong with it."""
    stated = {each.count for each in counts if each.count is not None}
    places = [place for each in counts for place in each.places]
    text = "; ".join(each.text for each in counts)
    if len(stated) > 1:
        return "two counts at one frequency contradict each other"
    count = next(iter(stated), None)
    if count is not None and len(places) > count:
        return f"{count} counted, but {len(places)} positions"
    if count is None and len(places) == 1 and re.search(r"nod(?:es|al \w+s)\b", text.lower()):
        return "several nodes, but one position"
    origin = next((each.origin for each in counts if each.origin), None)
    return Nodes(text, count=count, places=places, origin=origin)


def _write_count(nodes: Nodes) -> str:
    count = 2 if nodes.count is None else nodes.count
    words = "no nodes" if count == 0 else f"{count} node{'s' * (count != 1)}"
    return f"write the count as seen, with its drive frequency: '312 Hz: {words}'"


# Strobe and level


def _read_strobe(segments: list[_Segment], reading: _Reading) -> None:
    flashes: list[tuple[Strobe, int]] = []
    slows: list[tuple[Slow, int]] = []
    for index, segment in enumerate(segments):
        for each in segment.phrases:
            if isinstance(each, Strobe) and each.flash:
                why = segment.doubt or each.flash.problem or _relative(segment, each)
                if why:
                    reading.refuse(each.text, why, "write 'strobe 310 Hz'")
                else:
                    flashes.append((each, index))
            elif isinstance(each, Slow) and each.apparent:
                if segment.doubt:
                    reading.refuse(each.text, segment.doubt, "write 'appears at 2 Hz'")
                else:
                    slows.append((each, index))
    for number, (strobe, index) in enumerate(flashes):
        _tell_strobe(strobe, slows[number][0] if number < len(slows) else None, segments, index, reading)
    for slow, _ in slows[len(flashes) :]:
        reading.refuse(slow.text, "there is no strobe rate", "write 'strobe 310 Hz appears at 2 Hz'")


def _relative(segment: _Segment, strobe: Strobe) -> str | None:
    """Why "strobe 5 Hz below the drive" is no strobe rate."""
    after = segment.phrases[segment.phrases.index(strobe) + 1 :]
    said = after[0].text.lower().split()[:1] if after and isinstance(after[0], Level | Word) else []
    if said and said[0] in ("below", "above", "higher", "lower", "off", "less", "more", "faster", "slower", "away"):
        return "a difference to something else is no strobe rate"
    return None


def _tell_strobe(strobe: Strobe, slow: Slow | None, segments: list[_Segment], index: int, reading: _Reading) -> None:
    assert strobe.flash is not None
    drive: Frequency | str | None = strobe.drive or (slow.drive if slow else None)
    drive = drive or _drive_of(segments, index, strobe)
    apparent = strobe.apparent or (slow.apparent if slow else None)
    reading.facts.append(
        StrobeSeen(
            flash_hz=strobe.flash.hz,
            drive_hz=drive.hz if isinstance(drive, Frequency) else None,
            apparent_hz=apparent.hz if apparent else None,
        )
    )


def _read_level(segments: list[_Segment], reading: _Reading) -> None:
    for index, segment in enumerate(segments):
        levels = [each for each in segment.phrases if isinstance(each, Level)]
        responses = _RESPONSES & {each.text.lower() for each in segment.phrases if isinstance(each, Word)}
        called = any(each.named for each in levels)
        for each in levels:
            _tell_level(each, segment, bool(responses), called, _drive_of(segments, index, each), reading)


def _tell_level(
    level: Level, segment: _Segment, of_response: bool, called: bool, drive: Frequency | str, reading: _Reading
) -> None:
    write = "write 'level -6 dB' for a change of the drive, or 'level 0.5 g' for its level"
    if level.by_db is None and level.to_mps2 is None and level.problem is None:
        return
    if not level.named and not called and level.by_db is None:
        return
    why = level.problem or segment.doubt
    if why is None and of_response and not level.named:
        why = "it may be the level of a response" if level.by_db is not None else None
        if why is None:
            return
    if why:
        reading.refuse(level.text, why, write)
        return
    frequency_hz = drive.hz if isinstance(drive, Frequency) else None
    reading.facts.append(LevelChanged(by_db=level.by_db, to_mps2=level.to_mps2, frequency_hz=frequency_hz))


def _read_remark(words: Sequence[Phrase], text: str, reading: _Reading) -> None:
    marks = [each for each in words if isinstance(each, Word) and each.kind == "REMARK"]
    ends = [mark.start for mark in marks[1:]] + [len(text)]
    for mark, end in zip(marks, ends, strict=False):
        body = text[mark.end : end].strip()
        heading = "deviation" if mark.text.lower().startswith("dev") else "observation"
        if body:
            reading.facts.append(Remark(heading=heading, text=body))
        else:
            reading.refuse(mark.text, "nothing stands behind it", f"write '{heading}: what happened'")
    first = next(
        (
            e
            for e in words
            if not (isinstance(e, Word) and e.kind in ("DATE", "TIME", "DATE_TIME", "LINK", "SEPARATOR"))
        ),
        None,
    )
    if isinstance(first, Word) and first.kind == "REMARK_WORD" and not marks:
        reading.refuse(first.text, "a colon is missing", f"write '{first.text}: …' for the report's list")


def _look_for_misspelling(segments: list[_Segment], reading: _Reading) -> None:
    for segment in segments:
        for before, each in zip([None, *segment.phrases], segment.phrases, strict=False):
            if not isinstance(each, Word) or each.kind != "WORD":
                continue
            meant = _meant(each.text.lower(), after_number=isinstance(before, Counted))
            if meant:
                said = f"{before.text} " if isinstance(before, Counted) else ""
                reading.refuse(said + each.text, "this word is not known", f"write '{said}{meant}' if that was meant")


def _meant(word: str, after_number: bool) -> str | None:
    if word in _EVERYDAY or not 3 <= len(word) <= 20:
        return None
    if after_number and (_like(word, "nodes", 0.75) or _like(word, "node", 0.75) or word in ("knot", "knots")):
        return "nodes"
    return next((keyword for keyword in _KEYWORDS if _like(word, keyword, 0.85)), None)


def _like(word: str, keyword: str, share: float) -> bool:
    if word[0] != keyword[0] or word == keyword or len(word) < len(keyword) - 2:
        return False
    return sorted(word) == sorted(keyword) or difflib.SequenceMatcher(None, word, keyword).ratio() >= share
