"""Normal equations of one channel's coefficients, scaled to unit columns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reportgen.records.log import Floats

_RIDGE = 1e-13
"""Relative ridge that keeps twin columns apart; far below any noise."""


@dataclass(frozen=True, slots=True, eq=False)
class Normal:
    """(A Aᵀ)⁻¹ of real rows A (P, N), kept as the inverse of the scaled matrix."""

    scale: Floats
    """1/‖row‖, shape (P,)."""
    inverse: Floats
    """Of the scaled matrix, shape (P, P)."""

    @classmethod
    def of(cls, rows: Floats) -> Normal:
        """From the weighted rows (P, N)."""
        gram = rows @ rows.T
        scale = 1.0 / np.sqrt(np.maximum(np.diag(gram), 1e-300))
        scaled = gram * np.outer(scale, scale)
        scaled[np.diag_indices_from(scaled)] = 1.0 + _RIDGE
        return cls(np.asarray(scale), _inverse(scaled))

    @property
    def covariance(self) -> Floats:
        """Of the coefficients for unit noise, shape (P, P)."""
        return self.inverse * np.outer(self.scale, self.scale)

    def divide(self, right: Floats) -> Floats:
        """(A Aᵀ)⁻¹ · right for (P,) or (P, k)."""
        scale = self.scale if right.ndim == 1 else self.scale[:, None]
        return np.asarray(scale * (self.inverse @ (scale * right)))

    def solve(self, rows: Floats, target: Floats) -> tuple[Floats, Floats]:
        """Least-squares coefficients and residual, refined once against the rows themselves."""
        x = self.divide(rows @ target)
        left = target - x @ rows
        more = self.divide(rows @ left)
        return x + more, left - more @ rows


def _inverse(scaled: Floats) -> Floats:
    """Inverse of a positive definite matrix of unit diagonal; of one that is not quite, by its eigenvalues."""
    try:
        half = np.linalg.inv(np.linalg.cholesky(scaled))
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.pinv(scaled, rcond=1e-14, hermitian=True))
    return np.asarray(half.T @ half)
