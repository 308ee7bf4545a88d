"""Questions to the numbered modes of an axis: doubles, falling numbers, gaps, and what beam theory says of each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from reportgen.compute.beam import nodes, roots, timoshenko_ratio
from reportgen.compute.beam_fit import (
    FEWEST_TO_COMPARE,
    Fit,
    OddOne,
    clearly_better,
    fit_beam,
    fit_other_boundaries,
    odd_one_out,
)
from reportgen.compute.mode_number import (
    HIDDEN_BY_TIP_MASS,
    POSITION_TOLERANCE,
    misplaced_nodes,
    node_spans,
    nodes_of_mode,
)
from reportgen.records.finding import Finding, warning
from reportgen.records.job import Beam, Boundary, Job
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
        fit = _fit(job, own)
        if fit is not None and job.specimen.beam is not None:
            odd = odd_one_out(fit, DOUBTFUL_RESIDUAL)
            own = [_beside(job, job.specimen.beam, fit, odd, mode, found) for mode in own]
            fits.append(_beam_fit(job, job.specimen.beam, axis, fit, found))
        told += _with_missing(job, runs, axis, own, fit, found)
    return tuple(told), tuple(fits), tuple(found)


def _without_axis(mode: Mode, found: list[Finding]) -> Mode:
    """A mode of the notes that belongs to one of several axes, nobody knows which."""
    text = "the axis is not known: name the run in the note"
    found.extend(warning(where, f"{mode.place_hz:.4g} Hz: {text}") for where in mode.notes)
    return _flagged(mode, text)


def numbered(modes: Sequence[Mode]) -> list[Mode]:
    """Bending modes that have a number, in rising frequency."""
    return sorted((mode for mode in modes if mode.mode is not None), key=lambda mode: mode.place_hz)


def _where(job: Job, mode: Mode) -> str:
    if mode.notes:
        return mode.notes[0]
    beam = job.specimen.beam
    return beam.where if beam is not None else job.report.where


def _flagged(mode: Mode, text: str) -> Mode:
    return mode if text in mode.flags else replace(mode, flags=(*mode.flags, text))


def _name(mode: Mode) -> str:
    axis = f" of axis {mode.axis}" if mode.axis is not None else ""
    return f"{mode.place_hz:.4g} Hz{axis}"


def _question_order(job: Job, modes: Sequence[Mode], found: list[Finding]) -> list[Mode]:
    """Mark two modes with one number, and a number that falls while frequency rises."""
    texts: dict[int, list[str]] = {}
    rising = numbered(modes)
    for number, count in Counter(mode.mode for mode in rising).items():
        if count > 1:
            twins = [mode for mode in rising if mode.mode == number]
            text = f"mode number {number} stands at {' and at '.join(_name(mode) for mode in twins)}"
            found.append(warning(_where(job, twins[-1]), f"{text}; count again, or renumber one with a [[correction]]"))
            for mode in twins:
                texts.setdefault(id(mode), []).append(text)
    for lower, higher in pairwise(rising):
        if lower.mode is not None and higher.mode is not None and higher.mode < lower.mode:
            text = f"the number falls from {lower.mode} at {_name(lower)} to {higher.mode} at {_name(higher)}"
            found.append(warning(_where(job, higher), f"{text}; count again, or renumber one with a [[correction]]"))
            for mode in (lower, higher):
                texts.setdefault(id(mode), []).append(text)
    return [replace(mode, flags=(*mode.flags, *texts.get(id(mode), ()))) for mode in modes]


# Beam theory


def _fit(job: Job, modes: Sequence[Mode]) -> Fit | None:
    """A uniform beam through the modes whose number is theirs alone."""
    beam = job.specimen.beam
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
        found.append(warning(_where(job, mode), f"{doubt}; check its number and the boundary"))
        mode = _flagged(mode, doubt)
    known_tip = fit.tip_mass_ratio if fit.tip_mass_fitted else stated_tip_mass_ratio(beam)
    for seen, near in misplaced_nodes(mode.node_positions, node_spans(beam.boundary, number, known_tip)):
        nearest = f"the nearest expected is at {near:.3f} L" if near is not None else "none is expected"
        text = f"node seen at {seen:.3f} L: {nearest} (tolerance ±{POSITION_TOLERANCE:g} L)"
        found.append(warning(_where(job, mode), f"mode {number} at {_name(mode)}: {text}"))
        mode = _flagged(mode, text)
    return mode


def _doubtful(fit: Fit, odd: OddOne | None, mode: Mode, residual: float) -> str | None:
    """What speaks against the number of a mode; where one mode alone spoils the fit, only against that."""
    if odd is not None:
        if mode.mode != odd.mode:
            return None
        text = f"mode {odd.mode} at {_name(mode)} lies {100 * odd.away:+.0f} % from a uniform beam through the others"
        return f"{text}, which has mode {odd.nearest_mode} at {odd.nearest_hz:.4g} Hz"
    if len(fit.numbered) < FEWEST_TO_COMPARE or not abs(residual) > DOUBTFUL_RESIDUAL:
        return None
    return f"mode {mode.mode} at {_name(mode)} lies {100 * residual:+.0f} % from a uniform beam through all numbers"


def _expected_number(fit: Fit, mode: Mode) -> Mode:
    """Say, and only say, which bending mode theory has near an unnumbered one."""
    if mode.motion in (MotionKind.TORSION, MotionKind.AXIAL) or len(fit.numbered) < 2:
        return mode
    number, expected_hz = fit.nearest_mode(mode.place_hz)
    away = mode.place_hz / expected_hz - 1.0
    if abs(away) > DOUBTFUL_RESIDUAL:
        return _flagged(mode, "no number: no trusted node count; beam theory has no bending mode within 10 % of it")
    text = f"beam theory has mode {number} at {expected_hz:.4g} Hz ({100 * away:+.1f} %)"
    return _flagged(mode, f"no number: no trusted node count; {text}")


def _beam_fit(job: Job, beam: Beam, axis: str | None, fit: Fit, found: list[Finding]) -> BeamFit:
    others = fit_other_boundaries(fit) if len(fit.numbered) >= FEWEST_TO_COMPARE else ()
    highest = max(mode for mode, _ in fit.numbered)
    flags = [*_fit_flags(beam, fit), _high_modes(beam, fit, highest)]
    better = clearly_better(fit, others)
    if better is not None:
        text = (
            f"{better.boundary} fits the node counts and frequencies clearly better than {beam.boundary} "
            f"(rms {100 * better.rms:.2g} % against {100 * fit.rms:.2g} %)"
        )
        flags.append(text)
        found.append(warning(beam.where, f"{text}; check the boundary stated in [specimen.beam]"))
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


def _fit_flags(beam: Beam, fit: Fit) -> list[str]:
    flags = []
    stated = stated_tip_mass_ratio(beam)
    if len(fit.numbered) <= fit.parameters:
        fitted = "scale and tip mass" if fit.parameters == 2 else "the scale"
        flags.append(f"{len(fit.numbered)} numbered modes give {fitted} and leave nothing to test the numbers with")
    if fit.tip_mass_fitted:
        text = f"fitted tip mass {fit.tip_mass_ratio:.3g} times the beam's own mass"
        flags.append(text if stated is None else f"{text}; the job states {stated:.3g}")
    elif stated is not None and beam.boundary is Boundary.CLAMPED_FREE:
        flags.append(f"tip mass as the job states it: {stated:.3g} times the beam's own mass")
    if fit.tip_mass_ratio > 0 and max(nodes(beam.boundary, 2, fit.tip_mass_ratio), default=1.0) > HIDDEN_BY_TIP_MASS:
        flags.append("the outermost node of every mode lies under the tip mass, where it is easily missed: a count may "
                     "be one short")  # fmt: skip
    return flags


def _high_modes(beam: Beam, fit: Fit, highest: int) -> str:
    """What shear and rotary inertia, which the witness leaves out, do to the highest number."""
    lower = "real beams run lower than Euler-Bernoulli theory at high modes (shear, rotary inertia, a yielding clamp)"
    if beam.thickness is None or beam.length is None:
        return lower
    ratio = timoshenko_ratio(beam.boundary, highest, beam.thickness.si / beam.length.si, fit.tip_mass_ratio)
    taken = f"about {100 * (1 - ratio):.2g} % (Timoshenko, solid section)"
    return f"{lower}; at mode {highest} shear and rotary inertia take {taken}"


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
    found.append(warning(_where(job, above), _gap_text(axis, sorted(numbers), gap, expected, modes)))
    if fit is None or job.specimen.beam is None:
        return modes
    missing = [_missing(job.specimen.beam, runs, axis, number, fit, modes) for number in gap]
    return sorted([*modes, *missing], key=lambda mode: mode.place_hz)


def _gap_text(
    axis: str | None, numbers: list[int], gap: list[int], expected: dict[int, float], modes: Sequence[Mode]
) -> str:
    seen = _runs_of_numbers(numbers)
    missing = ", ".join(_gap_words(n, expected.get(n), modes) for n in gap)
    of_axis = f" of axis {axis}" if axis is not None else ""
    word = "is" if len(gap) == 1 else "are"
    return f"modes{of_axis} seen: {seen}; missing {word} {missing}: look there again, or say why not"


def _gap_words(number: int, expected_hz: float | None, modes: Sequence[Mode]) -> str:
    if expected_hz is None:
        return str(number)
    near = "".join(f", where {hz:.4g} Hz stands without number" for hz in _may_be(modes, expected_hz)[:1])
    return f"{number} (expected near {expected_hz:.4g} Hz{near})"


def _runs_of_numbers(numbers: list[int]) -> str:
    """1, 2, 3, 9 as "1 to 3, 9"."""
    parts: list[list[int]] = []
    for number in numbers:
        if parts and number == parts[-1][-1] + 1:
            parts[-1].append(number)
        else:
            parts.append([number])
    return ", ".join(str(p[0]) if len(p) == 1 else f"{p[0]} to {p[-1]}" for p in parts)


def _may_be(modes: Sequence[Mode], expected_hz: float) -> list[float]:
    """Unnumbered bending or unnamed motion near an expected frequency."""
    apart = (MotionKind.TORSION, MotionKind.AXIAL)
    unnumbered = [mode.place_hz for mode in modes if mode.mode is None and mode.motion not in apart]
    return [hz for hz in unnumbered if abs(hz / expected_hz - 1.0) <= DOUBTFUL_RESIDUAL]


def _missing(
    beam: Beam, runs: Sequence[RunResult], axis: str | None, number: int, fit: Fit, modes: Sequence[Mode]
) -> Mode:
    expected_hz = fit.expected_hz(number)
    flags = [f"missing: nothing seen has this number; expected near {expected_hz:.4g} Hz by beam theory"]
    swept = [run.sweep for run in runs if run.sweep is not None and axis in (None, run.axis)]
    if swept and not any(each.lowest_hz <= expected_hz <= each.highest_hz for each in swept):
        low, high = min(each.lowest_hz for each in swept), max(each.highest_hz for each in swept)
        flags.append(f"outside what was swept ({low:.4g} to {high:.4g} Hz)")
    flags += [f"the unnumbered mode at {hz:.4g} Hz may be it" for hz in _may_be(modes, expected_hz)]
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
