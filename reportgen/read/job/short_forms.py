"""Short forms of a job: rows, defaults and references become the long form that the schema knows.

Nothing is judged here but what only the short form can have wrong; every key keeps the file and line it was written in.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from reportgen.read.job.job_schema import KEYS
from reportgen.read.job.job_values import shown
from reportgen.read.job.laboratory import Laboratory, id_of
from reportgen.read.job.nearest import near_or
from reportgen.read.job.places import Part, Places, Source, Table, laid
from reportgen.read.job.toml_lines import KeyPath
from reportgen.records.finding import Finding, error, warning
from reportgen.records.job import RunKind, RunPlan
from reportgen.records.message import Message, Place, message

SHORT_FORMS = ("test", "channels", "columns", "run_defaults", "runs")
"""Tables and lists of the short form, which the long form no longer has."""
TEST_KEYS = ("exciter", "people", "environment", "channels", "instruments")
"""Keys of ``[test]``."""
CHANNEL_CELLS = ("id", "role", "location", "instrument")
RUN_CELLS = ("id", "kind", "axis", "log")
FURTHER_RUN_CELLS = ("started", "specimen")
"""What a fifth and a sixth cell of a run's row hold."""
ENVIRONMENT_FROM = {
    "from notes": {"from_notes": True},
    "from logs": {"from_logs": True},
    "from logs and notes": {"from_logs": True, "from_notes": True},
}
"""Where the environment is taken from: what the operator's notes say of it, or columns of the logs."""
RUN_INSTRUMENTS = ("controller", "acquisition", "filter")
_CALIBRATION = ("calibrated", "due", "expanded_uncertainty", "certificate", "calibration_laboratory")
_IDENTITY = ("kind", "manufacturer", "model", "serial")


@dataclass(frozen=True, slots=True)
class LongForm:
    """A job in its long form."""

    raw: Table
    places: Places
    findings: tuple[Finding, ...]
    common_columns: tuple[tuple[str, ...], ...] = ()
    """By run: keys of its columns that hold for the whole job, and so where its log has them."""


def long_form(raw: Table, own: Source, laboratory: Laboratory) -> LongForm:
    """The long form of a job, with what it takes from its laboratory file; ``raw`` is left as it is."""
    maker = _Maker(raw, own, laboratory)
    maker.identity()
    maker.persons()
    maker.exciter()
    maker.environment()
    maker.channels()
    maker.runs()
    maker.profiles()
    maker.instruments()
    maker.requirements()
    return LongForm(maker.raw, maker.places, tuple(maker.findings), tuple(maker.common_columns))


class _Maker:
    """Makes one table after another, and gathers what there is to say."""

    def __init__(self, raw: Table, own: Source, laboratory: Laboratory) -> None:
        self._short = {key: raw[key] for key in SHORT_FORMS if key in raw}
        self.raw = {key: value for key, value in raw.items() if key not in SHORT_FORMS}
        self._own = own
        self._laboratory = laboratory
        self.places = Places(own)
        self.findings: list[Finding] = []
        self.common_columns: list[tuple[str, ...]] = []
        self._test = self._table("test", TEST_KEYS)

    # What is written

    def _say(self, place: Place, what: Message) -> None:
        self.findings.append(error(place, what))

    def _table(self, name: str, known: Sequence[str] | None = None) -> Part:
        """A table of the short form; empty where there is none, without keys that are not known."""
        value = self._short.get(name, {})
        if not isinstance(value, dict):
            self._say(self._own.at((name,)), message("short.no-table", table=name, found=shown(value)))
            value = {}
        part = Part(value, self._own, (name,))
        if known is None:
            return part
        for key in value.keys() - {*known}:
            hint = near_or(key, known, message("hint.known", known=tuple(known)))
            self._say(part.at(key), message("job.key-not-known", table=f"[{name}]", key=key, hint=hint))
        return part.only({key: each for key, each in value.items() if key in known})

    def _written(self, name: str) -> list[Part] | None:
        """The job's own tables of a name; None where it holds something else, which the schema tells."""
        value = self.raw.get(name, [])
        if not isinstance(value, list) or not all(isinstance(each, dict) for each in value):
            return None
        return [Part(each, self._own, (name, index)) for index, each in enumerate(value)]

    def _put(self, name: str, entries: Iterable[Sequence[Part]]) -> None:
        """Lay tables of a name in their order, each from its parts; a list that stays empty is left out."""
        tables = [laid(self.places, (name, index), *parts) for index, parts in enumerate(entries)]
        self.raw.pop(name, None)
        if tables:
            self.raw[name] = tables

    # What is referred to

    def _shared(self, kind: str, wanted: str) -> Part | None:
        """A table of the laboratory file by its id; one that is there twice is told."""
        found = self._laboratory.of(kind, wanted)
        for other in found[1:]:
            self._say(other.at("id"), message("laboratory.twice", table=kind, id=wanted, first=found[0].at("id")))
        return found[0] if found else None

    def _no_such(self, place: Place, key: str, wanted: str, kind: str, own: Iterable[str] = ()) -> None:
        known = tuple(dict.fromkeys((*own, *self._laboratory.ids(kind))))
        otherwise = message("hint.defined", known=known) if known else message("short.none-defined", table=kind)
        if self._laboratory.path is None:
            otherwise = message("short.no-laboratory", table=kind)
        what = message("short.no-such", key=key, found=wanted, table=kind, hint=near_or(wanted, known, otherwise))
        self._say(place, what)

    def _texts(self, key: str) -> list[tuple[Place, str]]:
        """A key of ``[test]`` that names one thing or several, each with its place."""
        value = self._test.table.get(key, [])
        values = [value] if isinstance(value, str) else value
        if not isinstance(values, list) or not all(isinstance(each, str) and each.strip() for each in values):
            self._say(self._test.at(key), message("short.no-ids", key=key, found=shown(value)))
            return []
        path = self._test.path_of(key)
        return [(self._own.at((*path, index)), each.strip()) for index, each in enumerate(values)]

    # The tables, one after another

    def identity(self) -> None:
        """``[laboratory]`` and the report's language."""
        house, report = self._laboratory.house, self.raw.get("report")
        own = self.raw.get("laboratory", {})
        if house is not None and house.table and isinstance(own, dict):
            mine = [Part(own, self._own, ("laboratory",))] if own else []
            self.raw["laboratory"] = laid(self.places, ("laboratory",), *mine, house)
        language = self._laboratory.language
        if language is not None and isinstance(report, dict) and "language" not in report:
            self.raw["report"] = laid(self.places, ("report",), Part(report, self._own, ("report",)), language)

    def persons(self) -> None:
        """``people = ["adler"]`` in their order, then the job's own persons."""
        own = self._written("person")
        if own is None:
            return
        named = {id_of(part): part for part in own if id_of(part)}
        entries: list[list[Part]] = []
        used = set()
        for place, wanted in self._texts("people"):
            parts = [part for part in (named.get(wanted), self._shared("person", wanted)) if part is not None]
            used.add(wanted)
            if parts:
                entries.append(parts)
            else:
                self._no_such(place, "people", wanted, "person", named)
        entries += [self._with_shared("person", part) for part in own if id_of(part) not in used]
        self._put("person", [[_without(part, "id") for part in parts] for parts in entries])

    def _with_shared(self, kind: str, part: Part) -> list[Part]:
        """A table of the job's own, with the laboratory's of the same id behind it."""
        shared = self._shared(kind, id_of(part)) if id_of(part) else None
        return [part] if shared is None else [part, shared]

    def exciter(self) -> None:
        """``exciter = "ED-2"``, and what ``[exciter]`` says otherwise."""
        own = self.raw.get("exciter", {})
        if not isinstance(own, dict):
            return
        mine = Part(own, self._own, ("exciter",))
        asked, key = (self._test, "exciter") if "exciter" in self._test.table else (mine, "id")
        wanted = asked.table.get(key)
        if wanted is None:
            return
        shared = self._shared("exciter", wanted) if isinstance(wanted, str) else None
        if shared is None:
            self._no_such(asked.at(key), key, str(wanted), "exciter")
        named = Part({"name": str(wanted)}, asked.source, asked.path_of(key), {"name": asked.path_of(key)})
        parts = [_without(part, "id") for part in (mine, shared) if part is not None and part.table]
        self.raw["exciter"] = laid(self.places, ("exciter",), *parts, named)

    def environment(self) -> None:
        """``environment = {...}``, or where the notes tell it."""
        value = self._test.table.get("environment")
        own = self.raw.get("environment", {})
        if value is None or not isinstance(own, dict):
            return
        path = self._test.path_of("environment")
        if isinstance(value, str):
            value = ENVIRONMENT_FROM.get(" ".join(value.split()).casefold(), value)
        if not isinstance(value, dict):
            self._say(self._own.at(path), message("short.environment", found=shown(value)))
            return
        mine = [Part(own, self._own, ("environment",))] if own else []
        self.raw["environment"] = laid(self.places, ("environment",), *mine, Part(value, self._own, path))

    def channels(self) -> None:
        """Rows of channels, channel sets, and what ``[[channel]]`` adds to either."""
        own = self._written("channel")
        if own is None:
            return
        rows: list[Part] = []
        for path, value in self._channel_lists():
            rows += self._channel_rows(value, path)
        mine = {id_of(row) for row in rows if row.source is self._own}  # these go before those of a set
        rows = [row for row in rows if row.source is self._own or id_of(row) not in mine]
        self._put("channel", _joined(rows, own)[0])

    def _channel_lists(self) -> Iterator[tuple[KeyPath, object]]:
        if "channels" in self._short:
            yield ("channels",), self._short["channels"]
        if "channels" in self._test.table:
            yield self._test.path_of("channels"), self._test.table["channels"]

    def _channel_rows(self, value: object, path: KeyPath) -> list[Part]:
        """Rows of a list, in which an id stands for a set of the laboratory's."""
        if isinstance(value, str):
            return self._channel_set(value, self._own.at(path))
        if not isinstance(value, list):
            self._say(self._own.at(path), message("short.no-rows", list="channels", found=shown(value)))
            return []
        rows: list[Part] = []
        for index, each in enumerate(value):
            place = (*path, index)
            if isinstance(each, str):
                rows += self._channel_set(each, self._own.at(place))
            else:
                rows += self._row(each, CHANNEL_CELLS, self._own, place, "channels")
        return rows

    def _channel_set(self, wanted: str, place: Place) -> list[Part]:
        found = self._shared("channel_set", wanted)
        if found is None:
            self._no_such(place, "channels", wanted, "channel_set")
            return []
        rows = found.table.get("channels")
        path = found.path_of("channels")
        if not isinstance(rows, list):
            self._say(found.at("channels"), message("short.no-rows", list="channels", found=shown(rows)))
            return []
        return [
            row
            for index, each in enumerate(rows)
            for row in self._row(each, CHANNEL_CELLS, found.source, (*path, index), "channels")
        ]

    def _row(
        self, cells: object, keys: Sequence[str], source: Source, path: KeyPath, name: str, further: Sequence[str] = ()
    ) -> list[Part]:
        """A row as a table, an empty cell being none; nothing, with an error, where it has not as many as it should."""
        most = (*keys, *further)
        if not isinstance(cells, list):
            self._say(source.at(path), message("short.no-row", list=name, found=shown(cells), cells=tuple(keys)))
            return []
        if not len(keys) <= len(cells) <= len(most):
            what = message("short.cells", list=name, row=shown(cells), found=len(cells), expected=len(keys), cells=most)
            self._say(source.at(path), what)
            return []
        named = dict(zip(most, cells, strict=False))
        filled = {key: value for key, value in named.items() if not (isinstance(value, str) and not value.strip())}
        places = {key: (*path, index) for index, key in enumerate(most)}
        return [Part(filled, source, path, places)]

    def runs(self) -> None:
        """Rows of runs, what ``[[run]]`` adds to them, then what the job says of all runs or of all of a kind."""
        own = self._written("run")
        if own is None:
            return
        table = self._table("runs", ("table",))
        rows: list[Part] = []
        listed = table.table.get("table", [])
        if isinstance(listed, list):
            for index, cells in enumerate(listed):
                path: KeyPath = ("runs", "table", index)
                rows += self._row(cells, RUN_CELLS, self._own, path, "runs", FURTHER_RUN_CELLS)
        else:
            self._say(table.at("table"), message("short.no-rows", list="runs", found=shown(listed)))
        entries, strays = _joined(rows, own)
        for part in strays if rows else ():
            if not {"kind", "log"} & part.table.keys() and id_of(part) not in map(id_of, rows):
                self._stray(part, [id_of(row) for row in rows])
                entries.remove([part])
        defaults = self._defaults()
        entries = [[*parts, *_defaults_for(parts, defaults)] for parts in entries]
        self._put("run", entries)
        self._columns(entries)

    def _stray(self, part: Part, known: Sequence[str]) -> None:
        wanted = id_of(part)
        hint = near_or(wanted, known, message("hint.defined", known=tuple(known)))
        self._say(part.at("id"), message("short.stray-run", run=wanted, hint=hint))

    def _defaults(self) -> dict[str, Part]:
        """``[run_defaults]``: by kind, and under an empty kind what holds for every run."""
        part = self._table("run_defaults")
        kinds = tuple(map(str, RunKind))
        found: dict[str, Part] = {}
        for kind in kinds:
            value = part.table.get(kind)
            if isinstance(value, dict):
                inner = Part(value, part.source, (*part.path, kind))
                found[kind] = self._run_keys(inner, f"[run_defaults.{kind}]")
            elif value is not None:
                self._say(part.at(kind), message("short.no-table", table=f"run_defaults.{kind}", found=shown(value)))
        rest = part.only({key: value for key, value in part.table.items() if key not in kinds})
        found[""] = self._run_keys(rest, "[run_defaults]", kinds)
        return found

    def _run_keys(self, part: Part, name: str, more: Sequence[str] = ()) -> Part:
        """A table without keys that no run has."""
        known = tuple(key for key in (*(key.name for key in KEYS[RunPlan]), "notch") if key not in ("id", "log"))
        for key in part.table.keys() - {*known}:
            hint = near_or(key, (*more, *known), message("hint.known", known=(*more, *known)))
            self._say(part.at(key), message("job.key-not-known", table=name, key=key, hint=hint))
        return part.only({key: value for key, value in part.table.items() if key in known})

    def _columns(self, entries: Sequence[Sequence[Part]]) -> None:
        """``[columns]`` of the job goes below those of each run."""
        common = self._table("columns")
        for index, run in enumerate(self.raw.get("run", ())):
            mine = run.get("columns", {})
            self.common_columns.append(())
            if not common.table or not isinstance(mine, dict):
                continue
            whose = next((part for part in entries[index] if "columns" in part.table), None)
            own = [] if whose is None else [Part(mine, whose.source, whose.path_of("columns"))]
            run["columns"] = laid(self.places, ("run", index, "columns"), *own, common)
            self.common_columns[-1] = tuple(key for key in common.table if key not in mine)

    def profiles(self) -> None:
        """The job's own profiles, those of the laboratory's that runs name, and one more for each run with a notch."""
        own = self._written("profile")
        if own is None:
            return
        known = {id_of(part): self._layers(part, own) for part in reversed(own)}
        bases, used = {_based_on(part) for part in own}, set()
        shared: list[list[Part]] = []
        notched: list[tuple[list[Part], Part]] = []
        for index, run in self._runs():
            wanted = str(run.get("profile", "")).strip()
            if wanted and wanted not in known and (found := self._shared("profile", wanted)) is not None:
                known[wanted] = self._layers(found, own)
                shared.append(known[wanted])
            if wanted and wanted not in known and self._laboratory.path is not None:
                self._no_such(self.places.at(("run", index, "profile")), "profile", wanted, "profile", map(id_of, own))
            notch = self._notch_of(index, run, known.get(wanted))
            if notch is None:
                used.add(wanted)
            else:
                run["profile"] = f"{wanted}, {run.get('id')}"
                notched.append((known[wanted], notch))
                bases.add(wanted)
        written = [known[id_of(part)] if known[id_of(part)][0] is part else [part] for part in own]
        entries = [each for each in (*written, *shared) if id_of(each[0]) in used or id_of(each[0]) not in bases]
        self._put("profile", [[_without(part, "based_on") for part in parts] for parts in entries])
        for layers, notch in notched:
            self._put_notched(layers, notch)

    def _runs(self) -> list[tuple[int, Table]]:
        return list(enumerate(self.raw.get("run", ()))) if self._written("run") is not None else []

    def _layers(self, part: Part, own: Sequence[Part], passed: tuple[str, ...] = ()) -> list[Part]:
        """A profile with what it is based on behind it; a laboratory's of the same id where it has no breakpoints."""
        me, base = id_of(part), _based_on(part)
        layers = [part]
        if not base and "breakpoints" not in part.table and part.source is self._own:
            same = self._shared("profile", me) if me else None
            return [part] if same is None else [part, *self._layers(same, own, (*passed, me))]
        if not base:
            return layers
        mine = next((each for each in own if id_of(each) == base and each is not part), None)
        found = mine or (self._shared("profile", base) if base != me or part.source is self._own else None)
        if base in passed or found is None:
            chain = (*passed, me, base)
            if base in passed or base == me:
                self._say(part.at("based_on"), message("short.circle", profiles=chain[chain.index(base) :]))
            else:
                self._no_such(part.at("based_on"), "based_on", base, "profile", map(id_of, own))
            return layers
        return [part, *self._layers(found, own, (*passed, me))]

    def _notch_of(self, index: int, run: Table, layers: list[Part] | None) -> Part | None:
        """Notches of a run by themselves, taken out of it; None where it has none, or none that can be used."""
        if "notch" not in run:
            return None
        value, place = run.pop("notch"), self.places.at(("run", index, "notch"))
        named = str(run.get("id", index + 1))
        if not isinstance(value, list) or not all(isinstance(each, dict) for each in value):
            self._say(place, message("short.notch", run=named, found=shown(value)))
        elif layers is None:
            self._say(place, message("short.notch-without-profile", run=named))
        else:
            source, path = self.places.written(("run", index, "notch"))
            name = {"id": f"{id_of(layers[0])}, {run.get('id')}"}
            return Part({**name, "notch": value}, source, path[:-1], {"notch": path})
        return None

    def _put_notched(self, layers: Sequence[Part], notch: Part) -> None:
        """One more profile: another one with the notches of a run behind its own."""
        profiles = self.raw.setdefault("profile", [])
        target: KeyPath = ("profile", len(profiles))
        table = laid(self.places, target, notch, *[_without(part, "based_on") for part in layers])
        parts = [each for each in (*layers, notch) if isinstance(each.table.get("notch"), list)]
        parts = [each for each in parts if each is notch or each is parts[0]]
        table["notch"] = []
        for part in parts:
            for index, each in enumerate(part.table["notch"]):
                path = (*part.path_of("notch"), index)
                self.places.moved((*target, "notch", len(table["notch"])), part.source, path)
                table["notch"].append(each)
        profiles.append(table)

    def instruments(self) -> None:
        """The job's own instruments, and those of the laboratory's that it refers to."""
        own = self._written("instrument")
        if own is None:
            return
        entries = [self._with_shared("instrument", part) for part in own]
        for mine, *shared in entries:
            for other in shared:
                self.findings += _contradictions(mine, other)
        there = {id_of(part) for part in own}
        for place, key, wanted in self._instruments_named():
            if wanted in there:
                continue
            there.add(wanted)
            found = self._shared("instrument", wanted)
            if found is not None:
                entries.append([found])
            elif key == "instruments" or self._laboratory.path is not None:
                self._no_such(place, key, wanted, "instrument", map(id_of, own))
        self._put("instrument", entries)

    def _instruments_named(self) -> Iterator[tuple[Place, str, str]]:
        for place, wanted in self._texts("instruments"):
            yield place, "instruments", wanted
        channels = self.raw.get("channel")
        named: list[tuple[str, tuple[str, ...], list[Table]]] = [
            ("channel", ("instrument",), channels if isinstance(channels, list) else []),
            ("run", RUN_INSTRUMENTS, [run for _, run in self._runs()]),
        ]
        for name, keys, tables in named:
            for index, table in enumerate(tables):
                for key in keys if isinstance(table, dict) else ():
                    value = table.get(key)
                    if isinstance(value, str) and value.strip():
                        yield self.places.at((name, index, key)), key, value.strip()

    def requirements(self) -> None:
        """R1, R2 … where no id is written: the number of the clause in the file, or the next that is free."""
        own = self._written("requirement")
        if not own:
            return
        taken = {id_of(part) for part in own}
        tables = []
        for number, part in enumerate(own, 1):
            table = dict(part.table)
            if "id" not in table:
                free = next(each for each in range(number, number + len(own) + 1) if f"R{each}" not in taken)
                table["id"] = f"R{free}"
                taken.add(table["id"])
            tables.append(table)
        self.raw["requirement"] = tables


def _based_on(part: Part) -> str:
    value = part.table.get("based_on")
    return value.strip() if isinstance(value, str) else ""


def _without(part: Part, key: str) -> Part:
    return part.only({name: value for name, value in part.table.items() if name != key})


def _joined(rows: Sequence[Part], own: Sequence[Part]) -> tuple[list[list[Part]], list[Part]]:
    """Each row with the table of the same id before it, then tables that go with no row; these by themselves, too."""
    rest = list(own)
    entries: list[list[Part]] = []
    for row in rows:
        mine = next((part for part in rest if id_of(part) and id_of(part) == id_of(row)), None)
        if mine is not None:
            rest.remove(mine)
        entries.append([row] if mine is None else [mine, row])
    return [*entries, *([part] for part in rest)], rest


def _defaults_for(parts: Sequence[Part], defaults: Mapping[str, Part]) -> list[Part]:
    """Defaults of a run's kind, then those of every run."""
    kind = next((part.table["kind"] for part in parts if "kind" in part.table), "")
    named = [defaults[kind]] if isinstance(kind, str) and kind and kind in defaults else []
    return [*named, defaults[""]]


def _contradictions(mine: Part, shared: Part) -> Iterator[Finding]:
    """An instrument of the job that is another than the laboratory's of that id, or is calibrated otherwise."""
    for key in (*_IDENTITY, *_CALIBRATION):
        one, other = mine.table.get(key), shared.table.get(key)
        if one is None or other is None or str(one).strip() == str(other).strip():
            continue
        own, at, said, known = id_of(mine), shared.at(key), str(one), str(other)
        if key in _CALIBRATION:
            what = message("short.calibration-changed", id=own, key=key, found=said, expected=known, at=at)
            yield warning(mine.at(key), what)
        else:
            what = message("short.other-instrument", id=own, key=key, found=said, expected=known, at=at)
            yield error(mine.at(key), what)
