"""First look at the drive: its frequency against time, to about half a percent, whatever else is on the channel.

The record is halved in rate again and again (half-band filter of seven taps); at each rate short spectra of 8 to 17
cycles look at one octave, so that relative resolution is the same from 1 Hz to half the sample rate. Each octave
offers its strongest line; the chain of lines that is strong and does not jump is the drive (Viterbi's algorithm).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.demodulation.cell_sums import stored_numbers
from reportgen.errors import ComputeError
from reportgen.records.log import Floats, TimeHistory
from reportgen.records.message import message

_BLOCK = 1 << 18
"""Samples looked at a time."""
_FRAME = 128
_HOP = 64
_PLENTY = 8
"""Frames side by side in a slot from which frames between them are left out."""
_LOW_BIN, _HIGH_BIN = 7, 17
_TOP_BIN = 60
_LOWEST_HZ = 0.5
_JUMP_COST, _FREE_OCT = 60.0, 0.3
"""Cost of a jump, in time slots of full strength, and how far in octaves it must go to cost half of that."""
_SLOTS_WANTED = 4000
_SAME_OCT = 0.03
_FADED, _AROUND_S = 1e-3, 5.0
"""Share in power of the loudest within so many seconds below which the drive is taken to be off."""
_HEARD = 0.02
"""Share of the strongest line in power from which the drive's own is trusted."""
_SLOPE_CYCLES, _REACH_CYCLES = 40.0, 12.0
"""Cycles over which the sweep's slope is taken at the ends of what was seen, and for which it is carried on."""


@dataclass(frozen=True, slots=True, eq=False)
class CoarseFrequency:
    """Frequency of the drive, Hz, at times in seconds from the first sample; both shape (n,)."""

    time_s: Floats
    frequency_hz: Floats


@dataclass(slots=True)
class _Octave:
    """One rate of the ladder: what it has not yet worked off, and what it has seen, slot by slot."""

    rate_hz: float
    high_bin: int
    slots: int
    slot_s: float
    hop: int = field(init=False)
    waiting: NDArray[np.float32] = field(default_factory=lambda: np.zeros(0, np.float32))
    to_halve: NDArray[np.float32] = field(default_factory=lambda: np.zeros(3, np.float32))
    frames: int = 0
    power: Floats = field(init=False)
    log_frequency: Floats = field(init=False)
    when: Floats = field(init=False)
    count: Floats = field(init=False)

    def __post_init__(self) -> None:
        self.hop = _FRAME if self.slot_s * self.rate_hz >= _PLENTY * _FRAME else _HOP
        self.power, self.log_frequency = np.zeros(self.slots), np.zeros(self.slots)
        self.when, self.count = np.zeros(self.slots), np.zeros(self.slots)

    def push(self, x: NDArray[np.float32]) -> NDArray[np.float32]:
        """Take samples, look at them, hand on every second one of them filtered."""
        self.waiting = np.concatenate([self.waiting, x])
        if len(self.waiting) >= _FRAME:
            frames = np.lib.stride_tricks.sliding_window_view(self.waiting, _FRAME)[:: self.hop]
            self._look(frames)
            self.waiting = self.waiting[len(frames) * self.hop :].copy()
        z = np.concatenate([self.to_halve, x])
        n = max(0, (len(z) - 5) // 2)
        self.to_halve = z[2 * n :].copy()
        return halved(z, n)

    def _look(self, frames: NDArray[np.float32]) -> None:
        window = np.hanning(_FRAME + 1)[:-1].astype(np.float32)
        spectrum = np.fft.rfft(frames * window, axis=1)[:, _LOW_BIN - 1 : self.high_bin + 2]
        power = np.square(spectrum.real) + np.square(spectrum.imag) + np.float32(1e-30)
        best = np.argmax(power[:, 1:-1], axis=1) + 1
        row = np.arange(len(best))
        left, peak, right = (np.log(power[row, best + k].astype(np.float64)) for k in (-1, 0, 1))
        true = (peak >= left) & (peak >= right)
        bend = left - 2.0 * peak + right
        shift = np.where(true & (bend < 0), 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
        frequency = (best + _LOW_BIN - 1 + shift) * self.rate_hz / _FRAME
        time = ((self.frames + row) * self.hop + _FRAME / 2) / self.rate_hz
        self.frames += len(best)
        slot = np.minimum((time / self.slot_s).astype(np.int64), self.slots - 1)
        weight = np.where(true, np.exp(peak), 0.0)
        self.power += np.bincount(slot, weight, self.slots)
        self.log_frequency += np.bincount(slot, weight * np.log(frequency), self.slots)
        self.when += np.bincount(slot, time, self.slots)
        self.count += np.bincount(slot, minlength=self.slots)

    def candidates(self, time_s: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Mean power, logarithm of frequency, and whether it was seen then; power 0 where this octave had no line."""
        seen = self.count > 0
        if not np.any(seen):
            return np.zeros(len(time_s)), np.full(len(time_s), np.log(self.rate_hz / 10)), np.zeros(len(time_s), bool)
        when = self.when[seen] / self.count[seen]
        power = self.power[seen] / self.count[seen]
        middle = np.log(self.rate_hz * (_LOW_BIN + _HIGH_BIN) / 2 / _FRAME)
        some = self.power[seen] > 0
        frequency = np.full(len(when), middle)
        frequency[some] = self.log_frequency[seen][some] / self.power[seen][some]
        inside = (time_s >= when[0] - self.slot_s) & (time_s <= when[-1] + self.slot_s)
        return np.interp(time_s, when, power), np.interp(time_s, when, frequency), inside


def halved(z: NDArray[np.float32], n: int) -> NDArray[np.float32]:
    """Every second sample from the third on, n of them, through the half-band filter (−1, 0, 9, 16, 9, 0, −1)/32."""
    near = z[2 : 2 + 2 * n : 2] + z[4 : 4 + 2 * n : 2]
    far = z[0 : 2 * n : 2] + z[6 : 6 + 2 * n : 2]
    half: NDArray[np.float32] = (
        np.float32(0.5) * z[3 : 3 + 2 * n : 2] + np.float32(9 / 32) * near - np.float32(1 / 32) * far
    )
    return half


def coarse_frequency(history: TimeHistory, channel: str) -> CoarseFrequency:
    """Follow the drive through the record in one pass. Raises ComputeError where the record is too short."""
    rate, duration = history.sample_rate_hz, history.samples / history.sample_rate_hz
    if history.samples < 4 * _FRAME:
        few = message("demodulation.few-samples", samples=history.samples)
        raise ComputeError(message("error.at", where=history.path, what=few))
    slot_s = float(np.clip(duration / _SLOTS_WANTED, 2.0 * _HOP / rate, 0.05))
    slots = max(1, int(np.ceil(duration / slot_s)))
    depth = max(1, int(np.ceil(np.log2(rate * _LOW_BIN / _FRAME / _LOWEST_HZ))) + 1)
    depth = min(depth, int(np.log2(history.samples / _FRAME)) + 1)
    ladder = [_Octave(rate / 2**k, _HIGH_BIN if k else _TOP_BIN, slots, slot_s) for k in range(depth)]
    source = history.only((channel,)).source
    for begin in range(0, history.samples, _BLOCK):
        x = stored_numbers(source, begin, min(begin + _BLOCK, history.samples))[:, 0].astype(np.float32)
        for octave in ladder:
            x = octave.push(x)
            if not len(x):
                break
    time = (np.arange(slots, dtype=np.float64) + 0.5) * slot_s
    offers = [octave.candidates(time) for octave in ladder]
    power, frequency, seen = (np.array(each) for each in zip(*offers, strict=True))
    return _smooth(time, power, frequency, seen, history.path)


def _strength(share: Floats, log2_frequency: Floats) -> Floats:
    """What a line counts for: the fourth root of its power, less where a line stands at half its frequency.

    So a harmonic may be louder than the drive for a while without being taken for it.
    """
    strength: Floats = np.sqrt(np.sqrt(share))
    counted = strength.copy()
    for line, octaves in zip(counted, log2_frequency, strict=True):
        halves = np.abs(octaves - log2_frequency - 1.0) < _SAME_OCT
        line -= 0.5 * np.max(np.where(halves, strength, 0.0), axis=0)
    return counted


def _strongest_chain(strength: Floats, log2_frequency: Floats) -> NDArray[np.int64]:
    """Octave of the drive in each slot: most strength for the fewest jumps; both (octaves, slots)."""
    octaves, slots = strength.shape
    score = strength[:, 0].copy()
    came_from = np.zeros((slots, octaves), np.int16)
    for k in range(1, slots):
        jump = np.square(log2_frequency[:, k][:, None] - log2_frequency[:, k - 1][None, :])
        total = score[None, :] - _JUMP_COST * jump / (jump + _FREE_OCT**2)
        came_from[k] = np.argmax(total, axis=1)
        score = total[np.arange(octaves), came_from[k]] + strength[:, k]
    path = np.empty(slots, np.int64)
    path[-1] = int(np.argmax(score))
    for k in range(slots - 1, 0, -1):
        path[k - 1] = came_from[k, path[k]]
    return path


def _smooth(time: Floats, power: Floats, log_frequency: Floats, seen: NDArray[np.bool_], where: str) -> CoarseFrequency:
    from scipy.ndimage import maximum_filter1d, median_filter

    strongest = power.max(axis=0)
    alive = strongest > 0
    if not np.any(alive):
        raise ComputeError(message("error.at", where=where, what=message("demodulation.drive-silent")))
    share = power / np.where(alive, strongest, 1.0)
    path = _strongest_chain(_strength(share, log_frequency / np.log(2.0)), log_frequency / np.log(2.0))
    slot = np.arange(len(time))
    track = log_frequency[path, slot]
    steady = median_filter(track, 7, mode="nearest")
    own = power[path, slot]
    around = maximum_filter1d(own, 2 * int(_AROUND_S / (time[1] - time[0])) + 1, mode="nearest")
    good = (
        (own > _FADED * around)
        & (share[path, slot] > _HEARD)
        & (np.abs(track - steady) < 0.03)
        & alive
        & seen[path, slot]
    )
    if np.count_nonzero(good) < 4:
        raise ComputeError(message("error.at", where=where, what=message("demodulation.no-sine")))
    return CoarseFrequency(time, np.exp(_local_line(_filled(time, track, good))))


def _filled(time: Floats, track: Floats, good: NDArray[np.bool_]) -> Floats:
    """The track with bad slots bridged; beyond the first and the last good one it goes on a little, then holds."""
    t, y = time[good], track[good]
    filled = np.interp(time, t, y)
    for outer, edge, frequency in ((time < t[0], t[0], np.exp(y[0])), (time > t[-1], t[-1], np.exp(y[-1]))):
        near = np.abs(t - edge) <= max(_SLOPE_CYCLES / frequency, 8.0 * (time[1] - time[0]))
        slope = np.polyfit(t[near] - edge, y[near], 1)[0] if np.count_nonzero(near) > 2 else 0.0
        on = np.clip(time[outer] - edge, -_REACH_CYCLES / frequency, _REACH_CYCLES / frequency)
        filled[outer] += slope * on
    return filled


def _local_line(track: Floats) -> Floats:
    """Moving average over five slots, jumps of the sweep excepted."""
    if len(track) < 8:
        return track
    padded = np.concatenate([2 * track[0] - track[2:0:-1], track, 2 * track[-1] - track[-2:-4:-1]])
    smooth: Floats = np.convolve(padded, np.full(5, 0.2), mode="valid")
    return np.where(np.abs(smooth - track) < 0.05, smooth, track)
