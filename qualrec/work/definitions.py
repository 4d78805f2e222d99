"""Master data from a TOML file: materials, components, parts with characteristics, recipes, gauges, stations.

The pattern is `sample_data/sample_plant.toml`. A record whose name is already there is left as it is: changes are
made by revisions, never by a second definition. Recipe revisions come in as drafts and are approved by a person.
"""

from __future__ import annotations

import tomllib
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from qualrec.errors import FileRefused, Problem, QualrecError, UnknownRecord
from qualrec.records import lookups, registry
from qualrec.records.ledger import Writer
from qualrec.records.lookups.own_tables import material_book
from qualrec.records.registry import own_tables
from qualrec.values import RecipeSetting, Window
from qualrec.weld.settings import SETTINGS, check_settings, find_process
from qualrec.work.plan_files import put_table
from qualrec.work.rights import require
from qualrec.work.session import Session

Table = Mapping[str, Any]
SECTIONS = (
    "plant",
    "person",
    "customer",
    "polymer",
    "pair",
    "material",
    "component",
    "station",
    "clamp_tool",
    "gauge",
    "part",
    "recipe",
    "control_plan",
)


@dataclass(frozen=True, slots=True)
class Defined:
    """What a definition file added and what it found there already, by section."""

    added: Mapping[str, int]
    kept: Mapping[str, int]
    dry_run: bool

    @property
    def sentences(self) -> tuple[str, ...]:
        would = "would be added" if self.dry_run else "added"
        lines = [f"{n} {_words(kind, n)} {would}." for kind, n in self.added.items()]
        lines += [f"{n} {_words(kind, n)} already there, left as they are." for kind, n in self.kept.items()]
        return tuple(lines) or ("The file defines nothing.",)


def _words(kind: str, n: int) -> str:
    name = kind.replace("_", " ")
    return name if n == 1 else f"{name[:-1]}ies" if name.endswith("y") else f"{name}s"


class _Discard(Exception):
    """Ends a dry run inside its transaction."""


def load(path: Path) -> dict[str, Any]:
    """The tables of a definition file. Raises FileRefused for text that is no TOML and for sections not known."""
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise FileRefused(f"{path}: {error.strerror}.", remedy="Check the path.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise FileRefused(f"{path.name}: {error}", remedy="Correct the file; it is TOML in UTF-8.") from error
    strange = [name for name in found if name not in SECTIONS]
    if strange:
        raise FileRefused(
            f"{path.name}: section {strange[0]!r} is not known.", remedy=f"Sections: {', '.join(SECTIONS)}."
        )
    return found


def define_file(session: Session, path: Path, *, dry_run: bool = False) -> Defined:
    """Add what a file defines, in one transaction. Raises FileRefused naming section and record; nothing is written then.

    Raises Refused where the acting person may not define, or the file adds persons and this one may not.
    """
    require(session.actor, "define master data")
    tables = load(path)
    if tables.get("person"):
        require(session.actor, "manage people")
    tables.pop("plant", None)
    done: Defined | None = None
    try:
        with session.store.write(session.actor, session.plant.id) as writer:
            job = Definitions(writer, path.name)
            job.define(tables)
            done = Defined(dict(job.added), dict(job.kept), dry_run)
            if dry_run:
                raise _Discard
    except _Discard:
        pass
    assert done is not None
    return done


class Definitions:
    """Adds the sections of a definition file through one writer."""

    def __init__(self, writer: Writer, file: str) -> None:
        self.writer = writer
        self.file = file
        self.added: Counter[str] = Counter()
        self.kept: Counter[str] = Counter()
        self.recipes: dict[str, int] = {}

    def define(self, tables: Table) -> None:
        steps: tuple[tuple[str, str, Callable[[Table], None]], ...] = (
            ("person", "badge", self._person),
            ("customer", "code", self._customer),
            ("polymer", "code", self._polymer),
            ("pair", "upper", self._pair),
            ("material", "code", self._material),
            ("component", "number", self._component),
            ("station", "code", self._station),
            ("clamp_tool", "code", self._clamp_tool),
            ("gauge", "code", self._gauge),
            ("part", "number", self._part),
            ("recipe", "code", self._recipe),
            ("control_plan", "part", self._control_plan),
        )
        for section, name, step in steps:
            rows = tables.get(section, [])
            if not isinstance(rows, list):
                raise self._refused(section, "", f"write [[{section}]] with two brackets")
            for position, row in enumerate(rows, 1):
                self._one(section, str(row.get(name, f"number {position}")), row, step)

    def _one(self, section: str, name: str, row: Table, step: Callable[[Table], None]) -> None:
        try:
            step(row)
        except FileRefused:
            raise
        except QualrecError as error:
            raise self._refused(section, name, f"{error.message} {error.remedy}".strip()) from error
        except KeyError as error:
            raise self._refused(section, name, f"field {error.args[0]!r} is missing.") from error
        except TypeError as error:
            raise self._refused(section, name, f"a field is not known here: {error}.") from error

    def _refused(self, section: str, name: str, message: str) -> FileRefused:
        problem = Problem(message, self.file, column=f"[[{section}]] {name}".strip())
        return FileRefused(
            f"{self.file} was not taken; nothing was written.",
            (problem,),
            "Correct the file and define again.",
        )

    def _there(self, section: str, look: Callable[[], object]) -> bool:
        """Whether the record exists; counts it as kept or to be added."""
        try:
            look()
        except UnknownRecord:
            self.added[section] += 1
            return False
        self.kept[section] += 1
        return True

    def _person(self, row: Table) -> None:
        conn = self.writer.conn
        if not self._there("person", lambda: lookups.person_by_badge(conn, row["badge"])):
            registry.add_person(self.writer, row["name"], row["badge"], roles=row.get("roles", ()))

    def _customer(self, row: Table) -> None:
        if not self._there("customer", lambda: lookups.customer(self.writer.conn, row["code"])):
            registry.add_customer(self.writer, **_floats(row))

    def _polymer(self, row: Table) -> None:
        given = dict(row)
        code = given.pop("code")
        if code in material_book(self.writer.conn).own:
            self.kept["polymer"] += 1
            return
        self.added["polymer"] += 1
        named = {k: given.pop(k) for k in ("source", "name", "crystallinity", "like") if k in given}
        own_tables.set_polymer(self.writer, code, figures=_floats(given), **named)

    def _pair(self, row: Table) -> None:
        held = material_book(self.writer.conn).ratings.get(tuple(sorted((row["upper"], row["lower"]))))
        if held is not None and held.own:
            self.kept["pair"] += 1
            return
        self.added["pair"] += 1
        own_tables.rate_pair(self.writer, row["upper"], row["lower"], row["rating"], source=row["source"])

    def _material(self, row: Table) -> None:
        if not self._there("material", lambda: lookups.material(self.writer.conn, row["code"])):
            registry.add_material(self.writer, **_floats(row))

    def _component(self, row: Table) -> None:
        given = dict(row)
        tool = given.pop("tool", None)
        if self._there("component", lambda: lookups.component(self.writer.conn, row["number"])):
            return
        material = lookups.material(self.writer.conn, given.pop("material"))
        component = registry.add_component(self.writer, material_id=material.id, **given)
        if tool is not None:
            made = registry.add_tool(self.writer, component, tool["code"])
            for cavity in tool.get("cavities", ()):
                registry.add_cavity(self.writer, made, cavity)

    def _station(self, row: Table) -> None:
        if not self._there("station", lambda: lookups.station(self.writer.conn, row["code"])):
            registry.add_station(self.writer, **row)

    def _clamp_tool(self, row: Table) -> None:
        if not self._there("clamp_tool", lambda: lookups.clamp_tool(self.writer.conn, row["code"])):
            registry.add_clamp_tool(self.writer, **row)

    def _gauge(self, row: Table) -> None:
        given = dict(row)
        calibrations = given.pop("calibration", [])
        if self._there("gauge", lambda: lookups.gauge(self.writer.conn, row["code"])):
            return
        gauge = registry.add_gauge(self.writer, **given)
        for calibration in calibrations:
            add_calibration(self.writer, gauge, calibration)

    def _part(self, row: Table) -> None:
        given = dict(row)
        characteristics, streams = given.pop("characteristic", []), given.pop("streams", [])
        if self._there("part", lambda: lookups.part(self.writer.conn, row["number"])):
            self._more_characteristics(row["number"], characteristics)
            return
        conn = self.writer.conn
        customer = given.pop("customer", None)
        valid_from = moment(given.pop("valid_from", None), self.writer.now_us)
        part = registry.add_part(
            self.writer,
            upper_id=lookups.component(conn, given.pop("upper")).id,
            lower_id=lookups.component(conn, given.pop("lower")).id,
            customer_id=None if customer is None else lookups.customer(conn, customer).id,
            valid_from_us=valid_from,
            **given,
        )
        for label in streams:
            registry.add_stream(self.writer, part, label)
        for characteristic in characteristics:
            self._characteristic(part, valid_from, characteristic)

    def _more_characteristics(self, number: str, rows: list[Table]) -> None:
        """Characteristics that a known part does not have yet."""
        part = lookups.part(self.writer.conn, number)
        known = {c.code for c in lookups.characteristics(self.writer.conn, number)}
        for row in rows:
            if row["code"] in known:
                self.kept["characteristic"] += 1
            else:
                self._characteristic(part.id, self.writer.now_us, row)

    def _characteristic(self, part: int, valid_from: int, row: Table) -> None:
        def add(given: Table) -> None:
            since = moment(given.get("valid_from"), valid_from)
            rest = {k: v for k, v in given.items() if k != "valid_from"}
            registry.add_characteristic(self.writer, part, valid_from_us=since, **_floats(rest))
            self.added["characteristic"] += 1

        self._one("part.characteristic", str(row.get("code", "")), row, add)

    def _recipe(self, row: Table) -> None:
        part = lookups.part(self.writer.conn, row["part"])
        there = {r.code: r.recipe_id for r in lookups.recipes(self.writer.conn, row["part"])}
        if row["code"] in there:
            self.kept["recipe"] += 1
            return
        self.added["recipe"] += 1
        recipe = registry.add_recipe(self.writer, part.id, row["code"])
        self.recipes[row["code"]] = recipe
        for revision in row.get("revision", []):
            self._one(
                "recipe.revision",
                f"{row['code']} {revision.get('revision', '')}".strip(),
                revision,
                lambda r: self._revision(recipe, part.process, r),
            )

    def _control_plan(self, row: Table) -> None:
        """A draft; it is approved by a person. One that is the same as the last of its phase is left as it is."""
        _, done = put_table(self.writer, row, self.file)
        (self.kept if done == "kept" else self.added)["control_plan"] += 1

    def _revision(self, recipe: int, process: str, row: Table) -> None:
        add_recipe_revision(self.writer, recipe, process, row)


def add_recipe_revision(writer: Writer, recipe_id: int, process: str, row: Table) -> int:
    """Add a recipe revision as a draft; units of settings are those of the process. Raises UsageError."""
    units = {s.name: s.unit for s in SETTINGS[find_process(process)]}
    given = {s["name"]: float(s["value"]) for s in row["settings"]}
    check_settings(process, given)
    settings = [
        RecipeSetting(s["name"], float(s["value"]), units[s["name"]], _real(s, "low"), _real(s, "high"))
        for s in row["settings"]
    ]
    windows = [
        Window(w["quantity"], _real(w, "low"), _real(w, "high"), w["unit"], w.get("proof", ""))
        for w in row.get("windows", [])
    ]
    return registry.add_recipe_revision(
        writer, recipe_id, settings=settings, windows=windows, reason=row["reason"]
    )


def add_calibration(writer: Writer, gauge_id: int, row: Table) -> int:
    """Add a calibration of a gauge from a table of a definition file."""
    given = dict(row)
    at = moment(given.pop("at"), writer.now_us)
    due = moment(given.pop("due"), 0) if "due" in given else None
    return registry.add_calibration(writer, gauge_id, at, due_us=due, **_floats(given))


def moment(value: object, otherwise: int) -> int:
    """UTC microseconds of a TOML date or time; a time without a zone is UTC. None gives `otherwise`."""
    if value is None:
        return otherwise
    if isinstance(value, datetime):
        at = value if value.tzinfo else value.replace(tzinfo=UTC)
    elif isinstance(value, date):
        at = datetime(value.year, value.month, value.day, tzinfo=UTC)
    else:
        raise UnknownRecord(f"{value!r} is not a date.", "Write it as 2026-02-01T00:00:00Z.")
    return round(at.timestamp() * 1_000_000)


WHOLE = {
    "run_length",
    "retention_years",
    "requalify_months",
    "interval_days",
    "decimals",
    "samples",
    "subgroup_size",
    "subgroup_every",
    "good_side",
}
"""Fields that count and stay whole numbers."""


def _floats(row: Table) -> dict[str, Any]:
    """Whole numbers of the file as real ones, where a field is a measure and no count."""
    return {
        k: float(v) if isinstance(v, int) and not isinstance(v, bool) and k not in WHOLE else v
        for k, v in row.items()
    }


def _real(row: Table, name: str) -> float | None:
    return None if row.get(name) is None else float(row[name])
