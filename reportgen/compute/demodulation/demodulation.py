"""Time histories become a sweep log: amplitude, phase, distortion and residual of every channel, row by row.

The drive's phase is followed first (drive_phase), then every channel is fitted against it (sine_fit). Windows are
three cycles at least and pass no more than half of the half-power bandwidth of a mode with Q = 200; a row stands every
third of a window. The controls are freed of measuring noise (quiet_control). Phase is relative
to the combined control: the mean of the control channels as complex amplitudes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.demodulation.cell_sums import ENVELOPE, FULL_MODEL, HARMONICS
from reportgen.compute.demodulation.drive_phase import (
    BANDWIDTHS_A_WINDOW,
    FEWEST_CYCLES,
    SHARPEST_Q,
    DrivePhase,
    Progress,
    drive_phase,
    drive_present,
    lay_cells,
    resolving_windows,
    share,
)
from reportgen.compute.demodulation.quiet_control import quiet_control
from reportgen.compute.demodulation.sine_fit import NOISE_BANDWIDTH, Rows, fit_rows
from reportgen.errors import ComputeError
from reportgen.records.log import Floats, SweepLog, TimeHistory, Trace
from reportgen.records.message import Message, message

_LOCKING_SHARE = 0.25
"""Share of the work, for progress, that following the drive takes."""


@dataclass(frozen=True, slots=True, eq=False)
class _Reference:
    """The control as phase reference, shape (n,)."""

    angle: Floats
    cycles: Floats


def demodulate(
    history: TimeHistory,
    drive: str,
    control: Sequence[str],
    *,
    workers: int = 1,
    progress: Progress | None = None,
) -> SweepLog:
    """Reduce a record to the rows of a sweep log.

    ``drive`` is the channel whose phase is followed, ``control`` the channels the phase refers to (none: the drive).
    Each trace carries its distortion (harmonics 2 to 5 over the fundamental; NaN where the sample rate holds none) and
    residual; ``drive_cycles`` is the phase of the combined control; ``effective_bandwidth_hz`` the equivalent noise
    bandwidth 225/(64 T) of a fit whose envelope may bend: it averages noise so, and flattens no response. Stretches in
    which the drive is silent give no rows. The result is the same, bit for bit, for any number of workers. Raises
    ComputeError where there is no sine to follow, RecordError for a channel that is not in the record.
    """
    phase = drive_phase(history, drive, workers=workers, progress=share(progress, 0.0, _LOCKING_SHARE))
    edges = lay_cells(
        phase, resolving_windows(phase, history.sample_rate_hz), 0.0, history.samples / history.sample_rate_hz
    )
    rows = fit_rows(history, phase, edges, workers=workers, progress=share(progress, _LOCKING_SHARE, 1.0))
    present = _present(rows, history.channels.index(drive), phase)
    if np.count_nonzero(present) < 2:
        no_sine = message("demodulation.no-sine-in", channel=drive)
        raise ComputeError(message("error.at", where=history.path, what=no_sine))
    kept = _with_quiet_controls(_of(rows, present), history, control or (drive,))
    reference = _reference(kept, history, control or (drive,), phase.cycles(kept.time_s))
    return SweepLog(
        path=history.path,
        frequency_hz=phase.frequency_hz(kept.time_s),
        time_s=kept.time_s + history.start_s,
        drive_cycles=reference.cycles,
        traces=tuple(_trace(history, kept, place, reference) for place in range(len(history.channels))),
        effective_bandwidth_hz=NOISE_BANDWIDTH[ENVELOPE] / kept.window_s,
        remarks=(*history.remarks, *_silences(rows, present, history)),
        layout=message(
            "layout.demodulated",
            layout=history.layout,
            drive=drive,
            cycles=FEWEST_CYCLES,
            bandwidths=BANDWIDTHS_A_WINDOW,
            q=SHARPEST_Q,
            harmonics=HARMONICS,
        ),
    )


def _present(rows: Rows, drive: int, phase: DrivePhase) -> NDArray[np.bool_]:
    """Rows in which the drive runs and was followed."""
    if not len(rows.time_s):
        return np.zeros(0, bool)
    followed = (rows.time_s >= phase.followed_s[0]) & (rows.time_s <= phase.followed_s[1])
    return drive_present(rows, drive, FULL_MODEL) & followed


def _of(rows: Rows, which: NDArray[np.bool_]) -> Rows:
    return Rows(*(getattr(rows, name)[which] for name in Rows.__slots__))


def _with_quiet_controls(rows: Rows, history: TimeHistory, control: Sequence[str]) -> Rows:
    """The rows with measuring noise taken off the controls."""
    amplitude = rows.amplitude.copy()
    averaged = np.sqrt(2.0 * NOISE_BANDWIDTH[ENVELOPE] / rows.window_s / history.sample_rate_hz)
    for channel in history.only(tuple(control)).channels:
        place = history.channels.index(channel)
        uncertainty = rows.residual[:, place] * averaged
        amplitude[:, place] = quiet_control(amplitude[:, place], uncertainty, rows.time_s)
    return replace(rows, amplitude=amplitude)


def _reference(rows: Rows, history: TimeHistory, control: Sequence[str], cycles: Floats) -> _Reference:
    places = [history.channels.index(each) for each in history.only(tuple(control)).channels]
    angle = np.angle(rows.amplitude[:, places].mean(axis=1))
    total = cycles + np.unwrap(angle) / (2.0 * np.pi)
    return _Reference(angle, total - total[0])


def _trace(history: TimeHistory, rows: Rows, place: int, reference: _Reference) -> Trace:
    amplitude = rows.amplitude[:, place]
    size = np.abs(amplitude)
    relative = np.degrees(np.angle(amplitude * np.exp(-1j * reference.angle)))
    distortion = np.divide(rows.harmonic[:, place], size, out=np.full(len(size), np.nan), where=size > 0)
    return Trace(
        channel=history.channels[place],
        dimension=history.dimensions[place],
        amplitude=size,
        phase_deg=relative,
        display_unit=history.display_units[place],
        distortion=distortion,
        residual=rows.residual[:, place],
    )


def _silences(rows: Rows, present: NDArray[np.bool_], history: TimeHistory) -> tuple[Message, ...]:
    """Where the drive was silent for longer than a second between its first and last row."""
    time = rows.time_s[present] + history.start_s
    gaps = np.flatnonzero(np.diff(time) > np.maximum(1.0, 2.0 * rows.window_s[present][1:]))
    return tuple(message("demodulation.silence", from_s=float(time[k]), to_s=float(time[k + 1])) for k in gaps)
