"""How the job file writes the fields of a record: what stands beside a field's type, for those who read the file.

A key has the name of its field and is written as the field's type says, needed where the field has no default. ``Key``
and ``Written``, in the field's annotation, say what differs from that.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto


class Form(Enum):
    """How a value is written where its type has several ways, or rules of its own."""

    QUANTITY = auto()
    """Number more than zero, with a unit of one of the dimensions."""
    HERTZ = auto()
    """A frequency with its unit, kept as a number in Hz."""
    PERCENTAGE = auto()
    """Ratio with its percent sign."""
    SMALL_SHARE = auto()
    """Ratio with ``ppm`` or its percent sign."""
    POSITION = auto()
    """Place along a beam: a length, a share of the beam's, or ``0.9 L``."""
    CONDITION = auto()
    """Condition of the laboratory, as written, with a unit."""
    COVERAGE = auto()
    """Probability from 0.5 up to 1."""
    SWEEP_CYCLES = auto()
    """Number of sweep cycles; one sweep up is half a cycle."""
    REVISION = auto()
    """Letter, number or date of a revision."""
    CLAUSE = auto()
    """Number of a clause, in quotes."""
    WHEN = auto()
    """Words, or a day or moment as written."""
    OUTPUTS = auto()
    """Kinds of file that a report goes out as, a page or a PDF among them."""
    CHECK = auto()
    """Name of a check there is."""
    LIMIT = auto()
    """Quantity that the check of the same table compares."""


@dataclass(frozen=True, slots=True)
class Written:
    """How a value is written."""

    form: Form
    sample: str = ""
    """A value as it may stand in the file, for messages."""
    dimensions: tuple[str, ...] = ()
    """What it may measure; for ``Form.QUANTITY``."""


@dataclass(frozen=True, slots=True)
class Key:
    """The key of a field that has another name than the field, or none."""

    name: str | None
    """None: the field is not read from the file."""
    needed: bool = False
    """True where the file cannot do without, although the field has a default."""
    some: bool = False
    """True where an empty list says nothing and is refused."""


NO_KEY = Key(None)
