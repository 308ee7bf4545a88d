"""The known word nearest to one that is not known, for messages."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from reportgen.records.message import Message, message


def nearest(word: str, known: Iterable[str], likeness: float = 0.55) -> str | None:
    """The known word nearest to ``word``; None where none is near.

    >>> nearest("sweeprate", ["sweep_rate", "tolerance"])
    'sweep_rate'
    """
    folded = {each.casefold(): each for each in known}
    close = difflib.get_close_matches(word.casefold(), list(folded), n=1, cutoff=likeness)
    return folded[close[0]] if close else None


def near_or(word: str, known: Iterable[str], otherwise: Message, likeness: float = 0.55) -> Message:
    """The question whether the nearest known word was meant; ``otherwise`` where none is near."""
    near = nearest(word, known, likeness)
    return otherwise if near is None else message("hint.near", near=near)
