"""The whole of a report: what the render room prints and what results.json holds."""

from __future__ import annotations

import builtins
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from reportgen.records.deviation import Deviation
from reportgen.records.finding import Finding
from reportgen.records.job import Job
from reportgen.records.message import Message
from reportgen.records.note import Note
from reportgen.records.result import BeamFit, ExciterUse, Mode, ModePicture, RunResult
from reportgen.records.verdict import Outcome, Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFile:
    """A file that was read, named as in the job folder."""

    path: str
    sha256: str
    bytes: int
    kept: builtins.bytes | None = None
    """What is kept of it, where that is not the file itself: a photo without its metadata."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One number, verdict or text that differs from the superseded revision (ISO/IEC 17025:2017, 7.8.8)."""

    what: Message
    before: Message
    after: Message


@dataclass(frozen=True, slots=True, kw_only=True)
class Amendment:
    """The report that this one replaces."""

    number: str
    revision: str
    sha256: str
    changes: tuple[Change, ...] = ()
    date: date | None = None
    """On which it was issued; None where its archive does not say."""


class Pairing(StrEnum):
    """What became of a mode between two runs, as one channel shows it."""

    PAIRED = "paired"
    VANISHED = "vanished"
    """Seen before, on no channel after, though the run swept there: a failure to explain."""
    APPEARED = "appeared"
    """Seen after, on no channel before."""
    DOUBTFUL = "doubtful"
    """Seen in one run only, and there too weakly to say that it vanished or appeared."""
    UNSEEN = "unseen on this channel"
    """Paired on another channel; this one shows it clearly in one run only."""
    WEAK = "weak on this channel"
    """Paired on another channel; this one shows it only weakly in one run. Decides nothing."""
    NOT_COVERED = "not covered"
    """The other run did not sweep there."""


class LevelBasis(StrEnum):
    """How the frequencies of a mode in two runs were brought to one level of the mode."""

    EQUAL_LEVEL = "both runs show the mode at that level"
    AXIS_BACKBONE = "the backbone of another run of the axis leads from one level to the other"
    CONTINUED = "a backbone is continued a little beyond the levels it was seen at"
    NOT_SEEN_TO_MOVE = "the levels differ, and in neither run does the mode follow its level"
    NOT_COMPARABLE = "no backbone leads from one level to the other"
    LEVEL_UNKNOWN = "the level is not known in one of the runs"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunShift:
    """A pair of the same mode in two runs, for the comparison of runs."""

    before: str
    after: str
    channel: str
    before_hz: float | None
    after_hz: float | None
    frequency_shift: float | None
    """after/before − 1, at ``level`` of the mode where that is known."""
    frequency_shift_std: float | None
    amplification_shift: float | None
    amplification_shift_std: float | None
    mode: int | None = None
    flags: tuple[Message, ...] = ()
    pairing: Pairing = Pairing.PAIRED
    before_amplification: float | None = None
    after_amplification: float | None = None
    renumbered: tuple[int, int] | None = None
    """Mode numbers before and after, where a pair carries two different ones."""
    own_peak: bool = True
    """False where the channel shows no peak of a paired mode in either run."""
    level: float | None = None
    """Amplitude (peak) of the mode that ``frequency_shift`` is given at, on ``level_channel`` in ``level_unit``."""
    level_unit: str | None = None
    level_channel: str | None = None
    level_basis: LevelBasis | None = None
    """None for a mode that was not paired."""
    before_level: float | None = None
    """Largest amplitude that the mode reached before."""
    after_level: float | None = None
    before_at_level_hz: float | None = None
    """Frequency at ``level``; ``before_hz`` is that at the level which its own run reached."""
    after_at_level_hz: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceComparison:
    """The first valid survey of an axis against that of the earlier report; ``shifts`` has nothing with ``reason``."""

    after: str
    axis: str | None
    before: RunResult | None = None
    reason: Message | None = None
    """Why they are not compared."""
    shifts: tuple[RunShift, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceResult:
    """The comparison with an earlier report."""

    archive: str
    """Its file, relative to the job folder; its digest stands among the inputs."""
    number: str
    revision: str
    specimen: str | None
    """The serial number or id of the specimen it is of."""
    remarks: tuple[Message, ...] = ()
    comparisons: tuple[ReferenceComparison, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelDependence:
    """One mode at two control levels: a survey and a sweep at full level along one axis."""

    axis: str | None
    survey: str
    sweep: str
    survey_hz: float | None
    sweep_hz: float | None
    survey_level: float | None = None
    """Control level at the resonance, m/s² peak."""
    sweep_level: float | None = None
    frequency_change: float | None = None
    """sweep/survey − 1 of the undamped natural frequency; None with ``reason``."""
    frequency_change_std: float | None = None
    survey_q: float | None = None
    sweep_q: float | None = None
    q_change: float | None = None
    """sweep/survey − 1 of Q."""
    q_change_std: float | None = None
    mode: int | None = None
    reason: Message | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Report:
    """Everything that is printed; arrays only inside ``runs``."""

    software: str
    job: Job
    overall: Outcome
    deviations: tuple[Deviation, ...] = ()
    assumptions: tuple[Message, ...] = ()
    """What stated uncertainties rest on because the job does not say it."""
    inputs: tuple[InputFile, ...]
    runs: tuple[RunResult, ...]
    modes: tuple[Mode, ...]
    beam_fits: tuple[BeamFit, ...]
    shifts: tuple[RunShift, ...] = ()
    reference: ReferenceResult | None = None
    """None where the job names no earlier report."""
    level_dependence: tuple[LevelDependence, ...] = ()
    verdicts: tuple[Verdict, ...]
    notes: tuple[Note, ...]
    amendment: Amendment | None = None
    findings: tuple[Finding, ...]
    exciter: tuple[ExciterUse, ...] = ()
    draft: bool = False
    """Not issued: marked on every page, and nothing that may be signed."""
    opinions: tuple[str, ...] = ()
    pictures: tuple[ModePicture, ...] = ()
    """What is drawn of each mode of a beam."""
