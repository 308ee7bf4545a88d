"""WAV and its larger kin (RF64, W64, AIFF): every sample type, read in pieces.

Stored numbers are scaled as audio is: integers of any width (8, 16, 24, 32 bit, µ-law, A-law) have full scale 1.0,
floating-point numbers are taken as they stand. A mapping such as ``channel 2 / (50 g)`` says what 1.0 means.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from reportgen.errors import ReadError
from reportgen.read.formats.recording import Recording, StoredChannel
from reportgen.records.message import Message, Place, message

MAGIC = (b"RIFF", b"RIFX", b"RF64", b"riff", b"FORM")
_PIECE_VALUES = 1 << 17
"""Read at a time where channels are picked: what is thrown away stays in the processor's cache."""
_DOUBLE = ("DOUBLE", "PCM_32", "FLOAT64")


def open_wav(path: Path, name: str) -> Recording:
    """Open a WAV file. Raises ReadError."""
    import soundfile

    try:
        info = soundfile.info(str(path))
    except (soundfile.SoundFileError, RuntimeError) as fault:
        raise ReadError(Place(name), message("record.wav-not-readable", problem=str(fault))) from None
    if info.frames <= 0:
        raise ReadError(Place(name), message("record.wav-empty"))
    every = tuple(range(info.channels))
    dtype = "float64" if info.subtype in _DOUBLE else "float32"

    def fetch(start: int, stop: int, places: tuple[int, ...]) -> NDArray[np.generic]:
        picked: NDArray[np.generic] = np.empty((stop - start, len(places)), dtype)
        with soundfile.SoundFile(str(path)) as sound:
            sound.seek(start)
            if places == every:
                sound.read(out=picked, fill_value=0.0)
                return picked
            step = max(1, _PIECE_VALUES // info.channels)
            piece = np.empty((step, info.channels), dtype)
            for begin in range(0, stop - start, step):
                wanted = piece[: stop - start - begin]
                sound.read(out=wanted, fill_value=0.0)
                picked[begin : begin + step] = wanted[:, places]
        return picked

    channels = tuple(StoredChannel(name=f"channel {n}", other_names=_aliases(n)) for n in range(1, info.channels + 1))
    return Recording(
        sample_rate_hz=float(info.samplerate),
        samples=int(info.frames),
        channels=channels,
        fetch=fetch,
        damage=_missing_tail(path, info.frames),
        layout=message("layout.wav", format=info.format_info, samples=info.subtype_info, channels=int(info.channels)),
    )


def _aliases(n: int) -> tuple[str, ...]:
    return (f"{n}", f"ch {n}", f"ch{n}", f"channel{n}")


def _missing_tail(path: Path, frames: int) -> Message | None:
    """Compare what the header promises with what the file holds."""
    with path.open("rb") as stream:
        head = stream.read(12)
        if head[:4] != b"RIFF" or head[8:] != b"WAVE":
            return None
        frame_bytes = 0
        while len(tag := stream.read(8)) == 8:
            kind, size = tag[:4], struct.unpack("<I", tag[4:])[0]
            if kind == b"fmt ":
                frame_bytes = struct.unpack("<H", stream.read(size)[12:14])[0]
                size = 0
            if kind == b"data":
                promised = size // frame_bytes if frame_bytes else 0
                unknown = size in (0, 0xFFFFFFFF, 0x7FFFFFFF) or size > 0xFFFF0000
                if unknown or promised <= frames:
                    return None
                return message("record.tail-missing", promised=promised, held=frames)
            stream.seek(size + size % 2, 1)
    return None
