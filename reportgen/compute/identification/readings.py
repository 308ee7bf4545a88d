"""What was measured on the fitted rows, and how much each reading counts."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reportgen.compute.identification.envelope import Complexes
from reportgen.compute.identification.modal_model import ChannelKind
from reportgen.records.log import Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Readings:
    """What was measured: amplitude and, where known, phase of every channel on the fitted rows."""

    amplitude: Floats
    """Shape (n, c); 0 where there is no reading (its weight is 0)."""
    with_phase: np.ndarray
    """Bool, shape (c,)."""
    valid: np.ndarray
    """Bool, shape (n, c)."""
    turn: Complexes
    """e^{−iθ} of the phase θ, shape (n, c); 1 where there is none."""
    kinds: tuple[ChannelKind, ...]
    read: np.ndarray
    """Bool, shape (n, c): where there is a reading at all, also one of noise alone, which is not ``valid``."""

    @property
    def complex_value(self) -> Complexes:
        """A e^{iθ}, shape (n, c)."""
        return np.asarray(self.amplitude * np.conj(self.turn))

    def part(self, start: int, stop: int) -> Readings:
        """Rows start … stop−1."""
        rows = slice(start, stop)
        return replace(
            self, amplitude=self.amplitude[rows], turn=self.turn[rows], valid=self.valid[rows], read=self.read[rows]
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weights:
    """1/σ along the reading and across it (amplitude and phase errors), each of shape (n, c)."""

    along: Floats
    across: Floats

    def part(self, start: int, stop: int) -> Weights:
        """Rows start … stop−1."""
        return Weights(along=self.along[start:stop], across=self.across[start:stop])
