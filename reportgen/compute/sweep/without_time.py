"""Modes of a sweep whose log has no time: what hangs on the steady state that was assumed.

A sweep acts on a mode by η = Q² |df/dt| / f². Where η may be a tenth or more, the recorded peak is late and low, beats
follow it that are no modes, and the fit to steady state states an uncertainty of noise alone, which does not hold them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from reportgen.records.job import Profile, SweepRate
from reportgen.records.message import message
from reportgen.records.result import ChannelResult, Resonance

HARDLY_MATTERS = 0.1
"""η below which the recorded peak is 0.2 % low and 0.06 bandwidths late at most (closed form of Lewis, 1932)."""
FASTEST_OCT_PER_MIN = 4.0
"""Rate taken where none is stated: IEC 60068-2-6 knows 1 oct/min, surveys in use go up to four times as fast (from
memory)."""
FLAG = message("sweep.mode-doubtful")
NO_UNCERTAINTY = message("sweep.no-uncertainty")
_UNCERTAINTIES = ("frequency_std_hz", "q_std", "amplification_std", "amplification_std_fit")


def doubted(channels: Sequence[ChannelResult], profile: Profile | None) -> tuple[ChannelResult, ...]:
    """Channels with those resonances marked on which the sweep may have acted; they state no uncertainty any more."""
    rate = profile.sweep_rate if profile is not None else None
    return tuple(
        replace(channel, resonances=tuple(_doubted(each, rate) for each in channel.resonances)) for channel in channels
    )


def may_be_swept(frequency_hz: float, q: float | None, rate: SweepRate | None) -> bool:
    """Whether a mode swept at ``rate`` (None: at the fastest in use) shows what the sweep did to it.

    >>> may_be_swept(100.0, 5.0, None), may_be_swept(100.0, 50.0, None)
    (False, True)
    """
    return q is None or q**2 * _hz_per_s(frequency_hz, rate) / frequency_hz**2 >= HARDLY_MATTERS


def _hz_per_s(frequency_hz: float, rate: SweepRate | None) -> float:
    if rate is not None and rate.unit == "Hz/s":
        return abs(rate.value)
    octaves = FASTEST_OCT_PER_MIN if rate is None else abs(rate.value)
    return octaves * float(np.log(2.0)) / 60.0 * frequency_hz


def _doubted(each: Resonance, rate: SweepRate | None) -> Resonance:
    if not may_be_swept(each.frequency_hz, each.q, rate):
        return _with_lag(each, rate)
    reasons = tuple((name, NO_UNCERTAINTY) for name in _UNCERTAINTIES if getattr(each, name) is not None)
    return replace(
        each,
        doubtful=True,
        frequency_std_hz=None,
        q_std=None,
        amplification_std=None,
        amplification_std_fit=None,
        flags=(FLAG, *each.flags),
        reasons=(*each.reasons, *reasons),
    )


def _with_lag(each: Resonance, rate: SweepRate | None) -> Resonance:
    """With the frequency uncertain by what the drive may have moved while the mode answered, τ = Q/(πf).

    The direction and the rate are not known: any value up to that shift, in either direction, is as likely as another
    (JCGM 100:2008, 4.3.7).
    """
    if each.frequency_std_hz is None or each.q is None:
        return each
    lag_hz = _hz_per_s(each.frequency_hz, rate) * each.q / (math.pi * each.frequency_hz)
    return replace(each, frequency_std_hz=math.hypot(each.frequency_std_hz, lag_hz / math.sqrt(3.0)))
