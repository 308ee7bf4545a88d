"""A realistic report to draw pages from: the sensor boom of a harbour crane's monitoring unit.

Curves are the textbook steady-state sum of modes (one pole each); nothing here checks physics, only pages.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

import numpy as np
from PIL import Image

from reportgen.judge.checks import CHECKS
from reportgen.records.finding import note as finding_note
from reportgen.records.finding import warning
from reportgen.records.job import (
    Beam,
    Boundary,
    Breakpoint,
    Channel,
    ChannelRole,
    ControlStrategy,
    Correction,
    DecisionRule,
    Environment,
    Exciter,
    Inspection,
    Instrument,
    Job,
    Party,
    Person,
    Photo,
    Profile,
    ReportIdentity,
    Requirement,
    RunKind,
    RunPlan,
    Specimen,
    SweepRate,
    ToleranceBand,
    TrackingFilter,
)
from reportgen.records.message import Amount, Message, message
from reportgen.records.note import LevelChanged, NodesSeen, Note, Remark, StrobeSeen
from reportgen.records.report import Amendment, Change, InputFile, Report, RunShift
from reportgen.records.result import (
    BeamFit,
    ChannelResult,
    ControlResult,
    DecayCurve,
    DwellResult,
    ExciterUse,
    IssueKind,
    Mode,
    ModePicture,
    NotchResult,
    NotJudged,
    NotJudgedCause,
    Observed,
    QualityIssue,
    Resonance,
    RunResult,
    SweepFacts,
)
from reportgen.records.stretch import Direction
from reportgen.records.verdict import Evidence, Outcome, Verdict
from reportgen.units import STANDARD_GRAVITY as G
from reportgen.units import parse_quantity

MODES = ((1, 18.42, 61.0, 1.566), (2, 117.43, 38.1, -0.868), (3, 331.8, 44.0, 0.509), (4, 655.2, 52.0, -0.364))
"""(mode number, Hz, Q, participation at the tip)."""
EXPECTED = (18.40, 117.9, 332.5, 654.0, 1083.0, 1620.0, 2263.0)
ROOTS = (1.8012, 4.5588, 7.655, 10.741, 13.823, 16.905, 19.98)


def _transmissibility(f: np.ndarray, shift: float = 1.0, at: float = 1.0) -> np.ndarray:
    total = np.ones_like(f, dtype=complex)
    for _, fn, q, part in MODES:
        r = f / (fn * shift)
        total = total + part * at * r**2 / (1 - r**2 + 1j * r / q)
    return total


def _channel(
    name: str, f: np.ndarray, at: float, shift: float, seed: int, flags: tuple[str, ...] = ()
) -> ChannelResult:
    noise = np.random.default_rng(seed)
    steady = _transmissibility(f, shift, at)
    recorded = steady * (1 + 0.01 * noise.standard_normal(len(f))) + 0.004 * noise.standard_normal(len(f))
    return ChannelResult(
        id=name,
        frequency_hz=f,
        magnitude=np.abs(np.interp(f * 0.997, f, np.abs(recorded)) * 0.96),
        phase_deg=np.degrees(np.angle(recorded)),
        fitted=np.abs(steady),
        resonances=tuple(_resonance(*mode, shift=shift, at=at) for mode in MODES),
        noise_floor=0.006,
        flags=flags,
    )


def _resonance(number: int, fn: float, q: float, part: float, *, shift: float, at: float) -> Resonance:
    top = float(np.abs(_transmissibility(np.array([fn * shift]), shift, at))[0])
    eta = 0.0115525 * q**2 * 2.0 / fn
    reduction = max(0.55, 1 - 0.05 * eta)
    seen = Observed(
        peak_hz=fn * shift * (1 + 0.25 * eta / q),
        amplification=top * reduction,
        response_mps2=top * reduction * 49.0,
        half_power_q=None if number == 4 else q * (1 - 0.1 * min(eta, 4)),
        half_power_reason=said("the curve does not fall to half power above the peak") if number == 4 else None,
        sweep_reduction=reduction,
        sweep_parameter=eta,
        fastest_rate=2.0 * 0.8286 / eta,
    )
    return Resonance(
        frequency_hz=fn * shift,
        frequency_std_hz=fn * 1.7e-4,
        q=q,
        q_std=0.011 * q,
        damping_ratio=0.5 / q,
        amplification=top,
        amplification_std=0.0125 * top,
        amplification_std_fit=0.006 * top,
        amplification_std_calibration=0.011 * top,
        phase_deg=-91.0 if part > 0 else 88.6,
        observed=seen,
        mode=number,
    )


def _profile() -> Profile:
    def acceleration(hz: float, g: float) -> Breakpoint:
        return Breakpoint(frequency_hz=hz, amplitude=g * G, dimension="acceleration", text=(f"{hz:g} Hz", f"{g:g} g"))

    def stroke(hz: float, mm: float) -> Breakpoint:
        return Breakpoint(
            frequency_hz=hz, amplitude=mm * 1e-3, dimension="displacement", text=(f"{hz:g} Hz", f"{mm:g} mm")
        )

    return Profile(
        id="QUALIFICATION",
        breakpoints=(stroke(5, 5), stroke(17.3, 5), acceleration(17.3, 6), acceleration(2000, 6)),
        sweep_rate=SweepRate(value=2.0, unit="oct/min", text="2 oct/min"),
        tolerance=(ToleranceBand(lower_db=-0.915, upper_db=0.828, text="10 %"),),
        abort=(ToleranceBand(lower_db=-6.0, upper_db=3.0, text="-6 dB, +3 dB"),),
        source="Test specification TS-88, 7.3",
    )


def _survey() -> Profile:
    return Profile(
        id="SURVEY",
        breakpoints=(
            Breakpoint(frequency_hz=5, amplitude=0.5 * G, dimension="acceleration", text=("5 Hz", "0.5 g")),
            Breakpoint(frequency_hz=2000, amplitude=0.5 * G, dimension="acceleration", text=("2000 Hz", "0.5 g")),
        ),
        sweep_rate=SweepRate(value=2.0, unit="oct/min", text="2 oct/min"),
        tolerance=(ToleranceBand(lower_db=-0.915, upper_db=0.828, text="10 %"),),
        source="Test specification TS-88, 7.2",
    )


def _control(f: np.ndarray, level: np.ndarray, seed: int, dip: bool) -> ControlResult:
    noise = np.random.default_rng(seed)
    control = level * (1 + 0.012 * noise.standard_normal(len(f)))
    if dip:
        control = control * (1 + 0.14 * np.exp(-(((np.log(f / 116.0)) / 0.02) ** 2)))
    deviation = 20 * np.log10(control / level)
    worst = int(np.argmax(np.abs(deviation)))
    outside = np.flatnonzero((deviation > 0.828) | (deviation < -0.915))
    return ControlResult(
        frequency_hz=f,
        level=control,
        required=level,
        lower=level * 0.9,
        upper=level * 1.1,
        abort_lower=level * 10 ** (-6 / 20),
        abort_upper=level * 10 ** (3 / 20),
        deviation_db=deviation,
        worst_deviation_db=float(deviation[worst]),
        at_hz=float(f[worst]),
        outside_bands=((float(f[outside[0]]), float(f[outside[-1]])),) if len(outside) else (),
        outside_share=len(outside) / len(f),
        channels=("C1", "C2"),
        strategy=ControlStrategy.AVERAGE,
        notches=(
            NotchResult(
                channel="A1",
                from_hz=110.0,
                to_hz=130.0,
                limit=150 * G,
                dimension="acceleration",
                text="150 g",
                highest=147.3 * G,
                at_hz=117.1,
                lowest_control_db=-2.4,
            ),
        )
        if dip
        else (),
        not_judged_bands=(NotJudged(from_hz=17.1, to_hz=17.5, cause=NotJudgedCause.JUMP),) if dip else (),
    )


def _run(run_id: str, kind: str, points: int, *, axis: str = "X", shift: float = 1.0, seed: int = 1) -> RunResult:
    f = np.geomspace(5.0, 2000.0, points)
    level = np.full_like(f, 0.5 * G)
    if kind == "sweep":
        level = np.minimum((2 * np.pi * f) ** 2 * 5e-3, 6 * G)
    return RunResult(
        id=run_id,
        kind=kind,
        axis=axis,
        sweep=SweepFacts(
            direction=Direction.UP,
            first_hz=5.0,
            last_hz=2000.0,
            lowest_hz=5.0,
            highest_hz=2000.0,
            rows=points,
            rate=2.003,
            rate_unit="oct/min",
            duration_s=259.1,
            cycles=86310.0,
            rate_from=1.98,
            rate_to=2.02,
            level_steps=((12.0, -6.0),) if run_id == "X-PRE" else (),
        ),
        control=_control(f, level, seed, kind == "sweep"),
        channels=(_channel("A1", f, 1.0, shift, seed), _channel("A2", f, 0.42, shift, seed + 50)),
        quality=(
            QualityIssue(
                kind=IssueKind.LOOSE_SENSOR,
                message=said("the response jumps by 8 dB and scatters from 702 Hz on; A2 carries no verdict above it"),
                channel="A2",
                band_hz=(702.0, 2000.0),
                spoils=True,
            ),
        )
        if run_id == "X-POST"
        else (),
        method=said("Poles fitted to the swept response of all channels together; residues per channel."),
    )


def _decay(points: int) -> RunResult:
    t = np.linspace(0, 2.5, min(points, 5000))
    f, q = 18.31, 60.2
    envelope = 0.8 * G * np.exp(-np.pi * f / q * t)
    return RunResult(
        id="X-DECAY",
        kind="decay",
        axis="X",
        sweep=None,
        control=None,
        channels=(
            ChannelResult(
                id="A1",
                frequency_hz=np.array([]),
                magnitude=np.array([]),
                phase_deg=None,
                resonances=(
                    Resonance(
                        frequency_hz=f,
                        frequency_std_hz=0.012,
                        q=q,
                        q_std=0.8,
                        damping_ratio=0.5 / q,
                        mode=1,
                        decrement=0.0522,
                        reasons=(("amplification", said("a free decay has no control")),),
                    ),
                ),
            ),
        ),
        decay=(
            DecayCurve(
                channel="A1", time_s=t, response=envelope * np.cos(2 * np.pi * f * t), envelope=envelope, unit="m/s²"
            ),
        ),
        method=said("Damped sinusoid fitted to the free decay after 0.05 s."),
    )


def _dwell() -> RunResult:
    t = np.linspace(0.0, 1800.0, 400)
    f = np.full_like(t, 18.41)
    return RunResult(
        id="X-DWELL",
        kind="dwell",
        axis="X",
        sweep=SweepFacts(
            direction=Direction.HOLD,
            first_hz=18.42,
            last_hz=18.37,
            lowest_hz=18.35,
            highest_hz=18.44,
            rows=1800,
            rate=None,
            rate_unit="oct/min",
            rate_reason=message("sweep.held"),
            duration_s=1800.0,
            cycles=33150.0,
        ),
        control=ControlResult(
            frequency_hz=f,
            level=3.0 * G * (1 + 0.004 * np.sin(t / 40)),
            required=None,
            lower=None,
            upper=None,
            reason=message("run.no-profile"),
            channels=("C1", "C2"),
            time_s=t,
            time_at_level_s=1800.0,
        ),
        channels=(
            ChannelResult(
                id="A1",
                frequency_hz=f,
                magnitude=93.0 - t / 900,
                phase_deg=-88.0 - 2.4 * t / 1800,
                time_s=t,
            ),
        ),
        dwell=DwellResult(
            frequency_hz=18.41,
            frequency_from_hz=18.35,
            frequency_to_hz=18.44,
            duration_s=1800.0,
            cycles=33150.0,
            level_mps2=3.0 * G,
            level_drift_db=0.1,
            phase_drift_deg=2.4,
            response_drift_db=-0.3,
            build_up=0.991,
            channel="A1",
        ),
        method=said("Counted from the drive's own phase."),
    )


def _job(folder: Path, language: str, paper: str, rule: DecisionRule) -> Job:
    instruments = tuple(
        Instrument(
            id=i,
            kind=kind,
            manufacturer=maker,
            model=model,
            serial=serial,
            calibrated=date(2025, 9, 2),
            due=date(2026, 9, 1),
            expanded_uncertainty=parse_quantity(u) if u else None,
            certificate=certificate,
        )
        for i, kind, maker, model, serial, u, certificate in (
            ("ACC-07", "accelerometer", "Meridian Sensors", "MS-352", "40117", "1.5 %", "CAL-25-0917"),
            ("ACC-08", "accelerometer", "Meridian Sensors", "MS-352", "40118", "1.5 %", "CAL-25-0918"),
            ("ACC-11", "accelerometer", "Meridian Sensors", "MS-107", "2209", "2 %", "CAL-25-0921"),
            ("ACC-12", "accelerometer", "Meridian Sensors", "MS-107", "2214", "2 %", "CAL-25-0922"),
            ("STR-02", "stroboscope", "Lumen Works", "LW-9", "118", None, None),
        )
    )
    channels = (
        Channel(
            id="C1", role=ChannelRole.CONTROL, location="fixture, left of the clamp", direction="X", instrument="ACC-07"
        ),
        Channel(
            id="C2",
            role=ChannelRole.CONTROL,
            location="fixture, right of the clamp",
            direction="X",
            instrument="ACC-08",
        ),
        Channel(
            id="A1",
            role=ChannelRole.RESPONSE,
            location="head mass at the tip",
            direction="X",
            instrument="ACC-11",
            position=parse_quantity("420 mm"),
        ),
        Channel(
            id="A2",
            role=ChannelRole.RESPONSE,
            location="middle of the boom",
            direction="X",
            instrument="ACC-12",
            position=parse_quantity("231 mm"),
        ),
    )

    def plan(run_id: str, kind: RunKind, log: str, profile: str | None, hour: int) -> RunPlan:
        return RunPlan(
            id=run_id,
            kind=kind,
            log=Path(log),
            axis="X",
            started=datetime(2026, 3, 12, hour, 14),
            profile=profile,
            tracking_filter=TrackingFilter(bandwidth_hz=10.0, text="10 Hz"),
            remark="Level turned down by hand before the first resonance." if run_id == "X-PRE" else None,
        )

    return Job(
        folder=folder,
        file=folder / "job.toml",
        report=ReportIdentity(
            number="VTR-0147",
            title="Sine vibration qualification of a sensor boom",
            date=date(2026, 3, 20),
            language=language,
            paper=paper,
            decision_rule=rule,
            standard="IEC 60068-2-6:2007",
            distribution=("Northquay Handling Ltd, R. Imhof (1)", "Laboratory archive (1)"),
            opinions=(
                "The rise of control at 116 Hz follows the second resonance and is not a fault of the specimen.",
            ),
        ),
        laboratory=Party(
            name="Breakwater Vibration Laboratory",
            address="4 Pier Road, 20457 Hafenstadt",
            location="Hall 2, exciter 1",
            contact="lab@breakwater.example",
            accreditation="TL-0000 (sample)",
        ),
        customer=Party(
            name="Northquay Handling Ltd",
            address="18 Crane Street, 20539 Hafenstadt",
            reference="PO 4711-26",
            contact="R. Imhof",
        ),
        specimen=Specimen(
            name="Sensor boom, crane monitoring unit",
            part_number="NQ-2201-B",
            serial_number="0034",
            mass=parse_quantity("1.24 kg"),
            received=date(2026, 3, 9),
            condition="new, no visible damage",
            description="Slender aluminium arm with a wind and load sensor head at its free end.",
            mounting="root clamped to an aluminium fixture with four M8 screws",
            torque="22 N·m, checked after each run",
            beam=Beam(
                boundary=Boundary.CLAMPED_FREE,
                length=parse_quantity("420 mm"),
                mass=parse_quantity("1.1 kg"),
                tip_mass=parse_quantity("0.14 kg"),
            ),
        ),
        environment=Environment(temperature="23 °C ± 2 °C", humidity="45 % rh", pressure="1013 hPa"),
        persons=(
            Person(role="Test engineer", name="T. Albers"),
            Person(role="Reviewed by", name="M. Okafor"),
            Person(role="Authorised by", name="Dr. H. Lindqvist"),
        ),
        instruments=instruments,
        channels=channels,
        photos=(
            Photo(file=Path("photos/setup.jpg"), caption="Boom on the fixture, seen from the hall; A1 at the tip."),
            Photo(file=Path("photos/clamp.png"), caption="Clamp with the two control accelerometers C1 and C2."),
        ),
        inspections=(
            Inspection(when="2026-03-12 before the runs", what="visual, screws, cable", result="pass"),
            Inspection(
                when="2026-03-12 after X-POST",
                what="visual, screws, cable",
                result="pass",
                remark="fretting marks at the clamp, cosmetic",
            ),
        ),
        profiles=(_survey(), _profile()),
        runs=(
            plan("X-PRE", RunKind.SURVEY, "logs/x_pre.csv", "SURVEY", 9),
            plan("X-QUAL", RunKind.SWEEP, "logs/x_qual.csv", "QUALIFICATION", 10),
            plan("X-DWELL", RunKind.DWELL, "logs/x_dwell.csv", None, 11),
            plan("X-POST", RunKind.SURVEY, "logs/x_post.csv", "SURVEY", 13),
            plan("X-DECAY", RunKind.DECAY, "logs/x_decay.csv", None, 14),
        ),
        requirements=(
            Requirement(
                id="R1",
                check="control tolerance",
                run="X-QUAL",
                clause="7.3.1",
                source="TS-88",
                text="Control shall stay within 10 % of the profile.",
            ),
            Requirement(
                id="R2",
                check="lowest natural frequency",
                axis="X",
                clause="5.2",
                source="TS-88",
                text="No natural frequency below 15 Hz.",
                limit=parse_quantity("15 Hz"),
            ),
            Requirement(
                id="R3",
                check="frequency shift",
                before="X-PRE",
                after="X-POST",
                clause="7.4.2",
                source="TS-88",
                text="No natural frequency shall shift by more than 5 % between the surveys before and after the test.",
                limit=parse_quantity("5 %"),
            ),
            Requirement(
                id="R4",
                check="amplification",
                run="X-PRE",
                clause="5.3",
                source="TS-88",
                text="Amplification shall not exceed 100.",
                limit=parse_quantity("100 1"),
            ),
            Requirement(
                id="R5",
                check="dwell duration",
                run="X-DWELL",
                clause="7.3.4",
                source="TS-88",
                text="Dwell at the first resonance for at least 30 minutes.",
                limit=parse_quantity("30 min"),
            ),
            Requirement(id="R6", check="calibration", clause="6.1", source="TS-88", text="Every instrument in date."),
            Requirement(id="R7", check="inspection", clause="7.5", source="TS-88", text="No damage visible."),
            Requirement(
                id="R8",
                check="amplification shift",
                before="X-PRE",
                after="X-POST",
                channel="A2",
                clause="7.4.3",
                source="TS-88",
                text="Amplification at A2 shall not change by more than 20 %.",
                limit=parse_quantity("20 %"),
            ),
        ),
        corrections=(
            Correction(
                run="X-PRE", channel="A1", frequency_hz=50.0, action="reject", reason="mains pick-up", by="T. Albers"
            ),
        ),
        exciter=Exciter(
            name="EX-1",
            force=parse_quantity("10 kN"),
            stroke=parse_quantity("51 mm"),
            velocity=parse_quantity("1.8 m/s"),
            acceleration=parse_quantity("100 g"),
            moving_mass=parse_quantity("21 kg"),
        ),
        notes_files=(Path("notes.txt"),),
    )


def _within(measured: float, limit: float) -> Message:
    return message("judge.within", measured=Amount(measured, "dB", limit), limit=Amount(limit, "dB"))


def _at_least(measured: float, limit: float, unit: str) -> Message:
    return message("judge.at-least", measured=Amount(measured, unit, limit), limit=Amount(limit, unit))


def _at_most(measured: float, limit: float, unit: str = "") -> Message:
    return message("judge.at-most", measured=Amount(measured, unit, limit), limit=Amount(limit, unit))


def _lowest(run: str) -> Message:
    return message("judge.lowest", channel="A1", run=run)


def _fell(before_hz: float, after_hz: float) -> Message:
    where = message("judge.shift-place-of-mode", frequency_hz=before_hz, channel="A1", mode=1)
    return message("judge.frequency-fell", where=where, before_hz=before_hz, after_hz=after_hz)


def _changed() -> Message:
    where = message("judge.shift-place-of-mode", frequency_hz=117.4, channel="A2", mode=2)
    return message("judge.amplification-rose-by", where=where)


def _amplification() -> Message:
    return message("judge.amplification", frequency_hz=18.42, channel="A1", run="X-PRE")


def _dwelt() -> Message:
    return message("judge.dwell", run="X-DWELL", frequency_hz=18.41, low_hz=18.40, high_hz=18.42)


def _verdicts() -> tuple[Verdict, ...]:
    proofs = {each.name: each.proved_by for each in CHECKS}

    def verdict(
        requirement: str, check: str, clause: str, text: str, outcome: Outcome, reason: Message, **more: object
    ) -> Verdict:
        return Verdict(
            requirement=requirement,
            check=check,
            clause=clause,
            text=text,
            outcome=outcome,
            reason=(reason,),
            proved_by=proofs[check],
            **more,
        )

    return (
        verdict(
            "R1",
            "control tolerance",
            "7.3.1",
            "Control shall stay within 10 % of the profile.",
            Outcome.FAIL,
            message("judge.control-deviates", run="X-QUAL", frequency_hz=116.1, held=_within(1.138, 0.828)),
            measured=1.138,
            limit=0.828,
            limit_low=-0.915,
            unit="dB",
            run="X-QUAL",
            bands_hz=((114.2, 117.9),),
            evidence=(
                Evidence(
                    text=message("judge.control-deviation", run="X-QUAL", frequency_hz=116.1),
                    run="X-QUAL",
                    frequency_hz=116.1,
                    measured=1.138,
                    unit="dB",
                ),
            ),
        ),
        verdict(
            "R2",
            "lowest natural frequency",
            "5.2",
            "No natural frequency below 15 Hz.",
            Outcome.PASS,
            message("judge.lowest-held", what=_lowest("X-DECAY"), held=_at_least(18.31, 15.0, "Hz")),
            measured=18.31,
            limit=15.0,
            at_most=False,
            unit="Hz",
            expanded_uncertainty=0.024,
            coverage_factor=1.96,
            run="X-DECAY",
            evidence=(
                Evidence(
                    text=_lowest("X-DECAY"),
                    run="X-DECAY",
                    channel="A1",
                    mode=1,
                    frequency_hz=18.31,
                    measured=18.31,
                    unit="Hz",
                ),
                Evidence(
                    text=_lowest("X-PRE"),
                    run="X-PRE",
                    channel="A1",
                    mode=1,
                    frequency_hz=18.42,
                    measured=18.42,
                    unit="Hz",
                ),
            ),
        ),
        verdict(
            "R3",
            "frequency shift",
            "7.4.2",
            "No natural frequency shall shift by more than 5 % between the surveys before and after the test.",
            Outcome.PASS,
            message("judge.moved-by", what=_fell(18.42, 18.32), held=_at_most(0.56, 5.0, "%")),
            measured=0.56,
            limit=5.0,
            unit="%",
            expanded_uncertainty=0.07,
            coverage_factor=1.96,
            false_acceptance=0.0,
            run="X-POST",
            evidence=(
                Evidence(
                    text=_fell(18.42, 18.32),
                    run="X-POST",
                    channel="A1",
                    mode=1,
                    frequency_hz=18.32,
                    measured=0.56,
                    unit="%",
                ),
            ),
        ),
        verdict(
            "R4",
            "amplification",
            "5.3",
            "Amplification shall not exceed 100.",
            Outcome.CONDITIONAL_PASS,
            message("judge.amplification-is", what=_amplification(), held=_at_most(95.6, 97.0)),
            measured=95.6,
            limit=97.0,
            unit="",
            expanded_uncertainty=2.4,
            coverage_factor=1.96,
            false_acceptance=0.127,
            run="X-PRE",
            evidence=(
                Evidence(text=_amplification(), run="X-PRE", channel="A1", mode=1, frequency_hz=18.42, measured=95.6),
            ),
        ),
        verdict(
            "R5",
            "dwell duration",
            "7.3.4",
            "Dwell at the first resonance for at least 30 minutes.",
            Outcome.PASS,
            message("judge.dwell-held", what=_dwelt(), held=_at_least(1800.0, 1800.0, "s")),
            measured=1800.0,
            limit=1800.0,
            at_most=False,
            unit="s",
            run="X-DWELL",
            evidence=(
                Evidence(text=_dwelt(), run="X-DWELL", channel="A1", frequency_hz=18.41, measured=1800.0, unit="s"),
            ),
        ),
        verdict(
            "R6",
            "calibration",
            "6.1",
            "Every instrument in date.",
            Outcome.NOT_EVALUATED,
            message("judge.instrument-without-calibrated", instrument="STR-02"),
        ),
        verdict(
            "R7",
            "inspection",
            "7.5",
            "No damage visible.",
            Outcome.PASS,
            message("judge.all-inspections", inspections=2),
        ),
        verdict(
            "R8",
            "amplification shift",
            "7.4.3",
            "Amplification at A2 shall not change by more than 20 %.",
            Outcome.CONDITIONAL_FAIL,
            message("judge.moved-by", what=_changed(), held=_at_most(20.4, 20.0, "%")),
            measured=20.4,
            limit=20.0,
            unit="%",
            expanded_uncertainty=1.8,
            coverage_factor=1.96,
            run="X-POST",
            evidence=(
                Evidence(
                    text=_changed(), run="X-POST", channel="A2", mode=2, frequency_hz=117.1, measured=20.4, unit="%"
                ),
            ),
        ),
    )


def _notes() -> tuple[Note, ...]:
    lines: tuple[tuple[str, str | None, tuple], ...] = (
        ("12.03.2026 09:10  Torque 22 Nm checked, cables strain-relieved. Hall 23 °C.", None, ()),
        ("X-PRE  level -6 dB before first resonance, tip moves a lot", "X-PRE", (LevelChanged(by_db=-6.0),)),
        ("X-PRE  18.4 Hz: no nodes", "X-PRE", (NodesSeen(frequency_hz=18.4, count=0),)),
        ("X-PRE  117 Hz: 1 node at 0.77 L", "X-PRE", (NodesSeen(frequency_hz=117, count=1, positions=(0.77,)),)),
        (
            "X-PRE  332 Hz: 2 nodes, nodes at 212 mm, 366 mm",
            "X-PRE",
            (NodesSeen(frequency_hz=332, count=2, positions=(0.212, 0.366), position_unit="m"),),
        ),
        ("X-PRE  655 Hz: 3 nodes", "X-PRE", (NodesSeen(frequency_hz=655, count=3),)),
        ("X-PRE  1081 Hz: 4 nodes, granules only, < 1 g on A1", "X-PRE", (NodesSeen(frequency_hz=1081, count=4),)),
        ("X-PRE  1617 Hz: 5 nodes, granules only", "X-PRE", (NodesSeen(frequency_hz=1617, count=5),)),
        ("strobe 17.4 Hz, appears at 1 Hz", "X-PRE", (StrobeSeen(flash_hz=17.4, apparent_hz=1.0),)),
        (
            "observation: fine rattle near 700 Hz from the cable clip at A2",
            None,
            (Remark(heading="observation", text="fine rattle near 700 Hz from the cable clip at A2"),),
        ),
        (
            "deviation: survey after the test started 40 min late (exciter cooling)",
            None,
            (Remark(heading="deviation", text="survey after the test started 40 min late (exciter cooling)"),),
        ),
        ("node nr the head mass hard to see", None, ()),
    )
    return tuple(
        Note(
            source="notes.txt",
            line=i + 1,
            text=text,
            run=run,
            facts=facts,
            unread=(said("'node nr' was not understood; write '117 Hz: 1 node at 0.77 L'"),)
            if "node nr" in text
            else (),
        )
        for i, (text, run, facts) in enumerate(lines)
    )


def _modes() -> tuple[Mode, ...]:
    logged = tuple(
        Mode(
            axis="X",
            mode=n,
            nodes=n - 1,
            frequency_hz=f,
            frequency_std_hz=f * 1.7e-4,
            q=q,
            damping_ratio=0.5 / q,
            seen_in=("log", "notes"),
            runs=("X-PRE", "X-POST"),
            channels=("A1", "A2"),
            node_positions={2: (0.77,), 3: (0.505, 0.871)}.get(n, ()),
            expected_positions=_nodes(n),
            expected_hz=EXPECTED[n - 1],
            residual=f / EXPECTED[n - 1] - 1,
            notes=(f"notes.txt:{n + 2}",),
        )
        for n, f, q, _ in MODES
    )
    granules = tuple(
        Mode(
            axis="X",
            mode=n,
            nodes=n - 1,
            frequency_hz=f,
            seen_in=("notes",),
            expected_hz=EXPECTED[n - 1],
            residual=f / EXPECTED[n - 1] - 1,
            expected_positions=_nodes(n),
            notes=(f"notes.txt:{n + 2}",),
            flags=(said("seen by granules only"),),
        )
        for n, f in ((5, 1081.0), (6, 1617.0))
    )
    gap = Mode(
        axis="X",
        mode=7,
        nodes=None,
        frequency_hz=None,
        expected_hz=EXPECTED[6],
        missing=True,
        flags=(said("nothing seen"),),
    )
    return (*logged, *granules, gap)


def _shape(n: int, x: np.ndarray) -> np.ndarray:
    """Clamped-free bending shape from its root βL (elementary beam theory), largest magnitude 1."""
    b = (1.87510407, 4.69409113, 7.85475744, 10.99554073, 14.13716839, 17.27875953, 20.42035225)[n - 1]
    sigma = (np.sinh(b) - np.sin(b)) / (np.cosh(b) + np.cos(b))
    y = np.cosh(b * x) - np.cos(b * x) - sigma * (np.sinh(b * x) - np.sin(b * x))
    return y / np.abs(y).max()


def _nodes(n: int) -> tuple[float, ...]:
    x = np.linspace(0.02, 1, 4001)
    y = _shape(n, x)
    return tuple(float(x[i]) for i in np.flatnonzero(np.sign(y[1:]) != np.sign(y[:-1])))


def _antinodes(n: int) -> tuple[float, ...]:
    x = np.linspace(0.0, 1, 4001)
    y = np.abs(_shape(n, x))
    inner = (float(x[i]) for i in range(1, len(x) - 1) if y[i] > y[i - 1] and y[i] >= y[i + 1])
    return (*inner, 1.0)


def _pictures() -> tuple[ModePicture, ...]:
    x = np.linspace(0, 1, 201)
    seen = {2: (0.77,), 3: (0.505, 0.871)}
    return tuple(
        ModePicture(
            axis="X",
            mode=n,
            x=x,
            shape=_shape(n, x),
            frequency_hz=(*[m[1] for m in MODES], 1081.0, 1617.0)[n - 1],
            nodes=_nodes(n),
            antinodes=_antinodes(n),
            observed=seen.get(n, ()),
            sensors=(("A1", 1.0), ("A2", 0.55)),
        )
        for n in range(1, 7)
    )


def write_photos(folder: Path) -> None:
    """Two small pictures, so that the job folder is whole."""
    photos = folder / "photos"
    photos.mkdir(parents=True, exist_ok=True)
    x, y = np.meshgrid(np.linspace(0, 1, 900), np.linspace(0, 1, 600))
    scene = np.stack([150 + 60 * y, 160 + 40 * y, 170 + 30 * (1 - y)], axis=2)
    scene[(np.abs(y - 0.45) < 0.03) & (x > 0.2)] = (70, 74, 80)
    scene[(x < 0.24) & (np.abs(y - 0.45) < 0.2)] = (40, 44, 50)
    Image.fromarray(scene.astype(np.uint8)).save(photos / "setup.jpg", quality=80)
    Image.fromarray(scene[:, ::-1].astype(np.uint8)).save(photos / "clamp.png")


def said(text):
    """A text as a message that is printed letter for letter."""
    return message("as-written", text=text)


def _change(what, before, after):
    """A change whose place and values are words of the laboratory."""
    return Change(what=said(what), before=said(before), after=said(after))


def sample_report(
    folder: Path,
    *,
    language: str = "en",
    paper: str = "A4",
    points: int = 4000,
    rule: DecisionRule = DecisionRule.GUARDED,
    amended: bool = False,
) -> Report:
    """The whole report. ``points`` rows a sweep; photos are written below ``folder``."""
    write_photos(folder)
    job = _job(folder, language, paper, rule)
    runs = (
        _run("X-PRE", "survey", points, seed=1),
        _run("X-QUAL", "sweep", points, shift=0.997, seed=2),
        _dwell(),
        _run("X-POST", "survey", points, shift=0.9944, seed=3),
        _decay(points),
    )
    shifts = tuple(
        RunShift(
            before="X-PRE",
            after="X-POST",
            channel="A1",
            before_hz=f,
            after_hz=f * 0.9944,
            frequency_shift=-0.0056,
            frequency_shift_std=0.00036,
            amplification_shift=0.031 * n,
            amplification_shift_std=0.009,
            mode=n,
        )
        for n, f, _, _ in MODES
    )
    inputs = tuple(
        InputFile(path=path, sha256=f"{i + 1:x}".rjust(2, "0") * 32, bytes=120_000 + 977 * i)
        for i, path in enumerate(
            ("job.toml", "notes.txt", *(str(run.log) for run in job.runs), *(str(photo.file) for photo in job.photos))
        )
    )
    amendment = Amendment(
        number="VTR-0147",
        revision="A",
        sha256="ab" * 32,
        changes=(
            _change("serial number of the specimen", "0043", "0034"),
            _change("mode 2, frequency", "117.40 Hz", "117.43 Hz"),
        ),
    )
    return Report(
        job=replace(job, report=replace(job.report, revision="B")) if amended else job,
        software="reportgen 0.1.0",
        inputs=inputs,
        notes=_notes(),
        runs=runs,
        modes=_modes(),
        beam_fits=(
            BeamFit(
                axis="X",
                boundary="clamped-free",
                scale_hz=18.4,
                tip_mass_ratio=0.127,
                rms_residual=0.0028,
                worst_residual=-0.0040,
                roots=ROOTS,
                alternatives=(("clamped-pinned", 0.31), ("clamped-clamped", 0.42)),
            ),
        ),
        verdicts=_verdicts(),
        overall=Outcome.FAIL,
        findings=(
            warning(
                "logs/x_post.csv:118",
                said("3 rows could not be read and were skipped; expected 7 numbers, found 5"),
            ),
            finding_note(
                "notes.txt:12",
                said("nothing in this line was understood as a fact; it is printed as written"),
            ),
        ),
        shifts=shifts,
        amendment=amendment if amended else None,
        opinions=job.report.opinions,
        pictures=_pictures(),
        exciter=(
            ExciterUse(
                run="X-QUAL",
                quantity="force",
                unit="N",
                rated=10_000.0,
                needed=1310.0,
                needed_at_hz=2000.0,
                used=1420.0,
                used_at_hz=116.1,
            ),
            ExciterUse(
                run="X-QUAL",
                quantity="stroke",
                unit="m",
                rated=0.051,
                needed=0.010,
                needed_at_hz=5.0,
                used=0.0101,
                used_at_hz=5.2,
            ),
            ExciterUse(
                run="X-QUAL",
                quantity="velocity",
                unit="m/s",
                rated=1.8,
                needed=0.543,
                needed_at_hz=17.3,
                used=0.551,
                used_at_hz=17.3,
            ),
            ExciterUse(
                run="X-QUAL",
                quantity="acceleration",
                unit="m/s²",
                rated=980.665,
                needed=58.84,
                needed_at_hz=17.3,
                used=66.0,
                used_at_hz=116.1,
            ),
        ),
    )


def large_report(folder: Path, *, points: int = 20_000, axes: str = "XYZUV") -> Report:
    """The same test along several axes: five axes make more than sixty figures and forty pages."""
    whole = sample_report(folder, points=points)
    runs: list[RunResult] = []
    plans: list[RunPlan] = []
    for axis in axes:
        kept = [run for run in whole.runs if axis == axes[0] or run.kind in ("survey", "sweep")]
        runs += [replace(run, id=run.id.replace("X-", f"{axis}-"), axis=axis) for run in kept]
        plans += [replace(plan, id=plan.id.replace("X-", f"{axis}-"), axis=axis) for plan in whole.job.runs]
    shifts = [
        replace(shift, before=shift.before.replace("X-", f"{axis}-"), after=shift.after.replace("X-", f"{axis}-"))
        for axis in axes
        for shift in whole.shifts
    ]
    return replace(
        whole,
        job=replace(whole.job, runs=tuple(plans)),
        runs=tuple(runs),
        shifts=tuple(shifts),
        modes=tuple(replace(mode, axis=axis) for axis in axes for mode in whole.modes),
        pictures=tuple(replace(picture, axis=axis) for axis in axes for picture in whole.pictures),
        beam_fits=tuple(replace(fit, axis=axis) for axis in axes for fit in whole.beam_fits),
    )
