"""Questions to the numbered modes of an axis: doubles, falling numbers, gaps, and what beam theory says of each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from reportgen.compute.modes.beam import nodes, roots, timoshenko_ratio
from reportgen.compute.modes.beam_fit import (
    FEWEST_TO_COMPARE,
    Fit,
    OddOne,
    clearly_better,
    fit_beam,
    fit_other_boundaries,
    odd_one_out,
)
from reportgen.compute.modes.mode_number import (
    HIDDEN_BY_TIP_MASS,
    POSITION_TOLERANCE,
    misplaced_nodes,
    node_spans,
    nodes_of_mode,
)
from reportgen.records.finding import Finding, warning
from reportgen.records.job import Beam, Boundary, Job
from reportgen.records.message import Message, Place, message
from reportgen.records.note import MotionKind
from reportgen.records.result import BeamFit, Mode, RunResult

DOUBTFUL_RESIDUAL = 0.10
"""Shifting a number by one moves the expected frequency by about 2/(n − ½), more than this up to mode 20; a real
clamp or a sensor's mass moves it by less."""


def question_modes(
    job: Job, runs: Sequence[RunResult], modes: Sequence[Mode]
) -> tuple[tuple[Mode, ...], tuple[BeamFit, ...], tuple[Finding, ...]]:
    """Modes with their witness beside them and the missing ones among them; one beam fit an axis; findings."""
    told: list[Mode] = []
    fits: list[BeamFit] = []
    found: list[Finding] = []
    for axis in dict.fromkeys(mode.axis for mode in modes):
        own = [mode for mode in modes if mode.axis == axis]
        if axis is None and len({run.axis for run in job.runs} - {None}) > 1:
            told += [_without_axis(mode, found) for mode in own]
            continue
        own = _question_order(job, own, found)
        beam = job.beam_along(axis)
        fit = _fit(beam, own)
        if fit is not None and beam is not None:
            odd = odd_one_out(fit, DOUBTFUL_RESIDUAL)
            own = [_beside(job, beam, fit, odd, mode, found) for mode in own]
            fits.append(_beam_fit(beam, axis, fit, found))
        told += _with_missing(job, runs, axis, own, fit, found)
    return tuple(told), tuple(fits), tuple(found)


def _without_axis(mode: Mode, found: list[Finding]) -> Mode:
    """A mode of the notes that belongs to one of several axes, nobody knows which."""
    unknown = message("modes.axis-unknown")
    of_mode = message("modes.of-frequency", frequency_hz=mode.place_hz, what=unknown)
    found.extend(warning(where, of_mode) for where in mode.notes)
    return _flagged(mode, unknown)


def numbered(modes: Sequence[Mode]) -> list[Mode]:
    """Bending modes that have a number, in rising frequency."""
    return sorted((mode for mode in modes if mode.mode is not None), key=lambda mode: mode.place_hz)


def _where(job: Job, mode: Mode) -> Place:
    if mode.notes:
        return mode.notes[0]
    beam = job.specimen.beam
    return beam.where if beam is not None else job.report.where


def _flagged(mode: Mode, flag: Message) -> Mode:
    return mode if flag in mode.flags else replace(mode, flags=(*mode.flags, flag))


def _name(mode: Mode) -> Message:
    if mode.axis is None:
        return message("modes.at", frequency_hz=mode.place_hz)
    return message("modes.at-of-axis", frequency_hz=mode.place_hz, axis=mode.axis)


def _question_order(job: Job, modes: Sequence[Mode], found: list[Finding]) -> list[Mode]:
    """Mark two modes with one number, and a number that falls while frequency rises."""
    flags: dict[int, list[Message]] = {}
    rising = numbered(modes)
    for number, count in Counter(mode.mode for mode in rising).items():
        if count > 1:
            twins = [mode for mode in rising if mode.mode == number]
            doubled = message("modes.number-twice", mode=number, modes=tuple(_name(mode) for mode in twins))
            found.append(warning(_where(job, twins[-1]), message("modes.count-again", what=doubled)))
            for mode in twins:
                flags.setdefault(id(mode), []).append(doubled)
    for lower, higher in pairwise(rising):
        if lower.mode is not None and higher.mode is not None and higher.mode < lower.mode:
            falls = message(
                "modes.number-falls",
                lower=lower.mode,
                at_lower=_name(lower),
                higher=higher.mode,
                at_higher=_name(higher),
            )
            found.append(warning(_where(job, higher), message("modes.count-again", what=falls)))
            for mode in (lower, higher):
                flags.setdefault(id(mode), []).append(falls)
    return [replace(mode, flags=(*mode.flags, *flags.get(id(mode), ()))) for mode in modes]


# Beam theory


def _fit(beam: Beam | None, modes: Sequence[Mode]) -> Fit | None:
    """A uniform beam through the modes whose number is theirs alone."""
    counts = Counter(mode.mode for mode in modes)
    sure = {mode.mode: mode.place_hz for mode in modes if mode.mode is not None and counts[mode.mode] == 1}
    if beam is None or not sure:
        return None
    stated = stated_tip_mass_ratio(beam)
    fit_tip = len(sure) >= FEWEST_TO_COMPARE or (len(sure) == 2 and stated is None)
    return fit_beam(beam.boundary, sure, tip_mass_ratio=stated, fit_tip=fit_tip)


def stated_tip_mass_ratio(beam: Beam | None) -> float | None:
    """Tip mass over the beam's own mass, where the job states both."""
    if beam is None or beam.tip_mass is None or beam.mass is None or not beam.mass.si > 0:
        return None
    return beam.tip_mass.si / beam.mass.si


def _beside(job: Job, beam: Beam, fit: Fit, odd: OddOne | None, mode: Mode, found: list[Finding]) -> Mode:
    if mode.mode is None:
        return _expected_number(fit, mode)
    number = mode.mode
    expected_hz = fit.expected_hz(number)
    positions = nodes(beam.boundary, number, fit.tip_mass_ratio)
    residual = mode.place_hz / expected_hz - 1.0
    mode = replace(mode, expected_hz=expected_hz, residual=residual, expected_positions=positions)
    doubt = _doubtful(fit, odd, mode, residual)
    if doubt is not None:
        found.append(warning(_where(job, mode), message("modes.check-number-and-boundary", what=doubt)))
        mode = _flagged(mode, doubt)
    known_tip = fit.tip_mass_ratio if fit.tip_mass_fitted else stated_tip_mass_ratio(beam)
    for seen, near in misplaced_nodes(mode.node_positions, node_spans(beam.boundary, number, known_tip)):
        misplaced = _misplaced(seen, near)
        of_mode = message("modes.of-mode", mode=number, at=_name(mode), what=misplaced)
        found.append(warning(_where(job, mode), of_mode))
        mode = _flagged(mode, misplaced)
    return mode


def _misplaced(seen: float, near: float | None) -> Message:
    if near is None:
        return message("modes.node-where-none-expected", seen=seen, tolerance=POSITION_TOLERANCE)
    return message("modes.node-misplaced", seen=seen, nearest=near, tolerance=POSITION_TOLERANCE)


def _doubtful(fit: Fit, odd: OddOne | None, mode: Mode, residual: float) -> Message | None:
    """What speaks against the number of a mode; where one mode alone spoils the fit, only against that."""
    if odd is not None:
        if mode.mode != odd.mode:
            return None
        return message(
            "modes.odd-one-out",
            mode=odd.mode,
            at=_name(mode),
            away=odd.away,
            nearest_mode=odd.nearest_mode,
            nearest_hz=odd.nearest_hz,
        )
    if len(fit.numbered) < FEWEST_TO_COMPARE or not abs(residual) > DOUBTFUL_RESIDUAL:
        return None
    return message("modes.far-from-beam", mode=mode.mode, at=_name(mode), away=residual)


def _expected_number(fit: Fit, mode: Mode) -> Mode:
    """Say, and only say, which bending mode theory has near an unnumbered one."""
    if mode.motion in (MotionKind.TORSION, MotionKind.AXIAL) or len(fit.numbered) < 2:
        return mode
    number, expected_hz = fit.nearest_mode(mode.place_hz)
    away = mode.place_hz / expected_hz - 1.0
    if abs(away) > DOUBTFUL_RESIDUAL:
        return _flagged(mode, message("modes.unnumbered-off-beam", within=DOUBTFUL_RESIDUAL))
    near = message("modes.unnumbered-near-beam", mode=number, expected_hz=expected_hz, away=away)
    return _flagged(mode, near)


def _beam_fit(beam: Beam, axis: str | None, fit: Fit, found: list[Finding]) -> BeamFit:
    others = fit_other_boundaries(fit) if len(fit.numbered) >= FEWEST_TO_COMPARE else ()
    highest = max(mode for mode, _ in fit.numbered)
    flags = [*_fit_flags(beam, fit), _high_modes(beam, fit, highest)]
    better = clearly_better(fit, others)
    if better is not None:
        fits = message(
            "beam.other-boundary-fits",
            better=better.boundary,
            stated=beam.boundary,
            better_rms=better.rms,
            stated_rms=fit.rms,
        )
        flags.append(fits)
        found.append(warning(beam.where, message("beam.check-boundary", what=fits)))
    return BeamFit(
        axis=axis,
        boundary=str(beam.boundary),
        scale_hz=fit.scale_hz,
        tip_mass_ratio=fit.tip_mass_ratio if beam.boundary is Boundary.CLAMPED_FREE else None,
        rms_residual=fit.rms,
        worst_residual=fit.worst,
        roots=roots(beam.boundary, highest, fit.tip_mass_ratio),
        alternatives=tuple((str(each.boundary), each.rms) for each in others),
        flags=tuple(flags),
    )


def _fit_flags(beam: Beam, fit: Fit) -> list[Message]:
    flags = []
    stated = stated_tip_mass_ratio(beam)
    if len(fit.numbered) <= fit.parameters:
        if fit.parameters == 2:
            flags.append(message("beam.nothing-to-test-tip-mass", modes=len(fit.numbered)))
        else:
            flags.append(message("beam.nothing-to-test", modes=len(fit.numbered)))
    if fit.tip_mass_fitted and stated is None:
        flags.append(message("beam.tip-mass-fitted", ratio=fit.tip_mass_ratio))
    elif fit.tip_mass_fitted:
        flags.append(message("beam.tip-mass-fitted-and-stated", ratio=fit.tip_mass_ratio, stated=stated))
    elif stated is not None and beam.boundary is Boundary.CLAMPED_FREE:
        flags.append(message("beam.tip-mass-stated", ratio=stated))
    if fit.tip_mass_ratio > 0 and max(nodes(beam.boundary, 2, fit.tip_mass_ratio), default=1.0) > HIDDEN_BY_TIP_MASS:
        flags.append(message("beam.node-under-tip-mass"))
    return flags


def _high_modes(beam: Beam, fit: Fit, highest: int) -> Message:
    """What shear and rotary inertia, which the witness leaves out, do to the highest number."""
    if beam.thickness is None or beam.length is None:
        return message("beam.high-modes")
    ratio = timoshenko_ratio(beam.boundary, highest, beam.thickness.si / beam.length.si, fit.tip_mass_ratio)
    return message("beam.high-modes-timoshenko", mode=highest, lower=1 - ratio)


# Missing numbers


def _with_missing(
    job: Job, runs: Sequence[RunResult], axis: str | None, modes: list[Mode], fit: Fit | None, found: list[Finding]
) -> list[Mode]:
    rising = numbered(modes)
    numbers = {mode.mode for mode in rising if mode.mode is not None}
    gap = [number for number in range(1, max(numbers, default=0)) if number not in numbers]
    if not gap:
        return modes
    expected = {number: fit.expected_hz(number) for number in gap} if fit is not None else {}
    above = next((mode for mode in rising if mode.mode is not None and mode.mode > gap[0]), rising[-1])
    found.append(warning(_where(job, above), _gap(axis, sorted(numbers), gap, expected, modes)))
    beam = job.beam_along(axis)
    if fit is None or beam is None:
        return modes
    missing = [_missing(beam, runs, axis, number, fit, modes) for number in gap]
    return sorted([*modes, *missing], key=lambda mode: mode.place_hz)


def _gap(
    axis: str | None, numbers: list[int], gap: list[int], expected: dict[int, float], modes: Sequence[Mode]
) -> Message:
    missing = tuple(_missing_number(number, expected.get(number), modes) for number in gap)
    seen = _ranges(numbers)
    if axis is None:
        return message("modes.numbers-missing", seen=seen, missing=missing)
    return message("modes.numbers-missing-of-axis", axis=axis, seen=seen, missing=missing)


def _missing_number(number: int, expected_hz: float | None, modes: Sequence[Mode]) -> Message:
    if expected_hz is None:
        return message("modes.number", mode=number)
    near = _may_be(modes, expected_hz)
    if not near:
        return message("modes.number-expected", mode=number, expected_hz=expected_hz)
    return message("modes.number-expected-near-unnumbered", mode=number, expected_hz=expected_hz, near_hz=near[0])


def _ranges(numbers: list[int]) -> tuple[Message, ...]:
    """1, 2, 3, 9 as "1 to 3" and "9"."""
    parts: list[list[int]] = []
    for number in numbers:
        if parts and number == parts[-1][-1] + 1:
            parts[-1].append(number)
        else:
            parts.append([number])
    return tuple(
        message("modes.number", mode=part[0])
        if len(part) == 1
        else message("modes.number-range", first=part[0], last=part[-1])
        for part in parts
    )


def _may_be(modes: Sequence[Mode], expected_hz: float) -> list[float]:
    """Unnumbered bending or unnamed motion near an expected frequency."""
    apart = (MotionKind.TORSION, MotionKind.AXIAL)
    unnumbered = [mode.place_hz for mode in modes if mode.mode is None and mode.motion not in apart]
    return [hz for hz in unnumbered if abs(hz / expected_hz - 1.0) <= DOUBTFUL_RESIDUAL]


def _missing(
    beam: Beam, runs: Sequence[RunResult], axis: str | None, number: int, fit: Fit, modes: Sequence[Mode]
) -> Mode:
    expected_hz = fit.expected_hz(number)
    flags = [message("modes.missing", expected_hz=expected_hz)]
    swept = [run.sweep for run in runs if run.sweep is not None and axis in (None, run.axis)]
    if swept and not any(each.lowest_hz <= expected_hz <= each.highest_hz for each in swept):
        low, high = min(each.lowest_hz for each in swept), max(each.highest_hz for each in swept)
        flags.append(message("modes.outside-swept", low_hz=low, high_hz=high))
    flags += [message("modes.unnumbered-may-be-it", frequency_hz=hz) for hz in _may_be(modes, expected_hz)]
    return Mode(
        axis=axis,
        mode=number,
        nodes=nodes_of_mode(beam.boundary, number),
        frequency_hz=None,
        expected_hz=expected_hz,
        expected_positions=nodes(beam.boundary, number, fit.tip_mass_ratio),
        flags=tuple(flags),
        missing=True,
    )
