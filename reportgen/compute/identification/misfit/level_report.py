"""A mode that follows its level as a record: its backbone, and its values at the level that the run reached."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reportgen.compute.identification.findings import of_resonance
from reportgen.compute.identification.misfit.level_competition import Levelled
from reportgen.records.identified_fact import FactCode, IdentifiedFact
from reportgen.records.result import Backbone, BackboneLaw, Observed, Resonance
from reportgen.units import STANDARD_GRAVITY

if TYPE_CHECKING:
    from reportgen.compute.identification.misfit.account_report import AccountReport

LEVELS = 7
"""Levels that a backbone is given at, in equal ratios."""
_LOWEST = 0.1
"""Level over the largest down to which a backbone is given: below, a row tells nothing of the pole."""


def moving_resonance(report: AccountReport, c: int, each: Levelled) -> Resonance:
    """The record of a mode that follows its level on channel c."""
    backbone = backbone_of(report, each)
    most = np.array([float(np.max(each.amplitude))])
    (ln_f, ln_zeta), (f_std, zeta_std) = each.at(most)
    f0, zeta = float(np.exp(ln_f[0])), float(np.exp(ln_zeta[0]))
    model = (each.held + each.mode.model)[:, c]
    top = int(np.argmax(np.abs(model) * (np.abs(each.own[:, c]) > 0.5 * np.max(np.abs(each.own[:, c])))))
    size, own = float(abs(model[top])), each.own[:, c]
    spread = size * float(np.sqrt(each.inflation / max(len(own), 1)) * 0.01 + zeta_std[0] * abs(own[top]) / size)
    calibration = report.sweep.calibration_std(c)
    facts = [
        IdentifiedFact(
            code=FactCode.LEVEL_DEPENDENT, share=float(each.frequency_range()[1] / each.frequency_range()[0] - 1.0)
        )
    ]
    if calibration is None:
        facts.append(IdentifiedFact(code=FactCode.CALIBRATION_UNSTATED))
    return Resonance(
        frequency_hz=f0, frequency_std_hz=f0 * float(f_std[0]), q=0.5 / zeta, q_std=0.5 / zeta * float(zeta_std[0]),
        damping_ratio=zeta, amplification=size, amplification_std=float(np.hypot(spread, size * (calibration or 0.0))),
        amplification_std_fit=spread, amplification_std_calibration=None if calibration is None else size * calibration,
        phase_deg=float(np.degrees(np.angle(model[top]))),
        observed=Observed(peak_hz=float(report.band.omega[each.rows][top] / (2 * np.pi)),
                          amplification=float(np.abs(report.band.values[each.rows][top, c])) or None),
        residue=complex(each.mode.residues[c]), **of_resonance(facts), backbone=backbone,
        level=backbone.levels[-1],
    )  # fmt: skip


def backbone_of(report: AccountReport, each: Levelled) -> Backbone:
    """Frequency and damping at levels from a tenth of the largest, or the smallest there was, up to the largest."""
    most, least = float(np.max(each.amplitude)), float(np.min(each.amplitude))
    levels = np.geomspace(max(least, _LOWEST * most), most, LEVELS)
    (ln_f, ln_zeta), (f_std, zeta_std) = each.at(levels)
    is_motion = report.sweep.dimensions[each.channel] in ("acceleration", "ratio")
    f, zeta = np.exp(ln_f), np.exp(ln_zeta)
    return Backbone(
        channel=report.sweep.channels[each.channel],
        unit="g" if is_motion else "",
        levels=tuple(float(x) for x in levels / (STANDARD_GRAVITY if is_motion else 1.0)),
        frequency_hz=tuple(map(float, f)), frequency_std_hz=tuple(map(float, f * f_std)),
        damping_ratio=tuple(map(float, zeta)), damping_ratio_std=tuple(map(float, zeta * zeta_std)),
        law=law_of(each),
    )  # fmt: skip


def law_of(each: Levelled) -> BackboneLaw:
    """What kind of law it is."""
    law = each.mode.law
    if law.slip:
        return BackboneLaw.FRICTION
    return BackboneLaw.POWER if "ln x" in (*law.omega, *law.zeta) else BackboneLaw.POLYNOMIAL
