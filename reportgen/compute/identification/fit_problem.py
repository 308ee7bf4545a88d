"""From a run's swept response to the least-squares problem that the search is given."""

from __future__ import annotations

import numpy as np

from reportgen.compute.identification.drive import drive_of
from reportgen.compute.identification.drive_level import drive_level
from reportgen.compute.identification.least_squares import FitProblem
from reportgen.compute.identification.modal_model import channel_kind
from reportgen.compute.identification.noise_only_rows import noise_only
from reportgen.compute.identification.readings import Readings, Weights
from reportgen.compute.identification.step_timing import step_timing_of
from reportgen.compute.identification.swept_response import SweptResponse, usable_rows


def readings_of(sweep: SweptResponse, rows: np.ndarray) -> Readings:
    """Readings on the usable rows; a channel has phase where more than half its rows have one."""
    amplitude = sweep.responses[rows]
    valid = np.isfinite(amplitude) & (amplitude > 0)
    phases = np.full(amplitude.shape, np.nan) if sweep.phases_deg is None else sweep.phases_deg[rows]
    with_phase = (np.isfinite(phases) & valid).sum(axis=0) > 0.5 * np.maximum(valid.sum(axis=0), 1)
    valid &= np.isfinite(phases) | ~with_phase
    turn = np.exp(-1j * np.radians(np.where(valid & with_phase, phases, 0.0)))
    read = valid.copy()
    for c in range(amplitude.shape[1]):
        valid[:, c] &= ~noise_only(np.where(valid[:, c], amplitude[:, c], 0.0) * np.conj(turn[:, c]), valid[:, c])
    return Readings(
        amplitude=np.where(read, amplitude, 0.0),
        turn=turn,
        with_phase=with_phase,
        valid=valid,
        read=read,
        kinds=tuple(channel_kind(dimension, sweep.control_dimension) for dimension in sweep.dimensions),
    )


def problem_of(sweep: SweptResponse, rows: np.ndarray | None = None) -> FitProblem:
    """The least-squares problem of a run."""
    rows = usable_rows(sweep) if rows is None else rows
    readings = readings_of(sweep, rows)
    level = drive_level(sweep.control[rows], np.where(readings.valid, readings.amplitude, np.nan))
    drive = drive_of(sweep, rows, level)
    none = np.zeros_like(readings.amplitude)
    centre = float(np.exp(np.mean(np.log(drive.omega))))
    no_lines = np.zeros((0, len(drive.omega)), complex)
    weights = Weights(along=none, across=none)
    return FitProblem(drive, readings, weights, (0, 2), centre, no_lines, timing=step_timing_of(drive))
