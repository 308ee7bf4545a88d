"""Slow motion under a stroboscope: what it shows of a drive frequency, and what it cannot show.

Flashes at rate F show a motion of frequency f at f − nF, n the whole number that makes it smallest (sampling, Shannon
1949). Positive: the motion seems to run as it does; negative: it seems to run backwards.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

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


@dataclass(frozen=True, slots=True)
class StrobeCheck:
    """A strobe entry held against its drive frequency."""

    expected_hz: float
    """Signed apparent frequency."""
    consistent: bool | None
    """None where no slow motion was noted."""
    text: str


def check_strobe(drive_hz: float, flash_hz: float, seen_hz: float | None) -> StrobeCheck:
    """Whether the slow motion noted is what the drive frequency gives under these flashes."""
    expected = apparent_hz(drive_hz, flash_hz)
    n = flashes_a_turn(drive_hz, flash_hz)
    multiple = "" if n == 1 else f"{n} × "
    sense = "forwards" if expected > 0 else "backwards" if expected < 0 else "at rest"
    law = f"{drive_hz:g} Hz − {multiple}{flash_hz:g} Hz = {_signed(expected)} Hz ({sense})"
    if seen_hz is None:
        return StrobeCheck(expected, None, f"expected under the strobe: {law}")
    tolerance = max(READING_HZ, READING_SHARE * abs(seen_hz))
    agrees = abs(abs(expected) - seen_hz) <= tolerance
    if agrees:
        return StrobeCheck(expected, True, f"seen at {seen_hz:g} Hz, agrees with {law}; {ambiguity(flash_hz, seen_hz)}")
    return StrobeCheck(
        expected, False, f"seen at {seen_hz:g} Hz, but {law}: check the drive frequency and the strobe rate"
    )


def possible_drives(flash_hz: float, seen_hz: float, up_to: int = 2) -> tuple[float, ...]:
    """Drive frequencies that look the same: nF ± a for n = 1 … up_to, and F/2 ± a where two images are seen."""
    found = {n * flash_hz + sign * seen_hz for n in range(1, up_to + 1) for sign in (-1, 1)}
    found |= {flash_hz / 2.0 + sign * seen_hz for sign in (-1, 1)}
    return tuple(sorted(round(each, 6) for each in found if each > 0))


def ambiguity(flash_hz: float, seen_hz: float) -> str:
    """Which other drives the strobe alone would not tell apart."""
    drives = ", ".join(f"{each:g}" for each in possible_drives(flash_hz, seen_hz))
    return (
        f"the strobe alone fits {drives} Hz and higher multiples as well, so the drive frequency is never taken from it"
    )


def _signed(value: float) -> str:
    rounded = round(value, 6)
    return f"{rounded:+g}".replace("-", "−") if rounded else "0"
