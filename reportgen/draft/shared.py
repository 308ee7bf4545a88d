"""What the laboratory file holds that a drafted job can refer to by id, instead of writing its own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

from reportgen.draft.same_profile import followed, typical
from reportgen.draft.seen_runs import Seen
from reportgen.read.job.laboratory import Laboratory, id_of
from reportgen.read.table.columns import folded, understand
from reportgen.records.job import Profile


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """Ids of a laboratory file, and what tells which of them the logs' runs used."""

    file: str | None = None
    """Name of the laboratory file; None where there is none."""
    named: bool = False
    """Whether it names the laboratory."""
    people: tuple[str, ...] = ()
    exciters: tuple[str, ...] = ()
    channel_sets: Mapping[str, tuple[str, ...]] = field(default_factory=lambda: MappingProxyType({}))
    """Channels of each set."""
    controls: Mapping[str, tuple[str, ...]] = field(default_factory=lambda: MappingProxyType({}))
    """Those of them that are controls."""
    profiles: tuple[Profile, ...] = ()
    instruments: Mapping[str, tuple[str, ...]] = field(default_factory=lambda: MappingProxyType({}))
    """Words by which a log may name each instrument: its id and its serial number."""

    def sets_among(self, channels: Sequence[str]) -> list[str]:
        """Sets all of whose channels were logged, the largest first and none that shares a channel with another."""
        left, found = set(channels), []
        for name, own in sorted(self.channel_sets.items(), key=lambda each: -len(each[1])):
            if own and left.issuperset(own):
                found.append(name)
                left -= {*own}
        return found

    def profile_of(self, runs: Sequence[Seen]) -> str | None:
        """The profile that runs followed, where there is one and no second one they may have followed as well."""
        found = [each.id for each in self.profiles if followed(typical(runs), each)]
        return found[0] if len(found) == 1 else None

    def instrument_of(self, channel: str, remarks: Sequence[str]) -> str | None:
        """The instrument that a line of a log names beside this channel; None where none, or several, do."""
        lines = [_words(line) for line in remarks]
        named = {
            instrument
            for line in lines if channel.casefold() in line
            for instrument, words in self.instruments.items() if line & {*words}
        }  # fmt: skip
        return named.pop() if len(named) == 1 else None


def _words(line: str) -> set[str]:
    return {each.strip(".:()[]'\"").casefold() for each in line.replace(",", " ").replace(";", " ").split()}


def shared_of(laboratory: Laboratory | None) -> Shared:
    """What a laboratory file holds; nothing where there is none."""
    from reportgen.read.job.laboratory_check import profiles_of

    if laboratory is None or laboratory.path is None:
        return Shared()
    house, sets = laboratory.house, laboratory.tables.get("channel_set", ())
    return Shared(
        file=laboratory.path.name,
        named=house is not None and bool(house.table.get("name")),
        people=laboratory.ids("person"),
        exciters=laboratory.ids("exciter"),
        channel_sets={id_of(each): _channels_of(each.table) for each in sets},
        controls={id_of(each): _channels_of(each.table, "control") for each in sets},
        profiles=profiles_of(laboratory),
        instruments={id_of(each): _names_of(each.table) for each in laboratory.tables.get("instrument", ())},
    )


def _channels_of(table: Mapping[str, Any], role: str | None = None) -> tuple[str, ...]:
    """Channels of a set, all or those of a role."""
    rows = table.get("channels")
    whole = [row for row in rows if isinstance(row, list) and len(row) > 1] if isinstance(rows, list) else []
    return tuple(str(row[0]) for row in whole if role in (None, row[1]))


def _names_of(table: Mapping[str, Any]) -> tuple[str, ...]:
    return tuple(str(table[key]).strip().casefold() for key in ("id", "serial") if str(table.get(key, "")).strip())


def with_known_names(runs: Sequence[Seen], shared: Shared) -> list[Seen]:
    """Runs whose channels have the names that a job knows them by: ``Regler C1`` is C1 where that is a channel.

    A job that declares C1 finds it in both logs; channels of records are found by their own names alone and keep these.
    """
    known = {channel for own in shared.channel_sets.values() for channel in own}
    known |= {channel for run in runs for channel, _ in run.channels}
    return [run if run.record else _renamed(run, known) for run in runs]


def _renamed(run: Seen, known: set[str]) -> Seen:
    here = {channel for channel, _ in run.channels}
    names = {channel: _known_name(channel, known - here) for channel in here}
    if len({*names.values()}) < len(names):
        return run
    return replace(
        run,
        channels=tuple((names[channel], unit) for channel, unit in run.channels),
        controls=tuple(names[each] for each in run.controls),
        without_unit=tuple((names[channel], header) for channel, header in run.without_unit),
    )


def _known_name(channel: str, known: set[str]) -> str:
    """The name under which a job that declares ``known`` finds a column of this name."""
    found = understand(f"{channel} [g]", "", 0, sorted(known)).channel
    same = {folded(each): each for each in known}
    return same.get(folded(found), channel) if found is not None else channel
