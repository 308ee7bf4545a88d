"""What is fitted: complex responses over their reference, row by row, and the shapes of poles on those rows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.identification.misfit.ringing import Ringing
from reportgen.records.log import Floats

Complexes = NDArray[np.complex128]
Shape = Callable[[complex, slice], tuple[Complexes, Complexes]]
"""Response E and ∂E/∂s of a unit pole s at the rows of a slice, each (rows,), over the reference."""


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """Rows in the order of frequency or of time, channels beside one another."""

    omega: Floats
    """rad/s, shape (n,)."""
    values: Complexes
    """Response over reference, shape (n, c); zero where not valid."""
    valid: NDArray[np.bool_]
    """Shape (n, c)."""
    shape: Shape
    """What a pole answers with on these rows; steady state: E = 1/(iω − s)."""
    powers: tuple[int, ...] = (0, 2, 4, -2)
    """Powers of ω, relative to the middle of the rows fitted, of the terms for what lies outside."""
    quiet: Floats | None = None
    """Median level of the reference over its level at each row, shape (n,): a noise that does not depend on the level
    is so many times as large in the ratio. None where the level is not known."""
    ringing: Ringing | None = None
    """Changes of the drive after which modes ring freely; None where there are none."""

    def __len__(self) -> int:
        return len(self.omega)

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self.values.shape[1])

    @property
    def floor_course(self) -> Floats:
        """``quiet``, 1 where the level is not known, shape (n, 1)."""
        return (np.ones(len(self)) if self.quiet is None else self.quiet)[:, None]

    def rows_around(self, low: float, high: float, least: int) -> slice:
        """Rows whose frequency lies in low … high (rad/s), at ``least`` so many; rows must be sorted."""
        first, last = np.searchsorted(self.omega, (low, high))
        lack = max(0, least - int(last - first) + 1) // 2
        return slice(max(0, int(first) - lack), min(len(self), int(last) + lack))
