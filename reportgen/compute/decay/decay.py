"""Free decay: frequency and damping of every mode present, by a least-squares fit of decaying courses.

A mode is Re(A e^{−σt + iω_d t}) with σ = ζω_0 and ω_d = ω_0√(1 − ζ²) on every channel, A each channel's own; where its
damping or frequency depends on its amplitude it is one mode still, with a backbone (``decay_course``). The logarithmic
decrement δ = 2πζ/√(1 − ζ²) stands beside the damping ratio (ISO 2041). Whatever stands out of the noise is a mode, has
a cause that is named, or is listed as unexplained.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from reportgen.compute.decay.backbone import backbone_of, level_range, natural
from reportgen.compute.decay.decay_bands import final_fit
from reportgen.compute.decay.decay_candidates import FALSE_ALARM
from reportgen.compute.decay.decay_causes import LEAST_DECAY, LOWEST_Q, Cause, Named, causes, tones_among
from reportgen.compute.decay.decay_course import follow
from reportgen.compute.decay.decay_fit import Band, Fit
from reportgen.compute.decay.decay_search import search
from reportgen.compute.decay.decay_state import Found, Refused, Search
from reportgen.errors import ComputeError
from reportgen.records.log import Floats
from reportgen.records.message import Message, message
from reportgen.records.result import ChannelResult, DecayCurve, Resonance, UnexplainedPeak, WhyUnexplained
from reportgen.units import parse_unit

SIGNIFICANT = 5.0
"""Amplitude over its standard uncertainty from which a channel shows a mode."""
CRITERION = message(
    "decay.criterion",
    records=1 / FALSE_ALARM,
    decay=LEAST_DECAY,
    lowest_q=LOWEST_Q,
    significant=SIGNIFICANT,
)
"""When a mode counts as found; printed in the report's methods."""
_NO_DRIVE = (("amplification", message("decay.no-drive")),)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FreeDecay:
    """What a free decay tells."""

    channels: tuple[ChannelResult, ...]
    curves: tuple[DecayCurve, ...]
    method: Message
    explained: float
    """Share of the variance of all channels that decaying courses explain."""
    flags: tuple[Message, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class _Scene:
    """What the results of one record are made from; only channels that are not silent."""

    state: Search
    names: tuple[str, ...]
    units: tuple[str, ...]
    scale: Floats
    """Size of the record's 1, SI, shape (c,)."""
    time: Floats
    fits: tuple[tuple[Fit, Band] | None, ...]
    """Of everything found, itself the first of it."""


def identify_decay(
    samples: Floats, sample_rate_hz: float, channels: Sequence[str], units: Sequence[str] = ()
) -> FreeDecay:
    """Modes of a free decay; ``samples`` has shape (n, c), from the release on, SI; ``units`` those of display.

    Amplification is None: nothing drives. Raises ComputeError for a record without channels or too short to fit.
    """
    n = len(samples)
    if samples.ndim != 2 or samples.shape[1] != len(channels) or not channels:
        raise ComputeError(message("decay.columns"))
    if n < 32 or not np.isfinite(samples).all():
        raise ComputeError(message("decay.too-few-samples", samples=n))
    scale = np.std(samples, axis=0)
    alive = scale > 1e-12 * np.max(np.abs(samples), axis=0)
    if not alive.any():
        raise ComputeError(message("decay.silent"))
    time = np.arange(n) / sample_rate_hz
    y = samples[:, alive] / scale[alive]
    state = search(y, sample_rate_hz)
    scene = _Scene(
        state,
        tuple(name for name, lives in zip(channels, alive, strict=True) if lives),
        tuple((*units, *[""] * len(channels))[c] for c in np.flatnonzero(alive)),
        scale[alive],
        time,
        tuple(final_fit(state, index) for index in range(len(state.found))),
    )
    return _told(scene, samples[:, alive], [name for name, on in zip(channels, alive, strict=True) if not on])


def _told(scene: _Scene, samples: Floats, silent: Sequence[str]) -> FreeDecay:
    found, time = causes(scene.state, [each and each[0] for each in scene.fits]), scene.time
    modes = sorted((i for i, each in enumerate(found) if each.cause is Cause.MODE), key=lambda i: _omega(scene, i))
    whole = float(np.sum((samples / scene.scale - np.mean(samples / scene.scale, axis=0)) ** 2))
    unexplained, tones = tones_among(scene.state, [scene.state.found[i] for i in modes])
    peaks = [*(_refused_peak(each) for each in unexplained), *(_uncertain_peak(scene, i) for i, each in enumerate(found)
             if each.cause is Cause.UNCERTAIN)]  # fmt: skip
    return FreeDecay(
        channels=(*_results(scene, modes, peaks), *(_silent(name, time) for name in silent)),
        curves=tuple(_curve(scene, modes, c, samples[:, c]) for c in range(len(scene.names))),
        method=message("decay.method", samples=len(time), seconds=float(time[-1])),
        explained=1.0 - float(np.sum(scene.state.left**2)) / whole,
        flags=(
            *(named.said for named in found if named.said is not None),
            *tones,
            *_background(scene, [i for i, each in enumerate(found) if each.cause is Cause.BACKGROUND]),
        ),
    )


def _omega(scene: _Scene, index: int) -> float:
    return scene.state.found[index].course.omega


def _refused_peak(each: Refused) -> UnexplainedPeak:
    return UnexplainedPeak(frequency_hz=each.omega / (2 * math.pi), height=math.sqrt(each.ratio))


def _uncertain_peak(scene: _Scene, index: int) -> UnexplainedPeak:
    each = scene.state.found[index]
    noise = scene.state.noise.at(np.array([each.course.omega]))[0]
    energy = np.sum(np.abs(each.residue) ** 2 / noise) * scene.state.rate / (4.0 * each.course.sigma)
    return UnexplainedPeak(
        frequency_hz=each.course.omega / (2 * math.pi), height=math.sqrt(float(energy)), why=WhyUnexplained.UNCERTAIN
    )


def _background(scene: _Scene, indices: Sequence[int]) -> tuple[Message, ...]:
    """What is said of courses that only fill in between modes."""
    if not indices:
        return ()
    f = [_omega(scene, i) / (2 * math.pi) for i in indices]
    return (message("decay.background", courses=len(f), low_hz=min(f), high_hz=max(f)),)


def _results(scene: _Scene, modes: Sequence[int], unexplained: Sequence[UnexplainedPeak]) -> list[ChannelResult]:
    found: list[list[Resonance]] = [[] for _ in scene.names]
    for index in modes:
        fitted = scene.fits[index]
        if fitted is None:
            continue
        for c, resonance in _of_mode(scene, *fitted):
            found[c].append(resonance)
    peaks = tuple(sorted(unexplained, key=lambda each: each.frequency_hz))
    noise = np.std(scene.state.left, axis=0) * scene.scale
    return [
        ChannelResult(
            id=name, frequency_hz=np.empty(0), magnitude=np.empty(0), phase_deg=None, resonances=tuple(found[c]),
            noise_floor=float(noise[c]), unexplained=peaks if c == 0 else (),
        )
        for c, name in enumerate(scene.names)
    ]  # fmt: skip


def _of_mode(scene: _Scene, fit: Fit, band: Band) -> list[tuple[int, Resonance]]:
    """The mode that a fit has first, on every channel that shows it."""
    course, covariance = fit.courses[0], fit.covariance(0)
    size = np.abs(fit.residues[0])
    std = fit.factor[0] * band.noise * math.sqrt(fit.scatter)
    shown = np.flatnonzero(size > SIGNIFICANT * std)
    low, high = level_range(course, size, band)
    at = 1.0 if course.law.is_linear else math.sqrt(low * high)
    f, u_f, zeta, u_zeta = natural(course, covariance, np.array([at]), order_of(scene.units[int(np.argmax(size))]))
    plain = Resonance(
        frequency_hz=float(f[0]),
        frequency_std_hz=float(u_f[0]),
        q=0.5 / float(zeta[0]),
        q_std=0.5 * float(u_zeta[0]) / float(zeta[0]) ** 2,
        damping_ratio=float(zeta[0]),
        decrement=2 * math.pi * float(zeta[0]) / math.sqrt(1 - min(float(zeta[0]), 0.999) ** 2),
        reasons=_NO_DRIVE,
    )
    return [(int(c), _on_channel(scene, plain, fit, int(c), (low, at, high))) for c in shown]


def _on_channel(scene: _Scene, plain: Resonance, fit: Fit, c: int, levels: tuple[float, float, float]) -> Resonance:
    residue = complex(fit.residues[0, c]) * float(scene.scale[c])
    if fit.courses[0].law.is_linear:
        return replace(plain, residue=residue)
    unit, size = level_unit(scene.units[c])
    low, at, high = levels
    curve = backbone_of(fit, (low, high), abs(residue) / size, scene.names[c], unit, order_of(scene.units[c]))
    f, q = curve.frequency_range_hz, curve.q_range
    said = message(
        "decay.depends-on-level",
        low_hz=f[0],
        high_hz=f[1],
        low_q=q[0],
        high_q=q[1],
        low=curve.levels[0],
        high=curve.levels[-1],
        at=at * abs(residue) / size,
        unit=unit,
    )
    return replace(plain, residue=residue, backbone=curve, level=at * abs(residue) / size, flags=(*plain.flags, said))


def order_of(display: str) -> int:
    """How many times a displacement is differentiated to give a quantity; of what is not known, as an acceleration."""
    dimension = parse_unit(display).dimension if display else "acceleration"
    return {"velocity": 1, "displacement": 0, "strain": 0}.get(dimension, 2)


def level_unit(display: str) -> tuple[str, float]:
    """Unit of a level and its size in SI: g for accelerations, else what the record was written in."""
    if not display:
        return "", 1.0
    unit = parse_unit(display)
    return ("g", 9.80665) if unit.dimension == "acceleration" else (display, unit.factor)


def _curve(scene: _Scene, modes: Sequence[int], c: int, response: Floats) -> DecayCurve:
    """The record of one channel and the envelope of the mode that is largest on it."""
    found = scene.state.found
    leading = max(modes, key=lambda i: float(np.abs(found[i].residue[c])), default=None)
    envelope = None if leading is None else _envelope(found[leading], c, scene.time) * float(scene.scale[c])
    return DecayCurve(
        channel=scene.names[c], time_s=scene.time, response=response, envelope=envelope, unit=scene.units[c]
    )


def _envelope(each: Found, c: int, time: Floats) -> Floats:
    logs, _ = follow(each.course.law, each.course.theta[None], time)
    return np.asarray(abs(complex(each.residue[c])) * np.exp(logs[0]))


def _silent(name: str, time: Floats) -> ChannelResult:
    return ChannelResult(
        id=name, frequency_hz=np.empty(0), magnitude=np.empty(0), phase_deg=None,
        flags=(message("decay.channel-silent", seconds=float(time[-1])),),
    )  # fmt: skip


__all__ = ["FreeDecay", "Named", "identify_decay", "level_unit"]
