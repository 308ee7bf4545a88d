"""The structure as a sum of modes, and its response to the sweep, column by column.

Absolute acceleration over base acceleration of a structure with poles s_k is

    H(s) = d + d₂ s² + d₃ s³ + d₄ s⁴ + d₋₂ s⁻² + Σ_k (g_k (2ζ_k ω_k s + ω_k²) + b_k ω_k s) / (s² + 2ζ_k ω_k s + ω_k²),

g_k real: the mode's participation times its shape at the sensor; b_k only where the modes are not real. The d terms
stand for rigid-body motion and for modes outside the band. A channel of another dimension carries a power of s. Each
mode is the pair of poles s_k, s_k*, so low Q is exact. Source: Ewins, Modal Testing, 2nd ed. 2000, ch. 2 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from reportgen.compute.identification.drive import Drive
from reportgen.compute.identification.envelope import Complexes, envelope
from reportgen.compute.identification.step_timing import NO_TIMING, Courses, EventRinging, StepTiming, ringing_after
from reportgen.compute.identification.tracking_filter import before_filter, through_filter
from reportgen.records.log import Floats

DIRECT_POWERS = (0, 2, 3, 4, -2)
"""Powers of s of the terms for what lies outside the band, in the order in which they are added."""
_POWER = {"acceleration": 0, "velocity": -1, "displacement": -2}
"""Power of s of each kind of motion over acceleration."""


@dataclass(frozen=True, slots=True)
class ChannelKind:
    """How a channel's dimension enters: the power of s against acceleration, and what its real modes look like."""

    power: int
    relative: bool
    """True for strain, force and the like, which follow the relative displacement."""


def channel_kind(dimension: str, control_dimension: str) -> ChannelKind:
    """The kind of a response channel under a control channel of some dimension."""
    drive = _POWER.get(control_dimension, 0)
    return ChannelKind(_POWER.get(dimension, 0) - drive, dimension not in (*_POWER, "ratio"))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Poles:
    """Poles of the structure, m of them; immutable."""

    frequency_hz: Floats
    """Undamped natural frequencies, shape (m,)."""
    damping_ratio: Floats
    """ζ, shape (m,)."""
    complex_residue: np.ndarray
    """Which modes may have a residue that is not real, bool, shape (m,)."""
    events: Floats = field(default_factory=lambda: np.empty(0))
    """What the level's steps were beyond the rows, in prior standard deviations, shape (j,)."""

    def __len__(self) -> int:
        return len(self.frequency_hz)

    @property
    def s(self) -> Complexes:
        """ω₀(−ζ + i√(1−ζ²)), shape (m,)."""
        zeta = self.damping_ratio
        return np.asarray(2.0 * np.pi * self.frequency_hz * (-zeta + 1j * np.sqrt(1.0 - zeta**2)))

    @property
    def q(self) -> Floats:
        """1/(2ζ), shape (m,)."""
        return 0.5 / self.damping_ratio

    @property
    def parameters(self) -> Floats:
        """(ln f₀, ln ζ) of every mode, then the sizes of the events, shape (2m + j,)."""
        pairs = np.stack([np.log(self.frequency_hz), np.log(self.damping_ratio)], axis=1)
        return np.concatenate([pairs.ravel(), self.events])

    def moved(self, parameters: Floats) -> Poles:
        """The same modes at other parameters (ln f₀, ln ζ, …, sizes of the events)."""
        pairs = parameters[: 2 * len(self)].reshape(-1, 2)
        return replace(
            self,
            frequency_hz=np.exp(pairs[:, 0]),
            damping_ratio=np.clip(np.exp(pairs[:, 1]), *DAMPING_RANGE),
            events=parameters[2 * len(self) :],
        )

    def only(self, keep: np.ndarray) -> Poles:
        """The modes of a bool mask or of indices."""
        return replace(
            self,
            frequency_hz=self.frequency_hz[keep],
            damping_ratio=self.damping_ratio[keep],
            complex_residue=self.complex_residue[keep],
        )

    def joined(self, frequency_hz: float, q: float) -> Poles:
        """One more mode, with a real residue."""
        return replace(
            self,
            frequency_hz=np.append(self.frequency_hz, frequency_hz),
            damping_ratio=np.append(self.damping_ratio, 0.5 / q),
            complex_residue=np.append(self.complex_residue, False),
        )


DAMPING_RANGE = (1e-5, 0.7)
"""ζ of a mode: from far below any structure's own (Q = 50,000) to where a resonance has no peak (1/√2)."""
NO_POLES = Poles(frequency_hz=np.empty(0), damping_ratio=np.empty(0), complex_residue=np.empty(0, bool))
"""A structure without a mode in or near the band."""


def _numerators(zeta: float, kind: ChannelKind, wanted: int) -> list[tuple[complex, complex]]:
    """(residue over ω₀^(1+power), its derivative by ln ζ) of the one or two columns of a mode."""

    def residues(z: float) -> list[complex]:
        root = np.sqrt(1.0 - z * z)
        s = -z + 1j * root
        first = 1.0 if kind.relative else 2.0 * z * s + 1.0
        return [first * s**kind.power / (2j * root), s ** (1 + kind.power) / (2j * root)]

    step = 1e-5
    low, high = residues(zeta * np.exp(-step)), residues(zeta * np.exp(step))
    return [(r, (b - a) / (2 * step)) for r, a, b in zip(residues(zeta), low, high, strict=True)][:wanted]


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Basis of one kind of channel: responses of unit coefficients along the sweep, one row a coefficient."""

    values: Complexes
    """Shape (P, n)."""
    derivative: Complexes
    """By (ln f₀, ln ζ) of the mode a coefficient belongs to, shape (P, 2, n); zero for the direct terms."""
    mode: np.ndarray
    """Mode of every coefficient, −1 for the direct terms, shape (P,)."""
    residues: Complexes
    """Residue at the upper pole of every coefficient, rad/s times the channel's own unit, shape (P,); 0 if direct."""


@dataclass(frozen=True, slots=True, eq=False)
class ModeEnvelopes:
    """E and ∂E/∂s of the pole pair of one mode, each of shape (n,)."""

    upper: Complexes
    upper_ds: Complexes
    lower: Complexes
    lower_ds: Complexes
    ringing: EventRinging
    """What the events of the drive add to both."""

    def after(self, events: Floats) -> ModeEnvelopes:
        """After events of these sizes, in prior standard deviations, shape (j,)."""
        if not events.any():
            return self
        ringing = self.ringing
        return replace(
            self,
            upper=ringing.added(events, self.upper, ringing.value),
            upper_ds=ringing.added(events, self.upper_ds, ringing.value_ds),
            lower=ringing.added(events, self.lower, ringing.lower),
            lower_ds=ringing.added(events, self.lower_ds, ringing.lower_ds),
        )


def mode_envelopes(drive: Drive, pole: complex, timing: StepTiming = NO_TIMING) -> ModeEnvelopes:
    """Envelopes of s and s*, as the drive's tracking filter leaves them.

    A event is of the level as logged, behind the filter that responses pass, too: it needs none of its own. What is
    lacking at the start is the structure's, and passes the filter.
    """
    lower, lower_ds = envelope(drive, np.conj(pole))
    if drive.bandwidth_hz is None or drive.steady:
        upper, upper_ds = envelope(drive, pole)
        unfiltered = upper, upper_ds
    else:
        upper, upper_ds = through_filter(drive, pole)
        unfiltered = before_filter(drive, pole) if len(timing.starts) else (upper, upper_ds)
    courses = Courses((upper, upper_ds), unfiltered, (lower, lower_ds))
    ringing = ringing_after(drive, pole, timing, courses)
    return ModeEnvelopes(upper, upper_ds, lower, lower_ds, ringing)


@dataclass(frozen=True, slots=True, eq=False)
class Background:
    """What is in a model besides its modes."""

    powers: tuple[int, ...]
    """Of s: terms for what lies outside the band."""
    centre: float
    """rad/s: scales powers of ω so that all coefficients are of one order."""
    extra: Complexes
    """Columns that are taken as they are, shape (e, n)."""


@dataclass(frozen=True, slots=True, eq=False)
class ModeColumns:
    """The columns of one mode in the basis of a kind of channel: one, or two of a complex residue."""

    values: Complexes
    """Shape (1 or 2, n)."""
    derivative: Complexes
    """By (ln f₀, ln ζ), shape (1 or 2, 2, n)."""
    residues: Complexes
    """As ``Columns.residues``, shape (1 or 2,)."""


def columns_of_mode(poles: Poles, k: int, pair: ModeEnvelopes, kind: ChannelKind, centre: float) -> ModeColumns:
    """Columns of mode k from its envelopes."""
    residues = _residues(poles, k, kind, centre)
    n = len(pair.upper)
    own = ModeColumns(
        np.empty((len(residues), n), complex), np.empty((len(residues), 2, n), complex),
        np.array([r.upper * centre**kind.power for r in residues]),
    )  # fmt: skip
    for j, residue in enumerate(residues):
        _fill(own, j, pair, residue, kind)
    return own


def columns(drive: Drive, modes: Sequence[ModeColumns], kind: ChannelKind, background: Background) -> Columns:
    """Basis of a kind of channel: the direct terms, the extra columns, then one or two coefficients a mode."""
    powers, centre, extra = background.powers, background.centre, background.extra
    first, n = len(powers) + len(extra), len(drive.omega)
    counts = [len(own.values) for own in modes]
    size = first + sum(counts)
    basis = Columns(
        np.empty((size, n), complex), np.empty((size, 2, n), complex), np.full(size, -1), np.zeros(size, complex)
    )
    basis.derivative[:first] = 0.0
    for j, power in enumerate(powers):
        basis.values[j] = drive.amplitude * (1j * drive.omega / centre) ** (power + kind.power)
    basis.values[len(powers) : first] = extra
    basis.mode[first:] = np.repeat(np.arange(len(modes)), counts)
    if modes:
        np.concatenate([own.values for own in modes], out=basis.values[first:])
        np.concatenate([own.derivative for own in modes], out=basis.derivative[first:])
        np.concatenate([own.residues for own in modes], out=basis.residues[first:])
    return basis


@dataclass(frozen=True, slots=True)
class _Residue:
    """Of one coefficient of a mode at its upper pole, with the pole."""

    upper: complex
    by_ln_zeta: complex
    pole: complex
    pole_by_ln_zeta: complex


def _residues(poles: Poles, k: int, kind: ChannelKind, centre: float) -> list[_Residue]:
    """Of the one or two coefficients of mode k."""
    pole, zeta = complex(poles.s[k]), float(poles.damping_ratio[k])
    omega0 = 2.0 * np.pi * float(poles.frequency_hz[k])
    pole_dzeta = omega0 * zeta * (-1.0 - 1j * zeta / np.sqrt(1.0 - zeta**2))
    scale = omega0 * (omega0 / centre) ** kind.power
    wanted = 1 + int(poles.complex_residue[k])
    return [_Residue(r * scale, dr * scale, pole, pole_dzeta) for r, dr in _numerators(zeta, kind, wanted)]


def _fill(basis: ModeColumns, j: int, pair: ModeEnvelopes, residue: _Residue, kind: ChannelKind) -> None:
    """Write row j: the response of a coefficient and its derivatives by (ln f₀, ln ζ)."""
    r, dr, pole, pole_dzeta = residue.upper, residue.by_ln_zeta, residue.pole, residue.pole_by_ln_zeta
    rc, drc = np.conj(r), np.conj(dr)
    value = r * pair.upper + rc * pair.lower
    basis.values[j] = value
    basis.derivative[j, 0] = (1 + kind.power) * value
    basis.derivative[j, 0] += (r * pole) * pair.upper_ds + (rc * np.conj(pole)) * pair.lower_ds
    basis.derivative[j, 1] = dr * pair.upper + drc * pair.lower
    basis.derivative[j, 1] += (r * pole_dzeta) * pair.upper_ds + (rc * np.conj(pole_dzeta)) * pair.lower_ds


@dataclass(frozen=True, slots=True, eq=False)
class SteadyColumns:
    """Steady-state transfer H(iω) per unit coefficient of a kind of channel: closed form, scaled as the swept columns.

    The ``extra`` coefficients belong to what is not the structure's and stay without effect.
    """

    background: Background
    power: int
    """Of the kind of channel."""
    mode: np.ndarray
    """Mode of every coefficient, −1 for the direct terms, shape (P,)."""
    residue: Complexes
    """At the upper pole, of the coefficients of modes, shape (K,)."""
    residue_by_ln_zeta: Complexes
    pole: Complexes
    pole_by_ln_zeta: Complexes

    @classmethod
    def of(cls, poles: Poles, kind: ChannelKind, background: Background) -> SteadyColumns:
        """From the same poles and background as ``columns``."""
        each = [(k, r) for k in range(len(poles)) for r in _residues(poles, k, kind, background.centre)]
        direct = np.full(len(background.powers) + len(background.extra), -1)
        parts = np.array([(r.upper, r.by_ln_zeta, r.pole, r.pole_by_ln_zeta) for _, r in each], complex).reshape(-1, 4)
        return cls(background, kind.power, np.concatenate([direct, np.array([k for k, _ in each], int)]), *parts.T)

    def values(self, omega: Floats) -> Complexes:
        """Shape (P, n)."""
        found = np.zeros((len(self.mode), len(omega)), complex)
        for j, power in enumerate(self.background.powers):
            found[j] = (1j * omega / self.background.centre) ** (power + self.power)
        upper, lower = self._answers(omega)
        found[len(self.mode) - len(self.pole) :] = (
            self.residue[:, None] * upper + np.conj(self.residue)[:, None] * lower
        )
        return found

    def by_modes(self, omega: Floats) -> Complexes:
        """Derivatives by (ln f₀, ln ζ) of the mode that a coefficient belongs to, shape (K, 2, n)."""
        upper, lower = self._answers(omega)
        r, dr = self.residue[:, None], self.residue_by_ln_zeta[:, None]
        s, ds = self.pole[:, None], self.pole_by_ln_zeta[:, None]
        by_f = (1 + self.power) * (r * upper + np.conj(r) * lower)
        by_f = by_f + r * s * upper**2 + np.conj(r * s) * lower**2
        by_zeta = dr * upper + np.conj(dr) * lower + r * ds * upper**2 + np.conj(r * ds) * lower**2
        return np.stack([by_f, by_zeta], axis=1)

    def _answers(self, omega: Floats) -> tuple[Complexes, Complexes]:
        p = 1j * omega
        upper, lower = self.pole[:, None], np.conj(self.pole)[:, None]
        return np.asarray(1.0 / (p - upper)), np.asarray(1.0 / (p - lower))
