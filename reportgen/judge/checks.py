"""Every check there is, in the order in which documents list them. A new check is one file and a line here."""

from __future__ import annotations

from reportgen.judge.amplification import AMPLIFICATION
from reportgen.judge.calibration import CALIBRATION
from reportgen.judge.control_tolerance import CONTROL_TOLERANCE
from reportgen.judge.dwell import DWELL_CYCLES, DWELL_DURATION
from reportgen.judge.frequency_range import FREQUENCY_RANGE
from reportgen.judge.inspection import INSPECTION
from reportgen.judge.natural_frequency import LOWEST_NATURAL_FREQUENCY
from reportgen.judge.response_level import RESPONSE_LEVEL
from reportgen.judge.shift import AMPLIFICATION_SHIFT, FREQUENCY_SHIFT
from reportgen.judge.sweep_rate import SWEEP_RATE
from reportgen.records.check import Check

CHECKS: tuple[Check, ...] = (
    CONTROL_TOLERANCE,
    FREQUENCY_RANGE,
    SWEEP_RATE,
    LOWEST_NATURAL_FREQUENCY,
    AMPLIFICATION,
    RESPONSE_LEVEL,
    FREQUENCY_SHIFT,
    AMPLIFICATION_SHIFT,
    DWELL_DURATION,
    DWELL_CYCLES,
    CALIBRATION,
    INSPECTION,
)
