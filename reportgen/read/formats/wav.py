"""WAV and its larger kin (RF64, W64, AIFF): every sample type, read in pieces.

Stored numbers are scaled as audio is: integers of any width (8, 16, 24, 32 bit, µ-law, A-law) have full scale 1.0,
floating-point numbers are taken as they stand. A mapping such as ``channel 2 / (50 g)`` says what 1.0 means.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reportgen.errors import ReadError
from reportgen.read.formats.recording import Recording, StoredChannel
from reportgen.records.message import Message, Place, message

MAGIC = (b"RIFF", b"RIFX", b"RF64", b"riff", b"FORM")
_PIECE_VALUES = 1 << 17
"""Read at a time where channels are picked: what is thrown away stays in the processor's cache."""
_SAMPLE_BYTES = {
    "PCM_S8": 1,
    "PCM_U8": 1,
    "ULAW": 1,
    "ALAW": 1,
    "PCM_16": 2,
    "PCM_24": 3,
    "PCM_32": 4,
    "FLOAT": 4,
    "DOUBLE": 8,
}
"""What a sample takes in the file."""
_PACKED_SAMPLE_BYTES = 1 / 8
"""The same of kinds that pack samples: none does with less than a bit."""
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
    frames = _frames_held(path, info)
    if frames <= 0:
        raise ReadError(Place(name), message("record.wave-promises", frames=info.frames, held=0))
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
        samples=frames,
        channels=channels,
        fetch=fetch,
        damage=message("record.wave-promises", frames=info.frames, held=frames)
        if frames < info.frames
        else _missing_tail(path, info.frames),
        layout=message("layout.wav", format=info.format_info, samples=info.subtype_info, channels=int(info.channels)),
    )


def _frames_held(path: Path, info: Any) -> int:
    """Samples a channel, as many as a file of that size can hold: a header of 64 bits promises what it likes."""
    size = _SAMPLE_BYTES.get(info.subtype, _PACKED_SAMPLE_BYTES) * info.channels
    return min(int(info.frames), int(path.stat().st_size / size))


def _aliases(n: int) -> tuple[str, ...]:
    return (f"{n}", f"ch {n}", f"ch{n}", f"channel{n}")


def _missing_tail(path: Path, frames: int) -> Message | None:
    """Compare what the header promises with what the file holds."""
    with path.open("rb") as stream:
        head = stream.read(12)
        if head[:4] not in (b"RIFF", b"RF64") or head[8:] != b"WAVE":
            return None
        frame_bytes, long_size = 0, None
        while len(tag := stream.read(8)) == 8:
            kind, size = tag[:4], struct.unpack("<I", tag[4:])[0]
            if kind == b"fmt ":
                form = stream.read(min(size, 64))
                frame_bytes = struct.unpack("<H", form[12:14])[0] if len(form) >= 14 else 0
                size -= len(form)
            if kind == b"ds64" and len(sizes := stream.read(min(size, 64))) >= 16:
                long_size = struct.unpack("<Q", sizes[8:16])[0]
                size -= len(sizes)
            if kind == b"data" and long_size is not None and frame_bytes:
                return _lacking(long_size // frame_bytes, frames)
            if kind == b"data":
                promised = size // frame_bytes if frame_bytes else 0
                unknown = size in (0, 0xFFFFFFFF, 0x7FFFFFFF) or size > 0xFFFF0000
                return None if unknown else _lacking(promised, frames)
            stream.seek(size + size % 2, 1)
    return None


def _lacking(promised: int, frames: int) -> Message | None:
    return message("record.tail-missing", promised=promised, held=frames) if promised > frames else None
