"""MAT files v4 to v7 (v7.3 is HDF5 and goes there): variables are channels, or their columns are.

The sample rate is a scalar variable (``fs``, ``sample_rate`` …; ``dt`` for the interval) or follows from an evenly
spaced variable ``t`` or ``time``.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reportgen.errors import ReadError
from reportgen.read.formats.hdf5 import FEWEST_SAMPLES, INTERVAL_NAMES, RATE_NAMES, TIME_NAMES
from reportgen.read.formats.recording import Recording, Spool, StoredChannel, even_rate, stacked

_UNIT_NAMES = ("units", "unit")


def looks_like_mat(head: bytes) -> bool:
    """True for the first 128 bytes of a MAT file of v4 to v7.2."""
    if head[:19] == b"MATLAB 5.0 MAT-file":
        return True
    if len(head) < 20:
        return False
    for order in "<>":
        kind, rows, columns, imaginary, length = struct.unpack(order + "5i", head[:20])
        digits = (kind // 1000, kind // 100 % 10, kind // 10 % 10, kind % 10)
        plausible = digits[0] in (0, 1) and digits[1] == 0 and digits[2] <= 5 and digits[3] <= 2
        if kind >= 0 and plausible and rows > 0 and columns > 0 and imaginary in (0, 1) and 1 < length <= 64:
            text = head[20 : 20 + length].rstrip(b"\0")
            return text.isascii() and text.decode("ascii").isidentifier()
    return False


def open_mat(path: Path, name: str) -> Recording:
    """Open a MAT file. Raises ReadError."""
    damage: str | None = None
    found: list[tuple[str, tuple[int, ...], str]] = []
    try:
        found = _contents(path)
    except Exception as fault:  # scipy raises many kinds for a broken file
        raise ReadError(
            name, f"MAT file that cannot be read ({_brief(fault)}); save it again, as version 7 or 7.3"
        ) from None
    variables, damage = _load(path, found)
    signals = {key: value for key, value in variables.items() if max(value.shape) >= FEWEST_SAMPLES}
    times = {key: value for key, value in signals.items() if _is_time(key, value)}
    signals = {key: value for key, value in signals.items() if key not in times}
    if not signals:
        raise ReadError(name, "MAT file without a numeric variable of samples; nothing in it can be a channel")
    lengths = [max(value.shape) for value in signals.values()]
    samples = max(set(lengths), key=lambda length: (lengths.count(length), length))
    chosen = {key: value for key, value in signals.items() if max(value.shape) == samples}
    places = [(key, column) for key, value in chosen.items() for column in range(min(value.shape))]
    columns = {key: value if value.shape[0] == samples else value.T for key, value in chosen.items()}
    units = _units(path, found, len(places))
    return Recording(
        kind="MAT",
        sample_rate_hz=_rate(variables, times),
        samples=samples,
        channels=tuple(
            StoredChannel(
                name=key if min(chosen[key].shape) == 1 else f"{key}[{column + 1}]",
                unit=units[at] if units else None,
            )
            for at, (key, column) in enumerate(places)
        ),
        fetch=stacked(lambda start, stop, place: columns[places[place][0]][start:stop, places[place][1]]),
        start_s=float(next((value.flat[0] for value in times.values()), 0.0)),
        damage=damage,
        layout=f"MAT, {len(places)} channels in {len(chosen)} variables",
        refused=tuple(
            f"{key}: {max(value.shape)} samples, unlike the {samples} of the others"
            for key, value in signals.items()
            if key not in chosen
        ),
    )


def _is_time(key: str, value: NDArray[Any]) -> bool:
    """Named like time and rising evenly; a ``T`` that wanders is a temperature."""
    return key.casefold() in TIME_NAMES and min(value.shape) == 1 and even_rate(value.reshape(-1)) is not None


def _brief(fault: Exception) -> str:
    return str(fault).strip().splitlines()[0] if str(fault).strip() else type(fault).__name__


def _contents(path: Path) -> list[tuple[str, tuple[int, ...], str]]:
    from scipy.io import whosmat

    return [(key, tuple(shape), kind) for key, shape, kind in whosmat(path)]


def _load(
    path: Path, found: list[tuple[str, tuple[int, ...], str]]
) -> tuple[dict[str, NDArray[np.floating[Any]]], str | None]:
    """Variables one after another: no more than one is unpacked in memory at a time, the rest lies spooled."""
    from scipy.io import loadmat

    variables: dict[str, NDArray[np.floating[Any]]] = {}
    damage = None
    for key, shape, kind in found:
        numeric = kind in ("double", "single") or kind.startswith(("int", "uint"))
        if not numeric or len(shape) != 2 or 0 in shape:
            continue
        try:
            value = np.atleast_2d(loadmat(path, variable_names=[key])[key])
        except Exception as fault:  # scipy raises many kinds for a broken variable
            damage = f"variable {key!r} and what follows cannot be read ({_brief(fault)})"
            break
        if not np.iscomplexobj(value):
            variables[key] = _spooled(value)
    return variables, damage


def _spooled(value: NDArray[Any]) -> NDArray[np.floating[Any]]:
    rows = value if value.shape[0] >= value.shape[1] else value.T
    spool = Spool(rows.shape[1])
    for piece in _pieces(rows):
        spool.append(piece)
    laid = spool.array()
    return laid if value.shape[0] >= value.shape[1] else laid.T


def _pieces(rows: NDArray[Any], step: int = 1 << 18) -> Iterator[NDArray[np.float64]]:
    for begin in range(0, len(rows), step):
        yield rows[begin : begin + step].astype(np.float64)


def _rate(variables: dict[str, NDArray[Any]], times: dict[str, NDArray[Any]]) -> float | None:
    for key, value in variables.items():
        if value.size == 1 and value.flat[0] > 0:
            if key.casefold() in RATE_NAMES:
                return float(value.flat[0])
            if key.casefold() in INTERVAL_NAMES:
                return 1.0 / float(value.flat[0])
    return next((even_rate(value.reshape(-1)) for value in times.values()), None)


def _units(path: Path, found: list[tuple[str, tuple[int, ...], str]], channels: int) -> list[str]:
    """A text variable ``unit`` or ``units``: one text for all channels, or one a channel."""
    from scipy.io import loadmat

    for key, _, kind in found:
        if key.casefold() in _UNIT_NAMES and kind in ("char", "cell"):
            value = loadmat(path, variable_names=[key], simplify_cells=True)[key]
            texts = [str(each).strip() for each in np.atleast_1d(value)]
            if len(texts) in (1, channels):
                return texts * (channels if len(texts) == 1 else 1)
    return []
