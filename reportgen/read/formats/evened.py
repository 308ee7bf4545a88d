"""Channels of a file without lines, MAT or HDF5, at even times: uneven ones taken anew, blank readings put in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from reportgen.read.formats.blank_readings import Blanks, blanks_told, both, can_be_put_in, put_in
from reportgen.read.formats.recording import Fetch, Rows
from reportgen.read.formats.table_times import PIECE, Clock, Times, at_even_times, moments, told_of
from reportgen.records.message import Message, Place, message

_LOOKED_THROUGH = 1 << 24
"""Numbers that are looked through for blank readings; of larger files what is blank shows when it is read."""
_LISTED = 4
"""Samples named in one message."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evened:
    """Channels at even times."""

    fetch: Fetch = field(repr=False)
    kept: tuple[int, ...]
    """Places of the channels that are read, among those given."""
    samples: int
    rate_hz: float | None
    damage: Message | None = None
    refused: tuple[Message, ...] = ()


def evened(
    fetch: Fetch, names: Sequence[str], samples: int, rate_hz: float | None, times: Times | None, file: str
) -> Evened:
    """Channels made even; ``times`` are those of the samples, where the file has them and no rate is told.

    Raises ReadError where times cannot be made even ones.
    """
    clock = Clock(rate_hz=rate_hz) if times is None else times.clock(lambda _: Place(file))
    places = tuple(range(len(names)))
    read: Rows = lambda start, stop: np.asarray(fetch(start, stop, places), dtype=np.float64)  # noqa: E731
    blank, refused = _blanks(read, names, samples)
    if not clock.lost and clock.uneven is None and not blank and not refused:
        return Evened(fetch=fetch, kept=places, samples=samples, rate_hz=clock.rate_hz)
    kept = tuple(place for place in places if place not in refused)
    put = put_in(read, blank, moments(clock, times), clock.rate_hz)
    rows, count = at_even_times(put.rows, samples, times, clock)
    return Evened(
        fetch=lambda start, stop, wanted: rows(start, stop)[:, [kept[each] for each in wanted]],
        kept=kept,
        samples=count,
        rate_hz=clock.rate_hz,
        damage=both(blanks_told(blank, _listed(_rows_of(blank)), put), told_of(clock, _listed)),
        refused=tuple(refused.values()),
    )


def _blanks(read: Rows, names: Sequence[str], samples: int) -> tuple[dict[int, list[int]], dict[int, Message]]:
    """Blank readings that can be put in, by channel, and why other channels cannot be read."""
    if samples * len(names) > _LOOKED_THROUGH:
        return {}, {}
    found = Blanks(len(names))
    for start in range(0, samples, PIECE):
        found.take(read(start, min(start + PIECE, samples)))
    blank, refused = {}, {}
    for place, name in enumerate(names):
        rows = found.within(place, 0, samples)
        if rows and can_be_put_in(rows, 0, samples):
            blank[place] = rows
        elif rows:
            refused[place] = message("record.blank-samples", name=name, blank=len(rows), first=rows[0])
    return blank, refused


def _rows_of(blank: dict[int, list[int]]) -> tuple[int, ...]:
    return tuple(sorted({row for rows in blank.values() for row in rows}))


def _listed(rows: tuple[int, ...]) -> Message:
    more = len(rows) - _LISTED
    if more > 0:
        return message("record.samples-listed-more", rows=rows[:_LISTED], more=more)
    return message("record.samples-listed", rows=rows)
