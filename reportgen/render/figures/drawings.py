"""Which figures a report has: records become plots."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence

import numpy as np

from reportgen.records.job import Job, Profile
from reportgen.records.log import Floats
from reportgen.records.result import (
    Backbone,
    ChannelResult,
    ControlResult,
    DecayCurve,
    ModePicture,
    Resonance,
    RunResult,
)
from reportgen.render.figures.plot import Curve, Mark, Panel, Plot
from reportgen.render.names import anchor, control_unit
from reportgen.render.numbers import Numbers
from reportgen.render.rows.trusted import spoiled
from reportgen.render.words import Words
from reportgen.units import acceleration_amplitude

_EXPANDED = 1.96
"""Coverage factor of 95 %."""
_PHASE_TICKS = (-180.0, 0.0, 180.0)
_MAIN_PANEL, _SECOND_PANEL = 72.0, 28.0
"""Heights in points of the chief panel and of the one below it: four such figures and their captions fill a page."""
_TALL_CONTROL, _TALL_COMPARISON = (88.0, 58.0), 120.0
"""The same where a figure stands for its axis: a control goes below the comparison and table of the axis before, and
responses of three panels share a page with the comparison."""


class Drawings:
    """Makes the plots of one report, in its language."""

    def __init__(self, words: Words, numbers: Numbers) -> None:
        self.words = words
        self.numbers = numbers
        self.say: Callable[..., str] = words.say

    def profile(self, profile: Profile) -> Plot:
        """Required level and its tolerance against frequency."""
        f = _profile_grid(profile)
        level = _profile_level(profile, f)
        symbol, size = control_unit(profile)
        curves = [Curve(key="required", label=self.say("profile"), role="required", x=f, y=level / size, sampled=False)]
        for band in profile.tolerance:
            inside = np.where((f >= band.from_hz) & (f <= band.to_hz), level / size, np.nan)
            for db, column in (
                (band.upper_db, self.say("upper tolerance")),
                (band.lower_db, self.say("lower tolerance")),
            ):
                key, limit = f"tolerance-{len(curves)}", inside * 10 ** (db / 20)
                curves.append(
                    Curve(
                        key=key,
                        label=self.say("tolerance"),
                        role="tolerance",
                        x=f,
                        y=limit,
                        labelled=len(curves) == 1,
                        sampled=False,
                        column=column,
                    )
                )
        return Plot(
            key=anchor("fig-profile", profile.id),
            alt=self.say("Required level of profile %(id)s against frequency, with its tolerance.", id=profile.id),
            x_label=self.say("Frequency in Hz"),
            x_name=self.say("frequency"),
            x_range=(float(f[0]), float(f[-1])),
            panels=(
                Panel(
                    y_label=self.say("Level in %(unit)s (peak)", unit=symbol),
                    curves=tuple(curves),
                    y_unit=symbol,
                    height=92.0,
                ),
            ),
        )

    def control(self, job: Job, run: RunResult, control: ControlResult, *, tall: bool = False) -> Plot:
        """Control against profile with its tolerance band, and the deviation below; ``tall`` for an axis' own page."""
        plan = job.run(run.id)
        symbol, size = control_unit(job.profile(plan.profile if plan else None))
        symbol, size = ("N", 1.0) if control.dimension == "force" else (symbol, size)
        f = control.frequency_hz
        curves = [
            _curve("required", self.say("profile"), "required", f, control.required, size),
            *self._limits_of_control(control, size),
            _curve("control", self.say("control"), "control", f, control.level, size),
        ]
        unit = f"{symbol}"
        panels = [
            Panel(
                y_label=self.say("Level in %(unit)s (peak)", unit=unit),
                curves=tuple(c for c in curves if c is not None),
                shaded=control.outside_bands,
                y_unit=unit,
                height=_TALL_CONTROL[0] if tall else _MAIN_PANEL - 12.0,
            )
        ]
        if control.deviation_db is not None:
            panels.append(self._deviation(control, _TALL_CONTROL[1] if tall else _SECOND_PANEL + 6.0))
        return Plot(
            key=anchor("fig", run.id, "control"),
            alt=self._control_alt(run, control),
            x_label=self.say("Frequency in Hz"),
            x_name=self.say("frequency"),
            x_range=range_of(f),
            panels=tuple(panels),
        )

    def _limits_of_control(self, control: ControlResult, size: float) -> list[Curve | None]:
        """Upper and lower limit of tolerance and abort, each pair under one name."""
        f, say = control.frequency_hz, self.say
        pairs = (
            ("tolerance-upper", say("tolerance"), control.upper, say("upper tolerance")),
            ("tolerance-lower", say("tolerance"), control.lower, say("lower tolerance")),
            ("abort-upper", say("abort"), control.abort_upper, say("upper abort limit")),
            ("abort-lower", say("abort"), control.abort_lower, say("lower abort limit")),
        )
        return [
            _curve(key, label, key.partition("-")[0], f, y, size, labelled=key.endswith("upper"), column=column)
            for key, label, y, column in pairs
        ]

    def _deviation(self, control: ControlResult, height: float) -> Panel:
        f, deviation = control.frequency_hz, control.deviation_db
        assert deviation is not None
        curves = []
        for key, limit, labelled in (("upper", control.upper, True), ("lower", control.lower, False)):
            if limit is not None and control.required is not None:
                with np.errstate(divide="ignore", invalid="ignore"):
                    db = 20 * np.log10(limit / control.required)
                curves.append(
                    Curve(
                        key=f"d-{key}",
                        label=self.say("tolerance"),
                        role="tolerance",
                        x=f,
                        y=db,
                        labelled=labelled,
                        column=self.say("upper tolerance") if labelled else self.say("lower tolerance"),
                    )
                )
        curves.append(Curve(key="deviation", label=self.say("deviation"), role="control", x=f, y=deviation))
        marks: tuple[Mark, ...] = ()
        if control.at_hz is not None and control.worst_deviation_db is not None:
            hertz = self.numbers.significant(control.at_hz, 4)
            text = f"{self.numbers.signed(control.worst_deviation_db, 2)} dB, {hertz} Hz"
            marks = (Mark(x=control.at_hz, y=control.worst_deviation_db, text=text, kind="worst"),)
        return Panel(
            y_label=self.say("Deviation in dB"),
            y_scale="linear",
            curves=tuple(curves),
            marks=marks,
            rules=(0.0,),
            shaded=control.outside_bands,
            y_unit="dB",
            height=height,
        )

    def _control_alt(self, run: RunResult, control: ControlResult) -> str:
        if control.worst_deviation_db is None:
            return self.say("Control of run %(run)s against frequency; nothing to compare it with.", run=run.id)
        return self.say(
            "Control of run %(run)s against its profile; the largest deviation is %(db)s dB at %(hz)s Hz.",
            run=run.id,
            db=self.numbers.signed(control.worst_deviation_db, 2),
            hz=self.numbers.significant(control.at_hz, 4),
        )

    def response(self, run: RunResult, channel: ChannelResult) -> Plot:
        """Transmissibility of one channel, magnitude and phase, with its resonances."""
        f = channel.frequency_hz
        curves = [Curve(key="recorded", label=self.say("as recorded"), role="recorded", x=f, y=channel.magnitude)]
        if channel.fitted is not None:
            curves.append(Curve(key="steady", label=self.say("steady state"), role="steady", x=f, y=channel.fitted))
        if channel.noise_floor:
            floor = np.full(2, channel.noise_floor)
            ends, name = np.array(range_of(f)), self.say("noise floor")
            curves.append(Curve(key="floor", label=name, role="floor", x=ends, y=floor, sampled=False))
        panels = [
            Panel(
                y_label=self._magnitude(channel),
                curves=tuple(curves),
                marks=(*self._resonance_marks(channel), *self._annotation_marks(channel)),
                shaded=channel.excluded_hz,
                y_unit=channel.unit,
                y_floor=channel.noise_floor,
                height=_MAIN_PANEL,
            )
        ]
        if channel.phase_deg is not None:
            panels.append(self._phase(channel, f))
        return Plot(
            key=anchor("fig", run.id, channel.id),
            alt=self._response_alt(run, channel),
            x_label=self.say("Frequency in Hz"),
            x_name=self.say("frequency"),
            x_range=range_of(f),
            panels=tuple(panels),
        )

    def _magnitude(self, channel: ChannelResult) -> str:
        """Label of the axis, with the unit where the response over the control has one."""
        return self.say("Magnitude") + (f" ({channel.unit})" if channel.unit else "")

    def _phase(self, channel: ChannelResult, x: Floats) -> Panel:
        assert channel.phase_deg is not None
        wrapped = (channel.phase_deg + 180.0) % 360.0 - 180.0
        curve = Curve(key="phase", label=self.say("phase"), role="recorded", x=x, y=wrapped, wraps=True)
        return Panel(
            y_label=self.say("Phase in °"),
            y_scale="linear",
            y_range=(-190.0, 190.0),
            y_ticks=_PHASE_TICKS,
            curves=(curve,),
            rules=(0.0,),
            y_unit="°",
            height=_SECOND_PANEL,
        )

    def _resonance_marks(self, channel: ChannelResult) -> tuple[Mark, ...]:
        marks = []
        for each in channel.resonances:
            top = each.amplification or magnitude_at(channel, each.frequency_hz)
            kind = "rejected" if each.rejected else "resonance"
            marks.append(Mark(x=each.frequency_hz, y=top, text=self.mode_name(each), kind=kind))
        return tuple(marks)

    def _annotation_marks(self, channel: ChannelResult) -> Iterator[Mark]:
        """Points of the recorded curve that the engineer annotated, by their numbers."""
        for number, each in enumerate(channel.annotations, start=1):
            top = magnitude_at(channel, each.frequency_hz)
            yield Mark(x=each.frequency_hz, y=top, text=f"[{number}]", kind="annotation")

    def mode_name(self, each: Resonance) -> str:
        """Mode number, where there is one, and frequency; whether it was asked for."""
        number = f"{each.mode}: " if each.mode is not None else ""
        asked = f" ({self.say('asked for')})" if each.asked is not None else ""
        return f"{number}{self.numbers.significant(each.frequency_hz, 4)}{asked}"

    def _response_alt(self, run: RunResult, channel: ChannelResult) -> str:
        found = [each for each in channel.resonances if not each.rejected]
        if not found and spoiled(run, channel.id):
            return self.say(
                "Response of channel %(channel)s over control in run %(run)s; the channel carries no evidence.",
                channel=channel.id,
                run=run.id,
            )
        if not found:
            return self.say(
                "Response of channel %(channel)s over control in run %(run)s; no resonance was found.",
                channel=channel.id,
                run=run.id,
            )
        listed = ", ".join(f"{self.numbers.significant(each.frequency_hz, 4)} Hz" for each in found)
        return self.say(
            "Response of channel %(channel)s over control in run %(run)s, magnitude and phase; resonances at %(list)s.",
            channel=channel.id,
            run=run.id,
            list=listed,
        )

    def comparison(self, before: RunResult, after: RunResult, channel: str, *, tall: bool = False) -> Plot | None:
        """The same channel in two runs; None where either has no curve. ``tall`` for an axis' own page."""
        pair = [
            next((c for c in run.channels if c.id == channel and len(c.magnitude)), None) for run in (before, after)
        ]
        if pair[0] is None or pair[1] is None:
            return None
        curves = (
            Curve(key="before", label=before.id, role="before", x=pair[0].frequency_hz, y=pair[0].magnitude),
            Curve(key="after", label=after.id, role="after", x=pair[1].frequency_hz, y=pair[1].magnitude),
        )
        return Plot(
            key=anchor("fig", before.id, after.id, channel),
            alt=self.say(
                "Channel %(channel)s before (%(before)s, dashed) and after (%(after)s, solid).",
                channel=channel,
                before=before.id,
                after=after.id,
            ),
            x_label=self.say("Frequency in Hz"),
            x_name=self.say("frequency"),
            x_range=range_of(pair[0].frequency_hz),
            panels=(
                Panel(
                    y_label=self._magnitude(pair[1]),
                    curves=curves,
                    marks=self._resonance_marks(pair[1]),
                    y_unit=pair[1].unit,
                    y_floor=pair[1].noise_floor,
                    height=_TALL_COMPARISON if tall else _MAIN_PANEL,
                ),
            ),
        )

    def dwell(self, job: Job, run: RunResult) -> Plot | None:
        """Level, response and phase of a dwell against time; None where the run is none or its log has no time."""
        if run.dwell is None or run.control is None or run.control.time_s is None or len(run.control.time_s) < 2:
            return None
        plan = job.run(run.id)
        symbol, size = control_unit(job.profile(plan.profile if plan else None))
        level = Curve(
            key="control", label=self.say("control"), role="control", x=run.control.time_s, y=run.control.level / size
        )
        panels = [
            Panel(
                y_label=f"{self.say('Level')} / {symbol}",
                curves=(level,),
                y_scale="linear",
                y_range=_from_zero(level.y),
                y_unit=symbol,
                height=56.0,
            ),
            *self._dwell_response(run),
        ]
        return Plot(
            key=anchor("fig", run.id, "dwell"),
            alt=self.say("Level, response and phase of the dwell in run %(run)s against time.", run=run.id),
            x_label=self.say("Time in s"),
            x_name=self.say("time"),
            x_range=range_of(run.control.time_s),
            x_scale="linear",
            x_unit="s",
            panels=tuple(panels),
        )

    def _dwell_response(self, run: RunResult) -> list[Panel]:
        """Response over control and its phase, of the channel that the dwell was watched on."""
        channel = next((c for c in run.channels if run.dwell and c.id == run.dwell.channel), None)
        if channel is None or channel.time_s is None or len(channel.time_s) < 2:
            return []
        ratio = Curve(key="response", label=channel.id, role="recorded", x=channel.time_s, y=channel.magnitude)
        panels = [
            Panel(
                y_label=self.say("Magnitude"),
                curves=(ratio,),
                y_scale="linear",
                y_range=_from_zero(ratio.y),
                height=56.0,
            )
        ]
        if channel.phase_deg is not None:
            panels.append(self._phase(channel, channel.time_s))
        return panels

    def backbone(self, run: RunResult, number: int, curve: Backbone) -> Plot:
        """Frequency and damping of a mode against its level, with what the expanded uncertainty leaves open."""
        level = np.array(curve.levels)
        f, zeta = self.numbers.significant(curve.frequency_hz[0], 4), 100.0
        unit = curve.unit or self.say("the unit of the record")
        panels = (
            self._against_level(
                level, self.say("Frequency in Hz"), curve.frequency_hz, curve.frequency_std_hz, 1.0, "Hz"
            ),
            self._against_level(
                level, self.say("Damping in %%"), curve.damping_ratio, curve.damping_ratio_std, zeta, "%"
            ),
        )
        return Plot(
            key=anchor("fig", run.id, "backbone", number),
            alt=self.say(
                "Frequency and damping of the mode near %(f)s Hz in run %(run)s against its level on %(channel)s.",
                f=f,
                run=run.id,
                channel=curve.channel,
            ),
            x_label=self.say("Level in %(unit)s (peak)", unit=unit),
            x_range=range_of(level),
            x_name=self.say("level"),
            x_unit=curve.unit,
            panels=panels,
        )

    def _against_level(
        self, level: Floats, label: str, values: Sequence[float], stds: Sequence[float], size: float, unit: str
    ) -> Panel:
        y, apart = size * np.array(values), size * _EXPANDED * np.array(stds)
        name, upper = self.say("95 %% interval"), self.say("upper end of the interval")
        curves = (
            Curve(key="value", label=label, role="recorded", x=level, y=y),
            Curve(
                key="above",
                label=name,
                role="envelope",
                x=level,
                y=y + apart,
                column=upper,
            ),
            Curve(
                key="below",
                label=name,
                role="envelope",
                x=level,
                y=y - apart,
                labelled=False,
                column=self.say("lower end of the interval"),
            ),
        )
        return Panel(y_label=label, y_scale="linear", curves=curves, y_unit=unit, height=74.0)

    def decay(self, run: RunResult, curve: DecayCurve) -> Plot:
        """A free decay and its envelope against time."""
        curves = [Curve(key="response", label=curve.channel, role="recorded", x=curve.time_s, y=curve.response)]
        if curve.envelope is not None:
            name, t = self.say("envelope"), curve.time_s
            curves += [
                Curve(key="envelope", label=name, role="envelope", x=t, y=curve.envelope),
                Curve(
                    key="envelope-low",
                    label=name,
                    role="envelope",
                    x=t,
                    y=-curve.envelope,
                    labelled=False,
                    column=self.say("envelope below"),
                ),
            ]
        return Plot(
            key=anchor("fig", run.id, "decay", curve.channel),
            alt=self.say(
                "Free decay of channel %(channel)s in run %(run)s against time.", channel=curve.channel, run=run.id
            ),
            x_label=self.say("Time in s"),
            x_name=self.say("time"),
            x_range=range_of(curve.time_s),
            x_scale="linear",
            x_unit="s",
            panels=(
                Panel(
                    y_label=self.say("Response in %(unit)s", unit=curve.unit),
                    curves=tuple(curves),
                    y_scale="linear",
                    rules=(0.0,),
                    y_unit=curve.unit,
                    height=110.0,
                ),
            ),
        )


def backbones(run: RunResult) -> list[Backbone]:
    """One for each mode of a run that depends on level, in order of frequency, by the sensor that moves most."""
    found: dict[tuple[float, ...], Backbone] = {}
    for channel in run.channels:
        for each in channel.resonances:
            curve = each.backbone
            if curve is not None and not each.rejected:
                held = found.get(curve.frequency_hz)
                if held is None or curve.levels[-1] > held.levels[-1]:
                    found[curve.frequency_hz] = curve
    return sorted(found.values(), key=lambda curve: curve.frequency_hz[-1])


def _curve(
    key: str,
    label: str,
    role: str,
    x: Floats,
    y: Floats | None,
    size: float,
    *,
    labelled: bool = True,
    column: str = "",
) -> Curve | None:
    if y is None or not np.isfinite(y).any():
        return None
    return Curve(key=key, label=label, role=role, x=x, y=y / size, labelled=labelled, column=column)


def range_of(x: Floats) -> tuple[float, float]:
    """Lowest and highest finite value, a little apart where they are the same."""
    finite = x[np.isfinite(x)]
    low, high = (float(finite.min()), float(finite.max())) if len(finite) else (1.0, 10.0)
    return (low, high) if high > low else (low * 0.95, low * 1.05 + 1e-9)


def _from_zero(y: Floats) -> tuple[float, float]:
    """Range of a level that begins at zero, so that its steadiness is seen as it is."""
    finite = y[np.isfinite(y)]
    top = float(finite.max()) if len(finite) else 1.0
    return (0.0, 1.25 * top) if top > 0 else (0.0, 1.0)


def magnitude_at(channel: ChannelResult, frequency_hz: float) -> float:
    """What was recorded nearest to a frequency; 1 where that is no number."""
    nearest = int(np.nanargmin(np.abs(channel.frequency_hz - frequency_hz)))
    value = float(channel.magnitude[nearest])
    return value if math.isfinite(value) else 1.0


def _profile_grid(profile: Profile) -> Floats:
    corners = [point.frequency_hz for point in profile.breakpoints]
    return np.unique(np.concatenate([np.geomspace(corners[0], corners[-1], 240), corners]))


def _profile_level(profile: Profile, f: Floats) -> Floats:
    """Acceleration of the drawn profile, m/s² peak: for the picture only; judgements use the computed one."""
    level = np.full_like(f, np.nan)
    for start, end in zip(profile.breakpoints, profile.breakpoints[1:], strict=False):
        inside = (f >= start.frequency_hz) & (f <= end.frequency_hz)
        if end.frequency_hz <= start.frequency_hz or not inside.any():
            continue
        a, b = (acceleration_amplitude(p.amplitude, p.frequency_hz, p.dimension) for p in (start, end))
        if start.slope_to_next_db_per_oct is not None:
            b = a * 10 ** (start.slope_to_next_db_per_oct * math.log2(end.frequency_hz / start.frequency_hz) / 20)
        elif start.dimension != end.dimension:
            b = acceleration_amplitude(start.amplitude, end.frequency_hz, start.dimension)
        slope = math.log(b / a) / math.log(end.frequency_hz / start.frequency_hz)
        level[inside] = a * (f[inside] / start.frequency_hz) ** slope
    return level


def beams(pictures: tuple[ModePicture, ...]) -> dict[str | None, list[ModePicture]]:
    """Pictures by axis, in the order of their modes."""
    by_axis: dict[str | None, list[ModePicture]] = {}
    for picture in sorted(pictures, key=lambda each: (each.axis or "", each.mode)):
        by_axis.setdefault(picture.axis, []).append(picture)
    return by_axis
