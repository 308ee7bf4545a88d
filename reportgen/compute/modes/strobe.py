"""Slow motion under a stroboscope: what it shows of a drive frequency, and what it cannot show.

Flashes at rate F show a motion of frequency f at f − nF, n the whole number that makes it smallest (sampling, Shannon
1949). Positive: the motion seems to run as it does; negative: it seems to run backwards.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from reportgen.records.message import Message, message

READING_HZ = 0.5
"""A slow motion is counted by eye: this far it may be off, or by a fifth of itself."""
READING_SHARE = 0.2


def apparent_hz(drive_hz: float, flash_hz: float) -> float:
    """f − nF with n nearest to f/F, signed.

    >>> apparent_hz(84.0, 86.0)
    -2.0
    >>> round(apparent_hz(7.4, 6.4), 9)
    1.0
    """
    return drive_hz - flashes_a_turn(drive_hz, flash_hz) * flash_hz


def flashes_a_turn(drive_hz: float, flash_hz: float) -> int:
    """n: cycles of the drive from one flash to the next, rounded; 0 where the strobe is more than twice as fast."""
    return math.floor(drive_hz / flash_hz + 0.5)


class Sense(StrEnum):
    """Which way a slow motion seems to run."""

    FORWARDS = "forwards"
    BACKWARDS = "backwards"
    AT_REST = "at rest"


@dataclass(frozen=True, slots=True)
class StrobeCheck:
    """A strobe entry held against its drive frequency."""

    expected_hz: float
    """Signed apparent frequency."""
    consistent: bool | None
    """None where no slow motion was noted."""
    said: Message


def check_strobe(drive_hz: float, flash_hz: float, seen_hz: float | None) -> StrobeCheck:
    """Whether the slow motion noted is what the drive frequency gives under these flashes."""
    expected = apparent_hz(drive_hz, flash_hz)
    n = flashes_a_turn(drive_hz, flash_hz)
    sense = Sense.FORWARDS if expected > 0 else Sense.BACKWARDS if expected < 0 else Sense.AT_REST
    law = message(
        "strobe.law",
        drive_hz=drive_hz,
        multiple=n,
        flash_hz=flash_hz,
        apparent_hz=round(expected, 6) + 0.0,
        sense=sense,
    )
    if seen_hz is None:
        return StrobeCheck(expected, None, message("strobe.expected", law=law))
    tolerance = max(READING_HZ, READING_SHARE * abs(seen_hz))
    agrees = abs(abs(expected) - seen_hz) <= tolerance
    if agrees:
        drives = possible_drives(flash_hz, seen_hz)
        return StrobeCheck(expected, True, message("strobe.agrees", seen_hz=seen_hz, law=law, possible_hz=drives))
    return StrobeCheck(expected, False, message("strobe.contradicts", seen_hz=seen_hz, law=law))


def possible_drives(flash_hz: float, seen_hz: float, up_to: int = 2) -> tuple[float, ...]:
    """Drive frequencies that look the same: nF ± a for n = 1 … up_to, and F/2 ± a where two images are seen."""
    found = {n * flash_hz + sign * seen_hz for n in range(1, up_to + 1) for sign in (-1, 1)}
    found |= {flash_hz / 2.0 + sign * seen_hz for sign in (-1, 1)}
    return tuple(sorted(round(each, 6) for each in found if each > 0))
