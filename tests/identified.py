"""What an identification found, for tests that ask for modes and not for channels."""

from __future__ import annotations

from reportgen.compute.identification.swept_response import Identification


def frequencies_of(found: Identification) -> tuple[float, ...]:
    """Undamped natural frequency (Hz) of every mode that a channel shows, each once, in order."""
    return tuple(sorted({each.frequency_hz for fit in found.channels for each in fit.resonances}))
