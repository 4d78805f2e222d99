"""Recipes and their revisions."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from sqlalchemy import Connection, Select, and_, select

from qualrec.errors import UnknownRecord
from qualrec.records.lookups.base import find, rows_for, table
from qualrec.records.lookups.parts import part_id_of
from qualrec.values import RecipeRevision, RecipeSetting, TemporaryChange, Window


def _statement() -> Select[Any]:
    v, r, p = table("recipe_revision"), table("recipe"), table("part")
    author, approver = table("person").alias("author"), table("person").alias("approver")
    return (
        select(
            v,
            r.c.code,
            r.c.process,
            p.c.number.label("part_number"),
            author.c.name.label("author"),
            approver.c.name.label("approver"),
        )
        .join(r, r.c.id == v.c.recipe_id)
        .join(p, p.c.id == r.c.part_id)
        .outerjoin(author, author.c.id == v.c.author_id)
        .outerjoin(approver, approver.c.id == v.c.approver_id)
        .order_by(r.c.id, v.c.revision)
    )


def _load(conn: Connection, rows: list[Any]) -> tuple[RecipeRevision, ...]:
    s, w = table("recipe_setting"), table("qualified_window")
    ids = [row.id for row in rows]
    settings: dict[int, list[RecipeSetting]] = defaultdict(list)
    for row in rows_for(conn, select(s).order_by(s.c.recipe_revision_id), s.c.recipe_revision_id, ids):
        settings[row.recipe_revision_id].append(
            RecipeSetting(row.name, row.value, row.unit, row.low, row.high)
        )
    windows: dict[int, list[Window]] = defaultdict(list)
    for row in rows_for(conn, select(w).order_by(w.c.recipe_revision_id), w.c.recipe_revision_id, ids):
        windows[row.recipe_revision_id].append(Window(row.quantity, row.low, row.high, row.unit, row.proof))
    return tuple(
        RecipeRevision(
            id=row.id,
            recipe_id=row.recipe_id,
            code=row.code,
            part_number=row.part_number,
            process=row.process,
            revision=row.revision,
            state=row.state,
            reason=row.reason,
            author=row.author or "",
            created_us=row.created_us,
            approver=row.approver or "",
            approved_us=row.approved_us,
            valid_from_us=row.valid_from_us,
            ended_us=row.ended_us,
            settings=tuple(sorted(settings[row.id], key=lambda one: one.name)),
            windows=tuple(sorted(windows[row.id], key=lambda one: one.quantity)),
        )
        for row in rows
    )


def load_recipe_revisions(conn: Connection, ids: Iterable[int]) -> dict[int, RecipeRevision]:
    """Recipe revisions by id with settings and windows, in three queries."""
    found = _load(conn, rows_for(conn, _statement(), table("recipe_revision").c.id, ids))
    return {one.id: one for one in found}


def recipe_revisions(
    conn: Connection, part_number: str | None = None, *, plant_id: int | None = None
) -> tuple[RecipeRevision, ...]:
    """All revisions of the recipes of a part (or of all parts), by recipe and revision number.

    Settings are in order of their names. Raises UnknownRecord for an unknown part number.
    """
    asked = _statement()
    if part_number is not None:
        asked = asked.where(table("recipe").c.part_id == part_id_of(conn, part_number, plant_id))
    return _load(conn, list(conn.execute(asked)))


def recipes(
    conn: Connection, part: str | None = None, *, plant_id: int | None = None
) -> tuple[RecipeRevision, ...]:
    """One revision for each recipe: the approved one, else the newest."""
    best: dict[int, RecipeRevision] = {}
    for one in recipe_revisions(conn, part, plant_id=plant_id):
        held = best.get(one.recipe_id)
        if held is None or held.state != "approved" or one.state == "approved":
            best[one.recipe_id] = one
    return tuple(best.values())


def recipe_revision(
    conn: Connection, code: str, revision: int | None = None, *, plant_id: int | None = None
) -> RecipeRevision:
    """A recipe revision by the code of the recipe and its number; without a number as `recipes` chooses.

    Raises UnknownRecord with near codes or the numbers there are.
    """
    remedy = "Give the code of a recipe; 'qualrec recipes' lists them."
    row = find(conn, "recipe", "code", code, what="recipe", remedy=remedy, plant_id=plant_id)
    found = _load(conn, list(conn.execute(_statement().where(table("recipe").c.id == row.id))))
    if revision is None and found:
        approved = [one for one in found if one.state == "approved"]
        return (approved or list(found))[-1]
    for one in found:
        if one.revision == revision:
            return one
    there = ", ".join(str(one.revision) for one in found) or "none"
    raise UnknownRecord(f"Recipe {code!r} has no revision {revision}.", f"Its revisions: {there}.")


def recipe_revision_by_id(conn: Connection, revision_id: int) -> RecipeRevision:
    found = load_recipe_revisions(conn, [revision_id])
    if revision_id not in found:
        raise UnknownRecord(f"There is no recipe revision with id {revision_id}.", "See the list of recipes.")
    return found[revision_id]


def temporary_changes(
    conn: Connection, *, part_id: int | None = None, state: str | None = None
) -> tuple[TemporaryChange, ...]:
    """Temporary changes, those that end first at the head."""
    t, p, s, who = table("temporary_change"), table("part"), table("station"), table("person")
    e = table("trail")
    named = (p.c.number.label("part_number"), s.c.code.label("station"), who.c.name.label("person"))
    ending = and_(
        e.c.what_table == "temporary_change", e.c.what_id == t.c.id, e.c.act == "temporary change ended"
    )
    asked = (
        select(t, *named, e.c.at_us.label("ended_us"))
        .join(p, p.c.id == t.c.part_id)
        .outerjoin(s, s.c.id == t.c.station_id)
        .outerjoin(who, who.c.id == t.c.person_id)
        .outerjoin(e, ending)
        .order_by(t.c.until_us, t.c.id)
    )
    if part_id is not None:
        asked = asked.where(t.c.part_id == part_id)
    if state is not None:
        asked = asked.where(t.c.state == state)
    return tuple(
        TemporaryChange(
            id=row.id,
            part_number=row.part_number,
            recipe_revision_id=row.recipe_revision_id,
            station=row.station or "",
            what=row.what,
            extra_checks=row.extra_checks,
            from_us=row.from_us,
            until_us=row.until_us,
            state=row.state,
            person=row.person or "",
            ended_us=row.ended_us,
        )
        for row in conn.execute(asked)
    )
