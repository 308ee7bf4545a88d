"""What is drawn of each numbered mode of a beam: expected shape, nodes and antinodes, observed nodes, sensors."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from reportgen.compute.modes.beam import antinodes, mode_shape, nodes
from reportgen.records.job import Beam, Channel, Job
from reportgen.records.note import MotionKind
from reportgen.records.result import BeamFit, Mode, ModePicture

POINTS = 241
"""Points along the beam; a printed beam is some 400 pixels long and a mode 20 has 40 points a wave."""


def mode_pictures(job: Job, modes: Sequence[Mode], fits: Sequence[BeamFit]) -> tuple[ModePicture, ...]:
    """A picture for every bending mode with a number, none where the specimen is no beam. Missing modes have none."""
    ratio = {fit.axis: fit.tip_mass_ratio for fit in fits}
    return tuple(
        _picture(beam, mode, mode.mode, ratio.get(mode.axis), _sensors(beam, job.channels))
        for mode in modes
        if (beam := job.beam_along(mode.axis)) is not None
        and mode.mode is not None
        and not mode.missing
        and mode.motion in (None, MotionKind.BENDING)
    )


def _picture(
    beam: Beam, mode: Mode, number: int, tip_mass_ratio: float | None, sensors: tuple[tuple[str, float], ...]
) -> ModePicture:
    x = np.linspace(0.0, 1.0, POINTS)
    return ModePicture(
        axis=mode.axis,
        mode=number,
        x=x,
        shape=mode_shape(beam.boundary, number, x, tip_mass_ratio),
        boundary=str(beam.boundary),
        frequency_hz=mode.frequency_hz,
        nodes=nodes(beam.boundary, number, tip_mass_ratio),
        antinodes=antinodes(beam.boundary, number, tip_mass_ratio),
        observed=mode.node_positions,
        sensors=sensors,
    )


def _sensors(beam: Beam, channels: Iterable[Channel]) -> tuple[tuple[str, float], ...]:
    """(channel, fraction of the length) of every channel whose place along the beam can be told."""
    found = []
    for channel in channels:
        if channel.position is None:
            continue
        if channel.position.dimension == "ratio":
            found.append((channel.id, channel.position.si))
        elif beam.length is not None:
            found.append((channel.id, channel.position.si / beam.length.si))
    return tuple((name, place) for name, place in found if 0.0 <= place <= 1.0)
