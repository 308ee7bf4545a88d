"""What a job says of a table of samples besides its channels: rate, column of time, sheet, block."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from reportgen.errors import UnitError
from reportgen.read.formats.recording import SAMPLE_RATE_KEY
from reportgen.units import parse_quantity

SHEET_KEY, BLOCK_KEY, TIME_KEY = "sheet", "block", "time"
NO_CHANNELS = frozenset({SAMPLE_RATE_KEY, SHEET_KEY, BLOCK_KEY, TIME_KEY})
"""Keys of ``[run.columns]`` that name no channel."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TableTold:
    """What a mapping tells of a table."""

    rate_hz: float | None = None
    """Stated; times are then labels, and samples lie as they were written."""
    time: tuple[str, str] | None = None
    """Key and text that map the column of time."""
    time_may_lack: bool = False
    """Whether a file without that column is not at fault: the line is one of several jobs."""
    sheet: str | None = None
    block: str | None = None


def told_by(columns: Sequence[tuple[str, str]], common: Collection[str] = ()) -> TableTold:
    """What the lines of ``[run.columns]`` say of the table; a rate that is none is reported where it is applied.

    ``common`` names the keys that hold for many files, so that one may lack what they name.
    """
    said = {key.strip().casefold(): text for key, text in columns}
    time = next(((key, text) for key, text in columns if key.strip().casefold() == TIME_KEY), None)
    return TableTold(
        rate_hz=_rate(said.get(SAMPLE_RATE_KEY)),
        time=time,
        time_may_lack=time is not None and time[0] in common,
        sheet=said.get(SHEET_KEY),
        block=said.get(BLOCK_KEY),
    )


def _rate(stated: str | None) -> float | None:
    if stated is None:
        return None
    try:
        rate = parse_quantity(stated, "frequency").si
    except UnitError:
        return None
    return rate if rate > 0 else None
