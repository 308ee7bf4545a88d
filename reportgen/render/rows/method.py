"""Methods and formulas, each with its source and the job's own numbers put in once."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

from reportgen.records.job import DecisionRule, RunKind
from reportgen.records.note import StrobeSeen
from reportgen.records.report import Report
from reportgen.records.result import Quotient
from reportgen.records.rounding import coverage_factor
from reportgen.render.names import anchor
from reportgen.render.rows.language import Language
from reportgen.render.rows.trusted import Trusted, largest_amplification, trusted


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodRow:
    """A formula with its source and an example; ``to`` is where the numbers of that stand."""

    title: str
    formula: tuple[Piece, ...]
    source: str
    text: str
    example: tuple[Piece, ...]
    to: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Part of a formula: plain, ``sub`` or ``sup``."""

    kind: str
    text: str


def methods(report: Report, language: Language) -> list[MethodRow]:
    """Every formula that this report used, in the order of use."""
    return [
        row
        for source in (_sweeps, _responses, _beams, _decays, _criteria, _statements)
        for row in source(report, language)
    ]


def _method(title: str, formula: str, source: str, text: str, example: str = "", to: str = "") -> MethodRow:
    return MethodRow(
        title=title,
        formula=tuple(pieces(formula)),
        source=source,
        text=text,
        example=tuple(pieces(example)),
        to=to,
    )


_SHIFTED = re.compile(r"([_^])(?:\{([^}]*)\}|(\(.*?\)|[^\W²³]+))")
"""An index ends before a square or cube: that is of the whole symbol."""


def pieces(formula: str) -> list[Piece]:
    """A formula cut at its indices and exponents: ``f_n`` and ``2^{x}`` become plain, lowered and raised text.

    >>> [(p.kind, p.text) for p in pieces("a_max² = 2^{t}")]
    [('', 'a'), ('sub', 'max'), ('', '² = 2'), ('sup', 't')]
    """
    result: list[Piece] = []
    done = 0
    for match in _SHIFTED.finditer(formula):
        result.append(Piece(kind="", text=formula[done : match.start()]))
        kind = "sub" if match.group(1) == "_" else "sup"
        result.append(Piece(kind=kind, text=match.group(2) or match.group(3)))
        done = match.end()
    result.append(Piece(kind="", text=formula[done:]))
    return [each for each in result if each.text]


def _sweeps(report: Report, language: Language) -> Iterator[MethodRow]:
    say, numbers = language.say, language.numbers
    run = next((r for r in report.runs if r.sweep is not None and r.sweep.rate is not None), None)
    if run is None or run.sweep is None or run.sweep.rate is None:
        return
    sweep, low, high = run.sweep, run.sweep.lowest_hz, run.sweep.highest_hz
    rate, f1, f2 = numbers.significant(run.sweep.rate, 4), numbers.plain(low, 4), numbers.plain(high, 4)
    if sweep.rate_unit == "oct/min":
        cycles = 60.0 * (high - low) / (run.sweep.rate * math.log(2.0))
        yield _method(
            say("Exponential sweep"),
            "f(t) = f₁ · 2^{R·t/60},   N = 60 (f₂ − f₁) / (R · ln 2)",
            "IEC 60068-2-6:2007; ISO 2041:2018",
            say("R in octaves a minute, t in seconds; N is the number of cycles from f₁ to f₂ at a steady rate."),
            f"N = 60 ({f2} − {f1}) / ({rate} · ln 2) = {numbers.count(cycles)}",
            anchor("run", run.id),
        )
    else:
        cycles = (high**2 - low**2) / (2.0 * run.sweep.rate)
        yield _method(
            say("Linear sweep"),
            "f(t) = f₁ + b·t,   N = (f₂² − f₁²) / (2 b)",
            "ISO 2041:2018",
            say("b in hertz a second; N is the number of cycles from f₁ to f₂ at a steady rate."),
            f"N = ({f2}² − {f1}²) / (2 · {rate}) = {numbers.count(cycles)}",
            anchor("run", run.id),
        )
    yield from _control(report, language)


def _control(report: Report, language: Language) -> Iterator[MethodRow]:
    say, numbers = language.say, language.numbers
    run = next((r for r in report.runs if r.control is not None and r.control.worst_deviation_db is not None), None)
    if run is None or run.control is None or run.control.worst_deviation_db is None:
        return
    ratio = 10 ** (run.control.worst_deviation_db / 20)
    yield _method(
        say("Deviation of control"),
        "ΔL = 20 lg (a_control / a_required)",
        say("definition of the decibel for amplitudes, ISO 80000-1"),
        say("Peak values of the fundamental; where several channels control, of their combination."),
        f"ΔL = 20 lg {numbers.significant(ratio, 4)} = {numbers.signed(run.control.worst_deviation_db, 2)} dB",
        anchor("run", run.id),
    )


def _best(report: Report) -> Trusted | None:
    """The resonance that serves as example: the largest amplification whose damping is known."""
    known = [each for each in trusted(report) if each.resonance.q and each.resonance.damping_ratio]
    return largest_amplification(known)


def _responses(report: Report, language: Language) -> Iterator[MethodRow]:
    say, numbers = language.say, language.numbers
    best = _best(report)
    if best is None:
        return
    run, each = best.run, best.resonance
    to = anchor("row", run.id, best.channel.id, best.number)
    q, zeta = numbers.significant(each.q, 4), numbers.significant(each.damping_ratio, 4)
    over_force = best.channel.quotient is Quotient.ACCELERANCE
    if over_force:
        yield _method(
            say("Accelerance"),
            "A(f) = a_response(f) / F_control(f)",
            "ISO 7626-1:2011",
            say(
                "Acceleration over measured force at the same row, phase relative to the force. Mobility and "
                "receptance are read as the accelerance they mean: times ω and ω²."
            ),
        )
    else:
        yield _method(
            say("Transmissibility"),
            "T(f) = a_response(f) / a_control(f)",
            "ISO 2041:2018",
            say(
                "Response over measured control at the same row; magnitude of a pure ratio, phase relative to control."
            ),
        )
    yield _method(
        say("Modal parameters"),
        "A(ω) = −Σ r_n ω² / (ω_n² − ω² + 2 i ζ_n ω_n ω),   Q = 1 / (2 ζ)"
        if over_force
        else "T(ω) = 1 + Σ r_n ω² / (ω_n² − ω² + 2 i ζ_n ω_n ω),   Q = 1 / (2 ζ)",
        "Ewins, Modal Testing, 2nd ed.",
        say(
            "A sum of single poles is fitted to the swept response; frequency and Q are those of the pole itself. "
            "Amplification is the steady-state magnitude at its own peak and is not Q: it depends on where the sensor "
            "sits."
        ),
        f"Q = 1 / (2 · {zeta}) = {q}",
        to,
    )
    eta = each.observed.sweep_parameter
    if eta is not None and run.sweep is not None and run.sweep.rate is not None:
        rate, hertz = numbers.significant(run.sweep.rate, 4), numbers.significant(each.frequency_hz, 4)
        logarithmic = run.sweep.rate_unit == "oct/min"
        shown = f"{q}² · {rate} · ln 2 / (60 · {hertz})" if logarithmic else f"{q}² · {rate} / {hertz}²"
        yield _method(
            say("Effect of the sweep"),
            "E′ = (s − i φ′(t)) E + A(t),   η = Q² |df/dt| / f²",
            say("first-order envelope of each pole; Lewis, Trans. ASME 54 (1932) 253"),
            say(
                "The envelope equation of each pole is solved along the sweep as it was run. η measures the effect: "
                "a peak is read 1 %% low near η = 0.26 and 5 %% low near η = 0.83."
            ),
            f"η = {shown} = {numbers.significant(eta, 3)}",
            to,
        )
    if any(r.observed.half_power_q is not None for rr in report.runs for c in rr.channels for r in c.resonances):
        yield _method(
            say("Half-power Q, as recorded"),
            "Q_hp = f_r / (f₂ − f₁),   |T(f₁)| = |T(f₂)| = |T(f_r)| / √2",
            "Ewins, Modal Testing, 2nd ed.",
            say(
                "Printed beside the corrected value because many requirements were written for it; a fast sweep reads "
                "it low."
            ),
        )


def _beams(report: Report, language: Language) -> Iterator[MethodRow]:
    say, numbers = language.say, language.numbers
    numbered = [m for m in report.modes if m.mode is not None and m.nodes is not None and not m.missing]
    if numbered:
        last = numbered[-1]
        free = any(fit.boundary == "free-free" for fit in report.beam_fits)
        formula, sign = ("n = nodes − 1", "−") if free else ("n = nodes + 1", "+")
        yield _method(
            say("Mode number from nodes"),
            formula,
            "Blevins, Formulas for Natural Frequency and Mode Shape, table 8-1",
            say("Interior nodes of a beam in bending, supports not counted, seen at the peak of the response."),
            f"n = {last.nodes} {sign} 1 = {last.mode}",
            anchor("mode", last.axis or "all", last.mode),
        )
    fit = next((fit for fit in report.beam_fits if len(fit.roots) > 1), None)
    if fit is not None:
        first, second = (numbers.significant(root, 5) for root in fit.roots[:2])
        value = fit.scale_hz * (fit.roots[1] / fit.roots[0]) ** 2
        yield _method(
            say("Beam theory beside the modes"),
            "f_n = f₁ (z_n / z₁)²;   1 + cos z cosh z + μ z (cos z sinh z − sin z cosh z) = 0",
            "Karnovsky & Lebed, Formulas for Structural Dynamics; Blevins, table 8-1",
            say("A witness for the numbers given from node counts, never a correction of a frequency."),
            f"f₂ = {numbers.significant(fit.scale_hz, 4)} · ({second} / {first})² = {numbers.significant(value, 4)} Hz",
        )
    yield from _strobes(report, language)


def _strobes(report: Report, language: Language) -> Iterator[MethodRow]:
    seen = next((f for n in report.notes for f in n.facts if isinstance(f, StrobeSeen) and f.drive_hz), None)
    if seen is None or not seen.drive_hz:
        return
    times = max(1, round(seen.drive_hz / seen.flash_hz))
    numbers = language.numbers
    drive, flash = numbers.plain(seen.drive_hz), numbers.plain(seen.flash_hz)
    apparent = seen.drive_hz - times * seen.flash_hz
    yield _method(
        language.say("Motion under the strobe"),
        "f_app = f − m · f_flash",
        "ISO 2041:2018",
        language.say(
            "m is the whole number that makes the apparent frequency smallest. A strobe alone never tells it."
        ),
        f"f_app = {drive} − {times} · {flash} = {numbers.plain(apparent, 4)} Hz",
    )


def _decays(report: Report, language: Language) -> Iterator[MethodRow]:
    say, numbers = language.say, language.numbers
    for run in report.runs:
        for channel in run.channels:
            for number, each in enumerate(channel.resonances, start=1):
                if each.decrement is not None:
                    zeta = each.decrement / math.sqrt(4 * math.pi**2 + each.decrement**2)
                    delta = numbers.significant(each.decrement, 4)
                    yield _method(
                        say("Free decay"),
                        "δ = ln(x₀ / x_n) / n,   ζ = δ / √(4π² + δ²)",
                        "Thomson, Theory of Vibration with Applications",
                        say("δ is the logarithmic decrement of successive peaks; drive off."),
                        f"ζ = {delta} / √(4π² + {delta}²) = {numbers.significant(zeta, 4)}",
                        anchor("row", run.id, channel.id, number),
                    )
                    return


def _criteria(report: Report, language: Language) -> Iterator[MethodRow]:
    """When a mode counts as found, each criterion that runs of this report were held to, once."""
    say = language.say
    by_text = {run.criterion: run.kind == RunKind.DECAY for run in report.runs if run.criterion}
    for text, decay in by_text.items():
        yield _method(
            say("When a mode of a free decay counts as found") if decay else say("When a mode counts as found"),
            "P(f) > a · median P" if decay else "Δχ² > χ²_{1−p}(ν),   p = p₀ / n",
            say("in white noise a line exceeds a times the median with probability exp(−a ln 2)")
            if decay
            else say("Wald test of each mode, Bonferroni over the places searched; Bartlett, JRSS Suppl. 8 (1946) 27"),
            language.whole(text),
        )


def _statements(report: Report, language: Language) -> Iterator[MethodRow]:
    say, numbers = language.say, language.numbers
    factor = coverage_factor(report.job.report.confidence)
    k = numbers.decimal(factor, 2)
    best = _best(report)
    example, to = "", ""
    each = best.resonance if best is not None else None
    if best is not None and each is not None and each.amplification_std_fit and each.amplification_std_calibration:
        parts = (each.amplification_std_fit or 0.0, each.amplification_std_calibration or 0.0)
        a, b = (numbers.significant(part, 3) for part in parts)
        total = math.hypot(*parts)
        example = f"u(T) = √({a}² + {b}²) = {numbers.significant(total, 3)},   "
        example += f"U = {k} · u = {numbers.significant(total * factor, 2)}"
        to = anchor("row", best.run.id, best.channel.id, best.number)
    yield _method(
        say("Measurement uncertainty"),
        "u_c² = Σ (c_i u_i)²,   U = k · u_c",
        "JCGM 100:2008 (GUM), 5.1.2, 6.2.1, 7.2.6",
        say(
            "Contributions: fit of the poles to the record, calibration of response and control instruments. Rounding "
            "is for print only; every comparison uses unrounded values."
        ),
        example,
        to,
    )
    if report.job.report.decision_rule is DecisionRule.GUARDED and report.verdicts:
        yield _method(
            say("Decision rule"),
            "w = U,   AL = TL − w",
            "JCGM 106:2012; ILAC-G8:09/2019, 4.2",
            say("TL is the limit of the requirement, AL the limit of acceptance, w the guard band."),
        )
