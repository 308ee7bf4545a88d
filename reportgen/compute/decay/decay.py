"""Free decay: frequency and damping of every mode present, by a least-squares fit of decaying sinusoids.

Each mode is e^{−σt}(a cos ω_d t + b sin ω_d t) with σ = ζω_0 and ω_d = ω_0√(1 − ζ²) on every channel; the poles are
common to all channels, a and b are each channel's own. The poles are found by Gauss-Newton steps with the amplitudes
eliminated (variable projection: Golub and Pereyra, SIAM J. Numer. Anal. 10 (1973) 413; Kaufman's Jacobian, BIT 15
(1975) 49). The logarithmic decrement δ = 2πζ/√(1 − ζ²) stands beside the damping ratio (ISO 2041).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportgen.errors import ComputeError
from reportgen.records.log import Floats
from reportgen.records.result import ChannelResult, DecayCurve, Resonance

MOST_MODES = 12
ABOVE_NOISE = 25.0
"""A line of the residual's periodogram over its local median that is no chance: for white noise the ratio to the median
exceeds x with probability 2^−x a line, which for a million lines is 3 in 100 at 25."""
WINDOWS = (1, 4, 16, 64)
"""Beginnings of the record in which a line is looked for: the whole, a quarter, …"""
SHORTEST_WINDOW = 64
LEAST_DECAY = 0.3
"""Nepers over the record below which a line does not decay measurably: hum, not a mode."""
FEWEST_CYCLES = 3.0
"""Cycles to 1/e below which a line is a transient of the pluck rather than a mode."""
SIGNIFICANT = 5.0
"""Amplitude over its standard uncertainty from which a channel shows a mode."""
CRITERION = (
    f"A mode of a free decay counts as found where its line stands out of the periodogram of what the other modes "
    f"leave by more than {ABOVE_NOISE:g} times the median around it; where it dies away by more than {LEAST_DECAY:g} "
    f"neper over the record, and in more than {FEWEST_CYCLES:g} cycles to 1/e; and on the channels on which its "
    f"amplitude is more than {SIGNIFICANT:g} times its standard uncertainty."
)
EXHAUSTED = 1e-11
"""Share of the variance below which only rounding is left; a recorder resolves 1e-7 of its range at best."""
_PIECE_SAMPLES = 1 << 15
STEPS = 40
PROGRESS = 1e-10
AMPLITUDE_DEPENDENT = 0.05
"""Difference of damping between large and small amplitudes worth a flag, if it is also three times its uncertainty."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FreeDecay:
    """What a free decay tells."""

    channels: tuple[ChannelResult, ...]
    curves: tuple[DecayCurve, ...]
    method: str
    explained: float
    """Share of the variance of all channels that decaying sinusoids explain."""
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """Poles −σ ± iω_d, each channel's amplitudes, and what is left."""

    sigma: Floats
    omega: Floats
    amplitudes: Floats
    """Constant, then cos and sin of each pole; shape (1 + 2m, c)."""
    residual: Floats
    """Shape (n, c)."""
    normal: Floats
    """Normal equations of σ₁ … σ_m, ω₁ … ω_m with the amplitudes eliminated, shape (2m, 2m)."""
    gradient: Floats
    """Right side of the same equations, shape (2m,)."""
    amplitude_factor: Floats
    """Diagonal of the inverse of the normal equations of the amplitudes, shape (1 + 2m,)."""

    @property
    def left(self) -> float:
        """Sum of squares that is not explained."""
        return float(np.sum(self.residual**2))

    def covariance(self) -> Floats:
        """Of the poles for white residuals of variance 1, shape (2m, 2m)."""
        return np.asarray(np.linalg.pinv(self.normal, hermitian=True))


def identify_decay(
    samples: Floats, sample_rate_hz: float, channels: Sequence[str], units: Sequence[str] = ()
) -> FreeDecay:
    """Modes of a free decay; ``samples`` has shape (n, c), from the release on, SI.

    Amplification is None: nothing drives. Raises ComputeError for a record without channels or too short to fit.
    """
    n = len(samples)
    if samples.ndim != 2 or samples.shape[1] != len(channels) or not channels:
        raise ComputeError("a free decay needs one column of samples for each channel")
    if n < 32 or not np.isfinite(samples).all():
        raise ComputeError(f"{n} samples, or gaps in them, cannot carry a fit of decaying sinusoids")
    time = np.arange(n) / sample_rate_hz
    scale = np.std(samples, axis=0)
    alive = scale > 0
    if not alive.any():
        raise ComputeError("every channel is silent: there is no decay in the record")
    y = samples[:, alive] / scale[alive]
    fit = _without_satellites(_search(time, y, sample_rate_hz), time, y)
    named = [name for name, lives in zip(channels, alive, strict=True) if lives]
    modes = [k for k in np.argsort(fit.omega) if _is_mode(fit, int(k), float(time[-1]))]
    results = _results(fit, time, sample_rate_hz, modes, named, scale[alive], y)
    dead = [_silent(name, time) for name, lives in zip(channels, alive, strict=True) if not lives]
    return FreeDecay(
        channels=(*results, *dead),
        curves=tuple(_curve(fit, time, modes, c, name, samples, scale[alive], channels, units)
                     for c, name in enumerate(named)),
        method=f"Decaying sinusoids fitted to the free decay, {n} samples of {time[-1]:.3g} s, channels together; "
        "every mode counts whose line stands out of the noise and dies away.",
        explained=1.0 - fit.left / y.size,
        flags=_hum(fit, float(time[-1])),
    )  # fmt: skip


def _search(time: Floats, y: Floats, rate: float) -> _Fit:
    """Add the line that stands out most until none does."""
    fit = _solve(time, y, np.empty(0), np.empty(0))
    while len(fit.sigma) < MOST_MODES and fit.left > EXHAUSTED * y.size:
        line = _strongest_line(fit.residual, rate)
        if line is None:
            break
        slowest = 2.0 / float(time[-1])
        starts = [_refine(time, fit.residual, np.array([s * slowest]), np.array([line])) for s in (1.0, 5.0, 25.0)]
        alone = min(starts, key=lambda each: each.left)
        trial = _refine(time, y, np.append(fit.sigma, alone.sigma), np.append(fit.omega, alone.omega))
        if not trial.left < fit.left * (1.0 - 1e-9):
            break
        fit = trial
    return fit


def _without_satellites(fit: _Fit, time: Floats, y: Floats) -> _Fit:
    """A mode whose damping depends on amplitude is not one pole: others beside it mend the misfit and are no modes.

    Poles within a bandwidth of each other are held to be one mode where that one by itself shows such a dependence.
    """
    noise = np.std(fit.residual, axis=0)
    plain = fit
    while True:
        kept, hosts = _apart(plain)
        if not hosts:
            return plain
        # With the others gone, a weak pole elsewhere may be drawn to the strong one: look again.
        plain = _refine(time, y, plain.sigma[kept], plain.omega[kept])
        if not any(_amplitude_dependence(plain, time, kept.index(k), y, noise) for k in hosts):
            return fit


def _apart(fit: _Fit) -> tuple[list[int], set[int]]:
    """Poles, strongest first, that no stronger one has within a bandwidth; and those that have such company."""
    size = np.max(np.hypot(fit.amplitudes[1::2], fit.amplitudes[2::2]), axis=1, initial=0.0)
    kept: list[int] = []
    hosts = set()
    for k in np.argsort(-size):
        near = [j for j in kept if abs(fit.omega[j] - fit.omega[k]) < fit.sigma[j] + fit.sigma[k]]
        if near:
            hosts.add(near[0])
        else:
            kept.append(int(k))
    return kept, hosts


def _strongest_line(residual: Floats, rate: float) -> float | None:
    """ω of the line that stands highest over its neighbourhood, or None where none stands out.

    Looked for in the whole record and in its beginnings, where a mode that dies away soon is not yet lost in noise.
    """
    best, found = ABOVE_NOISE, None
    for share in WINDOWS:
        n = len(residual) // share
        if n < SHORTEST_WINDOW:
            break
        over, frequency = _over_floor(residual[:n], rate)
        peak = int(np.argmax(over))
        if over[peak] > best:
            best, found = float(over[peak]), float(2.0 * np.pi * frequency[peak])
    return found


def _over_floor(residual: Floats, rate: float) -> tuple[Floats, Floats]:
    """Periodogram over its own median in eight bands, channels summed, and its frequencies in Hz."""
    from scipy.fft import next_fast_len  # costs a quick look a quarter of a second, which has no decay

    n = next_fast_len(len(residual))
    taper = np.hanning(2 * len(residual))[len(residual) :, None]
    power = np.sum(np.abs(np.fft.rfft(residual * taper, n, axis=0)) ** 2 / np.var(residual, axis=0), axis=1)
    width = max(16, len(power) // 8)
    blocks = np.array([np.median(power[i : i + width]) for i in range(0, len(power), width)])
    floor = np.interp(np.arange(len(power)), np.arange(len(blocks)) * width + width / 2, blocks)
    over = power / np.maximum(floor, 1e-12 * power.max())
    over[:2] = 0.0
    over[-2:] = 0.0
    return over, np.asarray(np.fft.rfftfreq(n, 1.0 / rate), dtype=np.float64)


def _basis(time: Floats, sigma: Floats, omega: Floats) -> Floats:
    envelope = np.exp(-np.outer(time, sigma))
    turning = np.outer(time, omega)
    pairs = np.stack([envelope * np.cos(turning), envelope * np.sin(turning)], axis=2).reshape(len(time), -1)
    return np.column_stack([np.ones(len(time)), pairs])


def _solve(time: Floats, y: Floats, sigma: Floats, omega: Floats) -> _Fit:
    """Amplitudes for given poles, and the equations of the step that the poles would take."""
    basis = _basis(time, sigma, omega)
    q, r = np.linalg.qr(basis)
    amplitudes = np.linalg.lstsq(r, q.T @ y, rcond=None)[0]
    residual = y - basis @ amplitudes
    normal, gradient = _step_equations(time, basis, amplitudes, q, residual)
    factor = np.sum(np.linalg.pinv(r) ** 2, axis=1)
    return _Fit(sigma, omega, amplitudes, residual, normal, gradient, factor)


def _step_equations(
    time: Floats, basis: Floats, amplitudes: Floats, q: Floats, residual: Floats
) -> tuple[Floats, Floats]:
    """Normal equations, shape (2m, 2m), and right side, (2m,), of σ₁ … σ_m, ω₁ … ω_m with the amplitudes projected out.

    Of the slopes S the part within the basis is taken off: (S − QQᵀS)ᵀ(S − QQᵀS), a piece of the time after the other.
    """
    m, channels = (basis.shape[1] - 1) // 2, amplitudes.shape[1]
    within = np.zeros((2 * m, q.shape[1], channels))
    pieces = [slice(at, at + _PIECE_SAMPLES) for at in range(0, len(time), _PIECE_SAMPLES)]
    for piece in pieces:
        within += q[piece].T @ _slopes(time[piece], basis[piece], amplitudes)
    normal, gradient = np.zeros((2 * m, 2 * m)), np.zeros(2 * m)
    for piece in pieces:
        slopes = _slopes(time[piece], basis[piece], amplitudes)
        slopes -= q[piece] @ within
        flat = slopes.reshape(2 * m, slopes.shape[1] * channels)
        normal += flat @ flat.T
        gradient += flat @ residual[piece].ravel()
    return normal, gradient


def _slopes(time: Floats, basis: Floats, amplitudes: Floats) -> Floats:
    """Derivatives of the model by σ₁ … σ_m, ω₁ … ω_m, shape (2m, n, c)."""
    m = (basis.shape[1] - 1) // 2
    cosine, sine = basis[:, 1::2], basis[:, 2::2]
    found = np.empty((2 * m, len(time), amplitudes.shape[1]))
    for k in range(m):
        a, b = amplitudes[1 + 2 * k], amplitudes[2 + 2 * k]
        found[k] = -time[:, None] * (np.outer(cosine[:, k], a) + np.outer(sine[:, k], b))
        found[m + k] = time[:, None] * (np.outer(cosine[:, k], b) - np.outer(sine[:, k], a))
    return found


def _refine(time: Floats, y: Floats, sigma: Floats, omega: Floats) -> _Fit:
    """Gauss-Newton with Levenberg's damping until the residual no longer falls."""
    damping, m = 1e-3, len(sigma)
    fit = _solve(time, y, sigma, omega)
    for _ in range(STEPS):
        raised = fit.normal + damping * np.diag(np.diag(fit.normal))
        step = np.linalg.lstsq(raised, fit.gradient, rcond=None)[0]
        trial = _solve(time, y, np.maximum(fit.sigma + step[:m], 0.0), np.abs(fit.omega + step[m:]))
        if trial.left < fit.left:
            done = fit.left - trial.left < PROGRESS * fit.left
            fit, damping = trial, damping / 5.0
            if done:
                break
        elif damping > 1e6:
            break
        else:
            damping *= 8.0
    return fit


def _is_mode(fit: _Fit, k: int, seconds: float) -> bool:
    """Neither hum that does not decay nor a burst that is over within three cycles."""
    return bool(fit.sigma[k] * seconds > LEAST_DECAY and fit.omega[k] / (2 * math.pi) > FEWEST_CYCLES * fit.sigma[k])


def _hum(fit: _Fit, seconds: float) -> tuple[str, ...]:
    steady = [k for k in range(len(fit.sigma)) if fit.sigma[k] * seconds <= LEAST_DECAY]
    return tuple(
        f"a line at {fit.omega[k] / (2 * math.pi):.4g} Hz does not die away: hum or an outside source, not a mode"
        for k in steady
    )


def _inflation(fit: _Fit, rate: float, omega: float) -> Floats:
    """Variance of the residual around ω over that of white noise, per channel, shape (c,); never below 1."""
    n = len(fit.residual)
    spectrum = np.abs(np.fft.rfft(fit.residual, axis=0)) ** 2
    frequency = np.fft.rfftfreq(n, 1.0 / rate)
    centre = int(np.searchsorted(frequency, omega / (2 * np.pi)))
    width = max(8, n // 200)
    local = np.mean(spectrum[max(1, centre - width) : centre + width], axis=0)
    return np.asarray(np.maximum(local / np.maximum(np.mean(spectrum[1:], axis=0), 1e-300), 1.0))


def _results(
    fit: _Fit, time: Floats, rate: float, modes: Sequence[int], names: Sequence[str], scale: Floats, y: Floats
) -> list[ChannelResult]:
    noise = np.sqrt(np.sum(fit.residual**2, axis=0) / max(len(time) - 1 - 4 * len(fit.sigma), 1))
    found: list[list[Resonance]] = [[] for _ in names]
    for k in modes:
        inflation = _inflation(fit, rate, float(fit.omega[k]))
        size = np.hypot(fit.amplitudes[1 + 2 * k], fit.amplitudes[2 + 2 * k])
        std = noise * np.sqrt(inflation * max(fit.amplitude_factor[1 + 2 * k], fit.amplitude_factor[2 + 2 * k]))
        variance = float(np.max(noise**2 * inflation))
        flags = _amplitude_dependence(fit, time, k, y, noise)
        for c in np.flatnonzero(size > SIGNIFICANT * std):
            residue = complex(fit.amplitudes[1 + 2 * k, c], -fit.amplitudes[2 + 2 * k, c]) * float(scale[c])
            found[c].append(_resonance(fit, k, variance, flags, residue))
    return [
        ChannelResult(
            id=name, frequency_hz=np.empty(0), magnitude=np.empty(0), phase_deg=None, resonances=tuple(found[c]),
            noise_floor=float(noise[c] * scale[c]),
        )
        for c, name in enumerate(names)
    ]  # fmt: skip


def _resonance(fit: _Fit, k: int, variance: float, flags: tuple[str, ...], residue: complex) -> Resonance:
    """ω_0 = |s|, Q = ω_0/2σ; their uncertainties from the covariance of σ and ω_d."""
    sigma, omega, m = float(fit.sigma[k]), float(fit.omega[k]), len(fit.sigma)
    block = variance * fit.covariance()[np.ix_([k, m + k], [k, m + k])]
    natural = math.hypot(sigma, omega)
    by_frequency = np.array([sigma, omega]) / natural
    by_q = np.array([sigma / natural / (2 * sigma) - natural / (2 * sigma**2), omega / natural / (2 * sigma)])
    damping = sigma / natural
    return Resonance(
        frequency_hz=natural / (2 * math.pi),
        frequency_std_hz=math.sqrt(max(float(by_frequency @ block @ by_frequency), 0.0)) / (2 * math.pi),
        q=natural / (2 * sigma),
        q_std=math.sqrt(max(float(by_q @ block @ by_q), 0.0)),
        damping_ratio=damping,
        decrement=2 * math.pi * damping / math.sqrt(1 - damping**2),
        residue=residue,
        flags=flags,
        reasons=(("amplification", "a free decay has no drive to divide by"),),
    )


def _amplitude_dependence(fit: _Fit, time: Floats, k: int, y: Floats, noise: Floats) -> tuple[str, ...]:
    """Damping of one mode by itself over the larger and the smaller half of its decay, in nepers above the noise."""
    size = np.hypot(fit.amplitudes[1 + 2 * k], fit.amplitudes[2 + 2 * k])
    c = int(np.argmax(size / noise))
    sigma = float(fit.sigma[k])
    useful = min(math.log(max(size[c] / (3.0 * noise[c]), 1.0)) / sigma, float(time[-1]))
    if useful * sigma < 1.0:
        return ()
    others = np.delete(np.arange(len(fit.sigma)), k)
    columns = np.array([0] + [i for o in others for i in (1 + 2 * o, 2 + 2 * o)], dtype=int)
    alone = y[:, c] - _basis(time, fit.sigma[others], fit.omega[others]) @ fit.amplitudes[columns, c]
    middle, end = int(np.searchsorted(time, useful / 2)), int(np.searchsorted(time, useful))
    if min(middle, end - middle) < 16:
        return ()
    halves = []
    for part in (slice(0, middle), slice(middle, end)):
        half = _refine(time[part] - time[part][0], alone[part, None], fit.sigma[[k]], fit.omega[[k]])
        spread = math.sqrt(max(float(half.covariance()[0, 0]), 0.0)) * max(float(noise[c]), float(half.residual.std()))
        halves.append((float(half.sigma[0]), spread, float(half.omega[0])))
    (large, u_large, w_large), (small, u_small, w_small) = halves
    apart = abs(large - small)
    if (
        not (small > 0 and large > 0)
        or apart < AMPLITUDE_DEPENDENT * sigma
        or apart < 3.0 * math.hypot(u_large, u_small)
    ):
        return ()
    return (
        f"damping depends on amplitude: Q {w_large / (2 * large):.3g} in the larger half of the decay, "
        f"{w_small / (2 * small):.3g} in the smaller",
    )


def _curve(
    fit: _Fit, time: Floats, modes: Sequence[int], c: int, name: str, samples: Floats, scale: Floats,
    channels: Sequence[str], units: Sequence[str],
) -> DecayCurve:  # fmt: skip
    """The record of one channel and the envelope of the mode that is largest on it."""
    place = list(channels).index(name)
    size = np.hypot(fit.amplitudes[1::2, c], fit.amplitudes[2::2, c]) * scale[c]
    leading = max(modes, key=lambda k: float(size[k]), default=None)
    envelope = None if leading is None else size[leading] * np.exp(-fit.sigma[leading] * time)
    unit = units[place] if place < len(units) else ""
    return DecayCurve(channel=name, time_s=time, response=samples[:, place], envelope=envelope, unit=unit)


def _silent(name: str, time: Floats) -> ChannelResult:
    return ChannelResult(
        id=name, frequency_hz=np.empty(0), magnitude=np.empty(0), phase_deg=None,
        flags=(f"the channel is silent for all of {time[-1]:.3g} s",),
    )  # fmt: skip
