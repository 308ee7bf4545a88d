"""The steady-state response straight from a record, held against the modes identified from its demodulated rows.

Around each resonance that the sweep passes whole, the response over control is taken by Fourier transform of the whole
passage (steady_state), which knows no sweep rate, no model and no rows. Its magnitude over that of the fitted model,
averaged within a half-power bandwidth of the resonance, should be 1.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from reportgen.compute.demodulation.steady_state import SteadyState, steady_state_response
from reportgen.errors import ComputeError
from reportgen.records.log import BlockSource, Floats, SweepLog, TimeHistory
from reportgen.records.message import Message, message
from reportgen.records.result import ChannelResult, IssueKind, QualityIssue, Resonance

_BAND, _AVERAGED = 6.0, 0.5
"""Half-power bandwidths either side of the resonance that are transformed, and that are averaged over."""
_RING_DOWN = 3.0
"""Inverse bandwidths for which a mode rings: its amplitude falls to e^{−3π}."""
_FEWEST_LINES = 4
_COVERAGE, _OWN_ERROR = 3.0, 0.01
"""Standard uncertainties, and the method's own error beside them, beyond which two magnitudes disagree."""
_MOST_MODES = 20


@dataclass(frozen=True, slots=True)
class Comparison:
    """One resonance on one channel, both ways."""

    channel: str
    frequency_hz: float
    ratio: float
    """Magnitude straight from the record over that of the fitted model."""
    uncertainty: float
    """Standard, relative, of both together."""

    @property
    def agrees(self) -> bool:
        """Whether the ratio is 1 as far as can be told."""
        return abs(self.ratio - 1.0) <= _COVERAGE * self.uncertainty + _OWN_ERROR


def cross_check(
    history: TimeHistory, sweep: SweepLog, control: Sequence[str], channels: Sequence[ChannelResult]
) -> tuple[Comparison, ...]:
    """Resonances that can be compared: one control, a response of its dimension, the sweep well past both sides."""
    if len(control) != 1 or sweep.time_s is None:
        return ()
    alike = {each for each, dimension in zip(history.channels, history.dimensions, strict=True)
             if dimension == history.dimensions[history.channels.index(control[0])]}  # fmt: skip
    usable = [each for each in channels if each.id in alike and each.fitted is not None]
    poles = {(each.frequency_hz, each.q) for channel in usable for each in channel.resonances if each.q}
    chosen = sorted((f, q) for f, q in poles if q is not None)[:_MOST_MODES]
    return tuple(found for f, q in chosen for found in _compared(history, sweep, control[0], usable, f, q))


def _compared(
    history: TimeHistory, sweep: SweepLog, control: str, channels: Sequence[ChannelResult], f: float, q: float
) -> Iterator[Comparison]:
    width, ring_down = f / q, _RING_DOWN * q / f
    band = (f - _BAND * width, f + _BAND * width)
    seen = {each.id: mode for each in channels for mode in each.resonances if mode.frequency_hz == f}
    passage = _passage(history, sweep, band, ring_down)
    if passage is None:
        return
    try:
        straight = steady_state_response(passage, control, tuple(seen), band_hz=band, ring_down_s=ring_down)
    except ComputeError:
        return
    for channel in channels:
        if channel.id in seen:
            found = _ratio(channel, seen[channel.id], straight, _AVERAGED * width)
            if found is not None:
                yield found


def _passage(
    history: TimeHistory, sweep: SweepLog, band_hz: tuple[float, float], ring_down_s: float
) -> TimeHistory | None:
    """The part of the record in which the sweep passes a band, and as much before and after; None where it does not."""
    if sweep.time_s is None or not (sweep.frequency_hz.min() < band_hz[0] and band_hz[1] < sweep.frequency_hz.max()):
        return None
    inside = np.flatnonzero((sweep.frequency_hz >= band_hz[0]) & (sweep.frequency_hz <= band_hz[1]))
    if not len(inside):
        return None
    begin, end = (float(sweep.time_s[each]) - history.start_s for each in (inside[0], inside[-1]))
    around = (end - begin) + 2.0 * ring_down_s
    first = max(0, int((begin - around) * history.sample_rate_hz))
    stop = min(history.samples, int((end + around) * history.sample_rate_hz))
    return replace(history, samples=stop - first, source=_Part(history.source, first))


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """A source from one of its samples on."""

    whole: BlockSource
    first: int

    def blocks(self, start: int, stop: int) -> Iterator[Floats]:
        return self.whole.blocks(self.first + start, self.first + stop)


def _ratio(channel: ChannelResult, mode: Resonance, straight: SteadyState, reach_hz: float) -> Comparison | None:
    """Mean logarithm of the ratio over the lines around the resonance, weighed by their uncertainty."""
    if channel.fitted is None or mode.amplification is None or not mode.amplification_std_fit:
        return None
    place = straight.channels.index(channel.id)
    response, uncertainty = np.abs(straight.response[:, place]), straight.uncertainty[:, place]
    near = (np.abs(straight.frequency_hz - mode.frequency_hz) <= reach_hz) & np.isfinite(response)
    if np.count_nonzero(near) < _FEWEST_LINES:
        return None
    order = np.argsort(channel.frequency_hz)
    model = np.interp(straight.frequency_hz[near], channel.frequency_hz[order], channel.fitted[order])
    weight = 1.0 / np.square(np.maximum(uncertainty[near], 1e-6))
    ratio = float(np.exp(np.average(np.log(response[near] / model), weights=weight)))
    own = 1.0 / np.sqrt(np.sum(weight))
    fit = mode.amplification_std_fit / mode.amplification
    return Comparison(channel.id, mode.frequency_hz, ratio, float(np.hypot(own, fit)))


def agreement(compared: Sequence[Comparison]) -> tuple[Message, ...]:
    """One sentence on how far both ways agree; none where nothing could be compared."""
    if not compared:
        return ()
    worst = max(compared, key=lambda each: abs(each.ratio - 1.0))
    return (
        message(
            "cross-check.agreement",
            agree=sum(each.agrees for each in compared),
            compared=len(compared),
            largest_percent=100.0 * (worst.ratio - 1.0),
            channel=worst.channel,
            frequency_hz=worst.frequency_hz,
        ),
    )


def disagreements(compared: Sequence[Comparison]) -> tuple[QualityIssue, ...]:
    """An issue for each resonance at which both ways disagree beyond their uncertainties."""
    return tuple(
        QualityIssue(
            kind=IssueKind.CROSS_CHECK,
            message=message(
                "cross-check.disagrees",
                channel=each.channel,
                frequency_hz=each.frequency_hz,
                ratio=each.ratio,
                uncertainty_percent=100.0 * each.uncertainty,
            ),
            channel=each.channel,
            band_hz=(each.frequency_hz, each.frequency_hz),
        )
        for each in compared
        if not each.agrees
    )
