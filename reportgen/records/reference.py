"""An earlier report that a job is held against, as its archive gives it."""

from __future__ import annotations

from dataclasses import dataclass

from reportgen.records.result import RunResult


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierSpecimen:
    """A specimen as an earlier job names it."""

    id: str | None = None
    serial_number: str | None = None
    part_number: str | None = None
    name: str | None = None

    def is_called(self, text: str) -> bool:
        """Whether a text names it."""
        return text in (self.id, self.serial_number, self.part_number, self.name)


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierSurvey:
    """A valid survey of an earlier report."""

    run: RunResult
    """Named with the report in front; without curves, control and amplifications."""
    axis: str | None
    """As written, without the specimen."""
    follows_level: frozenset[tuple[str, float]] = frozenset()
    """(channel, frequency Hz) of the modes whose frequency depends on their level."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierReport:
    """What the archive of an earlier report says of the one specimen it is taken for."""

    number: str
    revision: str
    specimen: EarlierSpecimen | None
    """None where its job file does not tell."""
    surveys: tuple[EarlierSurvey, ...]
    """Of that specimen, in the order of that report."""
