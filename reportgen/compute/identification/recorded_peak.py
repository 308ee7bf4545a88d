"""What the log shows as recorded, and how far the sweep changed it.

The sweep parameter is η = Q² |df/dt| / f₀². The recorded peak of a resonance met by a sweep is G(η) of its steady one,
late by a shift in units of f₀/Q; both follow from the closed form E = (√π/2c) w(i(1 + iκτ)/2c), κ = 2η/π, c = √(κ/2)
e^{−iπ/4} (Lewis, Trans. ASME 54 (1932) 253, written with the Faddeeva function w).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import wofz

from reportgen.compute.identification.drive import Drive
from reportgen.records.log import Floats
from reportgen.records.message import Message, message
from reportgen.records.result import Observed

LEAST_LINES = 5
"""Rows within the half-power band from which a half-power Q is stated; on coarser rows it reads far too low."""
PERMITTED_LOSS = 0.05
"""Loss of peak that the fastest permissible rate stands for."""
_ETA_OF_PERMITTED_LOSS = 0.8286016704691438
"""Root of the curve at that loss, kept here since finding it loads more than all else that a quick look needs."""


@lru_cache
def swept_curve(eta: float) -> tuple[float, float]:
    """(peak over steady-state peak, shift of the peak in units of f₀/Q, up-sweep) for η > 0; Q → ∞.

    >>> [round(value, 4) for value in swept_curve(1.0)]
    [0.938, 0.4564]
    """
    kappa = 2.0 * eta / np.pi
    detuning = np.linspace(-1.0, 3.0 + 2.2 * np.sqrt(eta), 4001)
    height = _universal(kappa, detuning)
    top = int(np.argmax(height))
    fine = np.linspace(detuning[max(top - 1, 0)], detuning[min(top + 1, 4000)], 201)
    height = _universal(kappa, fine)
    top = int(np.argmax(height))
    return float(height[top]), float(fine[top])


def _universal(kappa: float, detuning: Floats) -> Floats:
    c = np.sqrt(kappa / 2.0) * np.exp(-0.25j * np.pi)
    return np.asarray(np.abs(np.sqrt(np.pi) / (2 * c) * wofz(1j * (1 + 2j * detuning) / (2 * c))))


@lru_cache
def eta_of_loss(loss: float) -> float:
    """η at which the sweep takes the fraction ``loss`` off the peak; 0.829 for 5 %."""
    if loss == PERMITTED_LOSS:
        return _ETA_OF_PERMITTED_LOSS
    from scipy.optimize import brentq

    return float(brentq(lambda eta: swept_curve(eta)[0] - (1.0 - loss), 1e-3, 100.0, xtol=1e-6))


def sweep_parameter(frequency_hz: float, q: float, rate_hz_per_s: float) -> float:
    """η = Q² |df/dt| / f₀²."""
    return q * q * abs(rate_hz_per_s) / frequency_hz**2


def fastest_rate(frequency_hz: float, q: float, unit: str, loss: float = PERMITTED_LOSS) -> float:
    """Rate, in ``oct/min`` or ``Hz/s``, that keeps the loss of the peak below ``loss``.

    >>> round(fastest_rate(100.0, 50.0, "oct/min"), 3)
    2.869
    """
    return float(in_unit(eta_of_loss(loss) * frequency_hz**2 / q**2, frequency_hz, unit))


@lru_cache
def half_power_share(eta: float) -> float:
    """Half-power Q of the swept peak over the Q of the mode, up-sweep; Q → ∞.

    >>> round(half_power_share(0.9), 4)
    0.8152
    """
    kappa = 2.0 * eta / np.pi
    top, shift = swept_curve(eta)
    level = top / np.sqrt(2.0)
    away = np.linspace(0.0, 3.0 + 2.0 * np.sqrt(eta), 4001)
    width = 0.0
    for side in (-1.0, 1.0):
        height = _universal(kappa, shift + side * away)
        fallen = int(np.argmax(height < level))
        width += float(np.interp(-level, -height[fallen - 1 : fallen + 1], away[fallen - 1 : fallen + 1]))
    return 1.0 / width


def iso_7626_2_rate(frequency_hz: float, q: float, unit: str) -> float:
    """Rate limit of ISO 7626-2 (mobility, single point): 54 f²/Q² Hz/min or 77.6 f/Q² oct/min, from memory.

    Either means η ≈ 0.90: a peak 5.5 % low and a half-power Q 18.5 % low.
    """
    if unit == "Hz/s":
        return 54.0 * frequency_hz**2 / q**2 / 60.0
    return 77.6 * frequency_hz / q**2


def in_unit(rate_hz_per_s: float, frequency_hz: float, unit: str) -> float:
    """A rate at a frequency in ``Hz/s`` or ``oct/min``: R = 60 (df/dt) / (f ln 2)."""
    return rate_hz_per_s if unit == "Hz/s" else 60.0 * rate_hz_per_s / (frequency_hz * np.log(2.0))


def half_power(frequency: Floats, ratio: Floats, peak: int) -> tuple[float | None, Message | None]:
    """(f_peak / (f₂ − f₁), None), or (None, why not); rows sorted by frequency, ``ratio`` without gaps.

    f₁ and f₂ are where the ratio has fallen to 1/√2 of the peak, interpolated straight between rows.
    """
    level = ratio[peak] / np.sqrt(2.0)
    left = np.flatnonzero(ratio[:peak] < level)
    right = np.flatnonzero(ratio[peak + 1 :] < level)
    if len(left) == 0 or len(right) == 0:
        return None, message("peak.no-half-power")
    i, j = int(left[-1]), int(peak + 1 + right[0])
    if j - i - 1 < LEAST_LINES:
        return None, message("peak.too-few-lines", lines=j - i - 1, least=LEAST_LINES)
    low = np.interp(level, ratio[i : i + 2], frequency[i : i + 2])
    high = np.interp(-level, -ratio[j - 1 : j + 1], frequency[j - 1 : j + 1])
    return float(frequency[peak] / (high - low)), None


def rate_at(drive: Drive, frequency_hz: float) -> float | None:
    """Largest |df/dt| (Hz/s) among the rows that pass a frequency; None without time."""
    if drive.steady:
        return None
    distance = np.abs(drive.omega / (2 * np.pi) - frequency_hz)
    near = np.argsort(distance, kind="stable")[:4]
    return float(np.max(np.abs(drive.omega_dot[near])) / (2 * np.pi))


@dataclass(frozen=True, slots=True, eq=False)
class RecordedResponse:
    """|response/control| of one channel over the rows of a drive."""

    drive: Drive
    ratio: Floats
    """As recorded, shape (n,); NaN where there is no reading."""
    swept: Floats
    """Of the model as the sweep saw it, shape (n,)."""


def observed(
    recorded: RecordedResponse, frequency_hz: float, q: float, amplification: float | None, unit: str
) -> Observed:
    """Read-offs of one mode on one channel; rates in ``unit``."""
    drive, ratio = recorded.drive, recorded.ratio
    rate = rate_at(drive, frequency_hz)
    eta = None if rate is None else sweep_parameter(frequency_hz, q, rate)
    frequency = drive.omega / (2 * np.pi)
    use = np.flatnonzero(np.isfinite(ratio))
    peak = _recorded_peak(recorded, use, frequency_hz, q, rate or 0.0)
    fastest = None if rate is None else fastest_rate(frequency_hz, q, unit)
    comparison = {} if rate is None else _iso_7626_2(frequency_hz, q, unit)
    if peak is None:
        return Observed(
            half_power_reason=message("peak.none-recorded"), sweep_parameter=eta, fastest_rate=fastest,
            fastest_rate_unit=unit, **comparison,
        )  # fmt: skip
    row = use[peak]
    around = _one_passage(frequency[use], peak)
    order = around[np.argsort(frequency[use][around], kind="stable")]
    value, reason = half_power(frequency[use][order], ratio[use][order], int(np.flatnonzero(order == peak)[0]))
    reduction = None if amplification is None or rate is None else float(ratio[row] / amplification)
    if (
        eta is not None
        and reduction is not None
        and eta <= eta_of_loss(PERMITTED_LOSS)
        and reduction < 1 - PERMITTED_LOSS
    ):
        fastest = None  # more is lost than the rate takes: no rate is the remedy
    return Observed(
        peak_hz=float(frequency[row]),
        amplification=float(ratio[row]),
        half_power_q=value,
        half_power_reason=reason,
        sweep_reduction=reduction,
        sweep_parameter=eta,
        fastest_rate=fastest,
        fastest_rate_unit=unit,
        **comparison,
    )


def _iso_7626_2(frequency_hz: float, q: float, unit: str) -> dict[str, float]:
    """The limit of ISO 7626-2 and what a log recorded at it would show of peak and half-power Q."""
    rate = iso_7626_2_rate(frequency_hz, q, unit)
    eta = sweep_parameter(frequency_hz, q, rate / in_unit(1.0, frequency_hz, unit))
    return {
        "iso_7626_2_rate": rate,
        "iso_7626_2_reduction": swept_curve(round(eta, 9))[0],
        "iso_7626_2_half_power": half_power_share(round(eta, 9)),
    }


def _recorded_peak(recorded: RecordedResponse, use: np.ndarray, f0: float, q: float, rate: float) -> int | None:
    """Place in ``use`` of the recorded peak of a mode: the highest where the model says the sweep met it."""
    drive = recorded.drive
    frequency, ratio, swept = (drive.omega / (2 * np.pi))[use], recorded.ratio[use], recorded.swept[use]
    width = max(f0 / q, np.sqrt(rate))
    late = swept_curve(sweep_parameter(f0, q, rate))[1] * f0 / q if rate > 0 else 0.0
    turn = float(np.sign(np.mean(drive.omega_dot[use]))) or 1.0
    near = np.flatnonzero(np.abs(frequency - f0 - turn * late) < 1.0 * width)
    if len(near) < 3:
        return None
    rises = [k for k in near if 0 < k < len(swept) - 1 and swept[k] >= swept[k - 1] and swept[k] >= swept[k + 1]]
    if not rises:
        return None
    top = min(rises, key=lambda k: abs(frequency[k] - f0 - turn * late) - 0.3 * width * swept[k] / np.max(swept[near]))
    close = np.flatnonzero(np.abs(frequency - frequency[top]) <= 0.25 * width)
    close = close[np.abs(close - top) <= max(2, len(near) // 2)]
    return int(close[np.argmax(ratio[close])]) if len(close) else int(top)


def _one_passage(frequency: Floats, row: int) -> np.ndarray:
    """Rows around one row over which the frequency does not turn back."""
    direction = np.sign(np.diff(frequency))
    moving = direction[direction != 0]
    if len(moving) == 0:
        return np.arange(len(frequency))
    sense = np.sign(np.sum(direction[max(0, row - 5) : row + 5])) or moving[0]
    turns = np.flatnonzero(direction == -sense)
    before, after = turns[turns < row], turns[turns >= row]
    return np.arange(int(before[-1]) + 1 if len(before) else 0, int(after[0]) + 1 if len(after) else len(frequency))
