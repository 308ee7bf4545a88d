"""The known word nearest to one that is not known, for messages."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


def nearest(word: str, known: Iterable[str], likeness: float = 0.55) -> str:
    """``; did you mean 'x'?`` for the known word nearest to ``word``; empty where none is near.

    >>> nearest("sweeprate", ["sweep_rate", "tolerance"])
    "; did you mean 'sweep_rate'?"
    """
    folded = {each.casefold(): each for each in known}
    close = difflib.get_close_matches(word.casefold(), list(folded), n=1, cutoff=likeness)
    return f"; did you mean {folded[close[0]]!r}?" if close else ""


def listed(words: Iterable[str]) -> str:
    """``'A', 'B'`` for a message; ``none`` for nothing."""
    return ", ".join(repr(each) for each in words) or "none"
