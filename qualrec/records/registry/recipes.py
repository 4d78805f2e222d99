"""Recipes, their revisions and approval, temporary changes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sqlalchemy import func, select

from qualrec.errors import Refused, UsageError
from qualrec.records.ledger import Writer
from qualrec.records.models import metadata
from qualrec.records.registry import checks
from qualrec.values import RecipeSetting, Window
from qualrec.weld.settings import SETTINGS, check_settings, find_process

WINDOWS = ("transmission", "joint energy", "collapse", "clamp force")
"""Quantities that a recipe revision may be qualified for."""


def add_recipe(writer: Writer, part_id: int, code: str, process: str | None = None) -> int:
    """Add a recipe of a part, of the part's process type. Its settings are in its revisions.

    Raises Refused where the code is taken or `process` is not that of the part.
    """
    given = checks.name(code, "Recipe code")
    part = checks.row(writer, "part", part_id, "part")
    chosen = part.process if process is None else str(find_process(process))
    if chosen != part.process:
        raise Refused(
            f"Part {part.number} is welded by the {part.process} process, not {chosen}.",
            "Give the process of the part.",
        )
    checks.new_name(writer, "recipe", f"Recipe {given!r}", plant_id=writer.plant_id, code=given)
    return writer.insert("recipe", {"part_id": part_id, "code": given, "process": chosen}, act="recipe added")


def add_recipe_revision(
    writer: Writer,
    recipe_id: int,
    *,
    settings: Mapping[str, float] | Sequence[RecipeSetting],
    windows: Sequence[Window] = (),
    reason: str,
) -> int:
    """Add a draft revision; returns its id. Settings are those of the process, in the units that the process table lists.

    `windows`: the ranges in which the revision is proven. Raises UsageError for a setting that the process does not have or
    lacks, a unit that is not the setting's, or a range that does not hold the value.
    """
    why = checks.prose(reason, "The reason", filled=True)
    recipe = checks.row(writer, "recipe", recipe_id, "recipe")
    chosen = _settings(recipe.process, settings)
    ranges = _windows(windows)
    v = metadata.tables["recipe_revision"]
    last = writer.conn.execute(select(func.max(v.c.revision)).where(v.c.recipe_id == recipe_id)).scalar()
    row = {
        "recipe_id": recipe_id,
        "revision": (last or 0) + 1,
        "reason": why,
        "author_id": writer.actor.person_id,
        "created_us": writer.now_us,
    }
    revision_id = writer.insert("recipe_revision", row, act="recipe revision drafted", why=why)
    for setting in chosen:
        writer.insert("recipe_setting", {"recipe_revision_id": revision_id, **setting}, act="recipe setting")
    for window in ranges:
        writer.insert(
            "qualified_window", {"recipe_revision_id": revision_id, **window}, act="qualified window"
        )
    return revision_id


def _settings(process: str, given: Mapping[str, float] | Sequence[RecipeSetting]) -> list[dict[str, object]]:
    listed = (
        [RecipeSetting(name, value, "") for name, value in given.items()]
        if isinstance(given, Mapping)
        else given
    )
    names = [one.name for one in listed]
    if len(set(names)) != len(names):
        raise UsageError("A setting is given twice.", "Give each setting once.")
    values = check_settings(process, {one.name: checks.number(one.value, one.name) for one in listed})
    units = {setting.name: setting.unit for setting in SETTINGS[find_process(process)]}
    rows: list[dict[str, object]] = []
    for one in listed:
        unit = units[one.name]
        if one.unit not in ("", unit):
            raise UsageError(f"{one.name} is given in {one.unit}.", f"Convert it to {unit} first.")
        low = checks.number_or_none(one.low, f"Lower end of {one.name}")
        high = checks.number_or_none(one.high, f"Upper end of {one.name}")
        checks.not_crossed(low, high, one.name, equal=True)
        if (low is not None and one.value < low) or (high is not None and one.value > high):
            raise UsageError(
                f"{one.name} {one.value:g} {unit} is outside its own range.", "Mend the value or the range."
            )
        rows.append({"name": one.name, "value": values[one.name], "unit": unit, "low": low, "high": high})
    return rows


def _windows(windows: Sequence[Window]) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for one in windows:
        quantity = checks.one_of(one.quantity, WINDOWS, "Qualified quantity")
        low = checks.number_or_none(one.low, f"Lower end of {quantity}")
        high = checks.number_or_none(one.high, f"Upper end of {quantity}")
        if low is None and high is None:
            raise UsageError(f"The qualified window of {quantity} has no end.", "Give at least one end.")
        checks.not_crossed(low, high, f"Qualified window of {quantity}")
        rows.append(
            {
                "quantity": quantity,
                "low": low,
                "high": high,
                "unit": checks.name(one.unit, f"Unit of {quantity}"),
                "proof": checks.prose(one.proof, "Proof"),
            }
        )
    if len({row["quantity"] for row in rows}) != len(rows):
        raise UsageError("A quantity has two qualified windows.", "Give each quantity once.")
    return rows


def approve_recipe_revision(
    writer: Writer,
    revision_id: int,
    *,
    valid_from_us: int | None = None,
    signature_id: int | None = None,
    why: str = "",
) -> None:
    """Approve a draft; the approved revision of the same recipe is superseded from the moment the new one is valid.

    Valid from now unless a later moment is given. From now on the revision and its settings never change. Raises Refused
    for a revision that is no draft, UsageError for a moment in the past.
    """
    revision = checks.row(writer, "recipe_revision", revision_id, "recipe revision")
    since = writer.now_us if valid_from_us is None else checks.moment(valid_from_us, "Valid from")
    if since < writer.now_us:
        raise UsageError("An approval does not reach back in time.", "Give a moment from now on.")
    if revision.state != "draft":
        raise Refused(
            f"Revision {revision.revision} is {revision.state}, not a draft.", "Make a new revision."
        )
    checks.row_or_none(writer, "signature", signature_id, "signature")
    v = metadata.tables["recipe_revision"]
    earlier = writer.conn.execute(
        select(v.c.id).where(v.c.recipe_id == revision.recipe_id, v.c.state == "approved").order_by(v.c.id)
    ).scalars()
    for one in list(earlier):
        changes = {"state": "superseded", "ended_us": since}
        writer.update("recipe_revision", one, changes, act="recipe revision superseded", why=why)
    approved = {
        "state": "approved",
        "approver_id": writer.actor.person_id,
        "approved_us": writer.now_us,
        "valid_from_us": since,
        "signature_id": signature_id,
    }
    writer.update("recipe_revision", revision_id, approved, act="recipe revision approved", why=why)


def withdraw_recipe_revision(writer: Writer, revision_id: int, *, reason: str) -> None:
    """Withdraw a draft or the approved revision, from now on. The reason is in the trail."""
    why = checks.prose(reason, "The reason", filled=True)
    revision = checks.row(writer, "recipe_revision", revision_id, "recipe revision")
    if revision.state not in ("draft", "approved"):
        raise Refused(f"Revision {revision.revision} is {revision.state} already.", "Nothing has to be done.")
    changes = {"state": "withdrawn", "ended_us": writer.now_us}
    writer.update("recipe_revision", revision_id, changes, act="recipe revision withdrawn", why=why)


def add_temporary_change(
    writer: Writer,
    part_id: int,
    *,
    what: str,
    extra_checks: str,
    from_us: int,
    until_us: int,
    recipe_revision_id: int | None = None,
    station_id: int | None = None,
    signature_id: int | None = None,
) -> int:
    """Record a bypass or temporary change with its end and the extra checks that go with it."""
    row = {
        "part_id": part_id,
        "recipe_revision_id": recipe_revision_id,
        "station_id": station_id,
        "what": checks.prose(what, "The change", filled=True),
        "extra_checks": checks.prose(extra_checks, "The extra checks", filled=True),
        "from_us": checks.moment(from_us, "From"),
        "until_us": checks.moment(until_us, "Until"),
        "person_id": writer.actor.person_id,
        "signature_id": signature_id,
    }
    if until_us <= from_us:
        raise UsageError("The temporary change ends before it begins.", "Mend one of the moments.")
    checks.row(writer, "part", part_id, "part")
    checks.row_or_none(writer, "recipe_revision", recipe_revision_id, "recipe revision")
    checks.row_or_none(writer, "station", station_id, "station")
    checks.row_or_none(writer, "signature", signature_id, "signature")
    return writer.insert("temporary_change", row, act="temporary change begun")


def end_temporary_change(writer: Writer, change_id: int, *, why: str) -> None:
    """End a temporary change, from now on; its last day stays as it was signed."""
    reason = checks.prose(why, "The reason", filled=True)
    change = checks.row(writer, "temporary_change", change_id, "temporary change")
    if change.state != "open":
        raise Refused("The temporary change has ended already.", "Nothing has to be done.")
    writer.update("temporary_change", change_id, {"state": "ended"}, act="temporary change ended", why=reason)
