"""One log of an example job, and what the examples' laboratory has in common."""

from __future__ import annotations

from dataclasses import dataclass

from tests.simulator.course import Course, Table
from tests.simulator.log_file import Dialect, log_bytes, sweep_columns
from tests.simulator.recorder import ControlSensor, Laboratory
from tests.simulator.structure import Structure

PAIR = (ControlSensor("C1", 1.006), ControlSensor("C2", 0.994))


@dataclass(frozen=True)
class ExampleRun:
    """One log of an example."""

    file: str
    structure: Structure
    course: Course
    table: Table
    laboratory: Laboratory
    dialect: Dialect

    def content(self) -> bytes:
        """The log as a file's content."""
        recording = self.laboratory.record(self.structure, self.course, self.table)
        return log_bytes(sweep_columns(recording, self.dialect), self.dialect)
