"""Readme: what an archive holds and how it is checked, in plain words, for somebody who does not have this program."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

from reportgen.resources import data_dir

if TYPE_CHECKING:
    from reportgen.archive.bag import ArchiveInfo

README = "README.txt"
_NAMES = 24
"""Characters of the column of names."""


@cache
def archive_words() -> dict[str, Any]:
    """What is said in the tag files of an archive, from ``templates/archive``."""
    return tomllib.loads((data_dir("templates") / "archive" / "words.toml").read_text(encoding="utf-8"))


def readme_text(info: ArchiveInfo, names: Iterable[str]) -> str:
    """README.txt of an archive with payload files of these names; of the contents it lists what is there."""
    there, words = {f"data/{name}" for name in names}, archive_words()
    listed = {name: lines for name, lines in words["contents"].items() if any(each.startswith(name) for each in there)}
    stated = {
        name: " ".join("".join(c if c.isprintable() else " " for c in getattr(info, name)).split())
        for name in ("number", "revision", "title", "laboratory", "customer", "software")
    }
    return (
        (data_dir("templates") / "archive" / README)
        .read_text(encoding="utf-8")
        .format(
            **stated,
            underline="=" * len(stated["title"]),
            date=info.date.isoformat(),
            name=info.name,
            draft=f"\n{words['draft']}" if info.draft else "",
            contents="\n".join(_rows({**listed, **words["tags"]})),
        )
    )


def _rows(contents: Mapping[str, Sequence[str]]) -> Iterator[str]:
    for name, (first, *more) in contents.items():
        yield f"{name:<{_NAMES}}  {first}"
        yield from (f"{'':<{_NAMES}}  {line}" for line in more)
