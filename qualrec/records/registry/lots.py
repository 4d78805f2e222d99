"""Lots: opening, segments, owed tests, state."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import func, select

from qualrec.errors import Refused, UsageError
from qualrec.records.ledger import Writer
from qualrec.records.lookups.characteristics import part_characteristics
from qualrec.records.models import metadata
from qualrec.records.models.lots import LOT_STATES
from qualrec.records.registry import checks

ENDED_STATES = ("scrapped", "reworked")
"""States that a lot never leaves."""
WELDING_STATES = ("open", "awaiting tests", "under review", "on hold")
"""States in which a lot may still get a segment."""
REFERENCES = {
    "recipe_revision_id": ("recipe_revision", "recipe revision"),
    "station_id": ("station", "station"),
    "operator_id": ("person", "operator"),
    "upper_moulding_lot_id": ("moulding_lot", "upper moulding lot"),
    "lower_moulding_lot_id": ("moulding_lot", "lower moulding lot"),
    "clamp_tool_id": ("clamp_tool", "clamp tool"),
}
"""What a segment names: column, table and word."""


def add_lot(
    writer: Writer,
    number: str,
    part_id: int,
    started_us: int,
    *,
    quantity: int | None = None,
    recipe_revision_id: int | None = None,
    station_id: int | None = None,
    operator_id: int | None = None,
    upper_moulding_lot_id: int | None = None,
    lower_moulding_lot_id: int | None = None,
    clamp_tool_id: int | None = None,
    part_revision_id: int | None = None,
    parent_lot_id: int | None = None,
    remark: str = "",
    owed: bool = True,
) -> int:
    """Open a lot with its first segment; returns the id of the lot.

    The drawing revision is the one valid when welding began. With `owed` the lot owes the samples that its characteristics
    ask for by the revisions in force then. Raises Refused where the number is taken, a moulding lot is of another component
    or the recipe of another part. A recipe revision that is not approved is not refused: it is a finding.
    """
    row = {
        "number": checks.name(number, "Lot number"),
        "part_id": part_id,
        "started_us": checks.moment(started_us, "Start of the lot"),
        "quantity": checks.whole_or_none(quantity, "Quantity", least=1),
        "parent_lot_id": parent_lot_id,
        "remark": checks.prose(remark, "Remark"),
    }
    segment = {
        "recipe_revision_id": recipe_revision_id,
        "station_id": station_id,
        "operator_id": operator_id,
        "upper_moulding_lot_id": upper_moulding_lot_id,
        "lower_moulding_lot_id": lower_moulding_lot_id,
        "clamp_tool_id": clamp_tool_id,
    }
    part = checks.row(writer, "part", part_id, "part")
    checks.row_or_none(writer, "lot", parent_lot_id, "parent lot")
    _check_segment(writer, part, segment)
    checks.new_name(writer, "lot", f"Lot {row['number']!r}", plant_id=writer.plant_id, number=row["number"])
    row["part_revision_id"] = _drawing(writer, part, part_revision_id, started_us)
    lot_id = writer.insert("lot", row, act="lot opened")
    _insert_segment(writer, lot_id, 1, started_us, segment)
    if owed:
        _owe_samples(writer, lot_id, part_id, started_us)
    return lot_id


def _drawing(writer: Writer, part: Any, part_revision_id: int | None, at_us: int) -> int | None:
    if part_revision_id is not None:
        revision = checks.row(writer, "part_revision", part_revision_id, "part revision")
        if revision.part_id != part.id:
            raise Refused(f"The drawing revision is not one of part {part.number}.", "Give one of the part.")
        return part_revision_id
    r = metadata.tables["part_revision"]
    asked = select(r.c.id).where(r.c.part_id == part.id, r.c.valid_from_us <= at_us)
    found = writer.conn.execute(asked.order_by(r.c.valid_from_us.desc(), r.c.id.desc()).limit(1)).scalar()
    return None if found is None else int(found)


def _check_segment(writer: Writer, part: Any, segment: Mapping[str, int | None]) -> None:
    found = {}
    for column, (table_name, what) in REFERENCES.items():
        found[column] = checks.row_or_none(writer, table_name, segment[column], what)
    for side in ("upper", "lower"):
        moulded = found[f"{side}_moulding_lot_id"]
        wanted = part.upper_id if side == "upper" else part.lower_id
        if moulded is not None and moulded.component_part_id != wanted:
            component = checks.row(writer, "component_part", wanted, "component")
            raise Refused(
                f"Moulding lot {moulded.number} is not of {component.number}, the {side} component of part {part.number}.",
                "Scan the label of the right component.",
            )
    revision = found["recipe_revision_id"]
    if revision is not None:
        recipe = checks.row(writer, "recipe", revision.recipe_id, "recipe")
        if recipe.part_id != part.id:
            raise Refused(
                f"Recipe {recipe.code} is not one of part {part.number}.", "Choose a recipe of the part."
            )


def _insert_segment(
    writer: Writer, lot_id: int, position: int, from_us: int, segment: Mapping[str, int | None]
) -> int:
    segment_id = writer.new_subject("lot segment")
    row = {"id": segment_id, "lot_id": lot_id, "position": position, "from_us": from_us, **segment}
    return writer.insert("lot_segment", row, act="lot segment begun")


def _owe_samples(writer: Writer, lot_id: int, part_id: int, at_us: int) -> None:
    for c in part_characteristics(writer.conn, part_id, at_us):
        for position, count in spread_samples(c.samples, c.sample_positions):
            row = {
                "lot_id": lot_id,
                "characteristic_id": c.id,
                "position": position,
                "count": count,
                "mandatory": int(c.mandatory),
            }
            writer.insert("test_owed", row, act="test owed")


def spread_samples(samples: int, positions: tuple[str, ...]) -> list[tuple[str, int]]:
    """How many of the samples are taken at each position: as evenly as it goes, earlier positions first.

    Without positions all are taken anywhere: position ''.
    """
    if not samples:
        return []
    if not positions:
        return [("", samples)]
    each, rest = divmod(samples, len(positions))
    spread = [(position, each + (place < rest)) for place, position in enumerate(positions)]
    return [(position, count) for position, count in spread if count]


def add_segment(
    writer: Writer,
    lot_id: int,
    from_us: int,
    *,
    recipe_revision_id: int | None = None,
    station_id: int | None = None,
    operator_id: int | None = None,
    upper_moulding_lot_id: int | None = None,
    lower_moulding_lot_id: int | None = None,
    clamp_tool_id: int | None = None,
    why: str = "",
) -> int:
    """Begin a further segment of a lot; what is left out stays as in the segment before. Returns its id.

    Raises UsageError where nothing changes or the moment is not after the last segment began, Refused where the lot is
    no longer welded or a thing does not belong to its part.
    """
    since = checks.moment(from_us, "Start of the segment")
    given = {
        "recipe_revision_id": recipe_revision_id,
        "station_id": station_id,
        "operator_id": operator_id,
        "upper_moulding_lot_id": upper_moulding_lot_id,
        "lower_moulding_lot_id": lower_moulding_lot_id,
        "clamp_tool_id": clamp_tool_id,
    }
    lot = checks.row(writer, "lot", lot_id, "lot")
    if lot.state not in WELDING_STATES:
        raise Refused(f"Lot {lot.number} is {lot.state}; it gets no further segment.", "Open a new lot.")
    s = metadata.tables["lot_segment"]
    asked = select(s).where(s.c.lot_id == lot_id).order_by(s.c.position.desc()).limit(1)
    last = writer.conn.execute(asked).one()
    segment = {column: getattr(last, column) if value is None else value for column, value in given.items()}
    if all(getattr(last, column) == value for column, value in segment.items()):
        raise UsageError(
            "Nothing changes in the lot.", "Give the new recipe, station, person, moulding lot or clamp tool."
        )
    if since <= last.from_us:
        raise UsageError(f"Segment {last.position} of lot {lot.number} began later.", "Give a later moment.")
    _check_segment(writer, checks.row(writer, "part", lot.part_id, "part"), segment)
    return _insert_segment(writer, lot_id, last.position + 1, since, segment)


def owe_test(
    writer: Writer,
    lot_id: int,
    characteristic_id: int,
    *,
    count: int = 1,
    position: str = "",
    due_us: int | None = None,
    mandatory: bool = True,
    why: str = "",
) -> int:
    """Ask `count` more samples of a lot at a position; added to what is asked there already. Returns the id."""
    more = checks.whole(count, "Number of samples", least=1, most=1_000_000)
    row = {
        "lot_id": lot_id,
        "characteristic_id": characteristic_id,
        "position": checks.line(position, "Position"),
        "due_us": checks.moment_or_none(due_us, "Due"),
        "mandatory": int(checks.yes_no(mandatory, "Mandatory")),
    }
    lot = checks.row(writer, "lot", lot_id, "lot")
    characteristic = checks.row(writer, "characteristic", characteristic_id, "characteristic")
    if characteristic.part_id != lot.part_id:
        raise Refused(
            f"Characteristic {characteristic.code} is not one of lot {lot.number}'s part.", "Choose another."
        )
    t = metadata.tables["test_owed"]
    same = [t.c[name] == row[name] for name in ("lot_id", "characteristic_id", "position")]
    there = writer.conn.execute(
        select(t.c.id, t.c["count"].label("wanted"), t.c.due_us, t.c.mandatory).where(*same)
    ).first()
    if there is None:
        return writer.insert("test_owed", {**row, "count": more}, act="test owed", why=why)
    changes = {
        "count": there.wanted + more,
        "due_us": there.due_us if due_us is None else due_us,
        "mandatory": max(there.mandatory, int(mandatory)),
    }
    writer.update("test_owed", there.id, changes, act="test owed", why=why)
    return int(there.id)


def _expected(writer: Writer, lot: Any, expected_version: int) -> None:
    """Raises Refused where the lot was changed since the version was read, saying by whom and when."""
    if checks.whole(expected_version, "Version of the lot") == lot.version:
        return
    t, p, plant = (metadata.tables[name] for name in ("trail", "person", "plant"))
    last = writer.conn.execute(
        select(t.c.at_us, p.c.name)
        .outerjoin(p, p.c.id == t.c.person_id)
        .where(t.c.plant_id == lot.plant_id, t.c.what_table == "lot", t.c.what_id == lot.id)
        .order_by(t.c.seq.desc())
        .limit(1)
    ).first()
    by = ""
    if last is not None:
        zone = writer.conn.execute(select(plant.c.zone).where(plant.c.id == lot.plant_id)).scalar_one()
        moment = datetime.fromtimestamp(last.at_us / 1e6, UTC).astimezone(ZoneInfo(zone))
        by = f" by {last.name or 'the program'} at {moment:%Y-%m-%d %H:%M}"
    raise Refused(
        f"Lot {lot.number} was changed{by} and is now {lot.state}; nothing was done.",
        "Look at the lot again and decide anew.",
    )


def set_lot_state(writer: Writer, lot_id: int, state: str, *, expected_version: int, why: str = "") -> int:
    """Change the state of a lot that was read at `expected_version`; returns the new version.

    Raises Refused where another station changed the lot since then (saying who and when), and for a scrapped or reworked
    lot. Whether the lot may be released is the gate's to say.
    """
    chosen = checks.one_of(state, LOT_STATES, "Lot state")
    reason = checks.prose(why, "The reason")
    lot = checks.row(writer, "lot", lot_id, "lot")
    _expected(writer, lot, expected_version)
    if lot.state == chosen:
        return int(lot.version)
    if lot.state in ENDED_STATES:
        raise Refused(f"Lot {lot.number} is {lot.state} and stays so.", "Open a new lot.")
    changes = {"state": chosen, "version": lot.version + 1}
    writer.update("lot", lot_id, changes, act=f"lot {chosen}", why=reason)
    return int(lot.version) + 1


def end_lot(
    writer: Writer, lot_id: int, ended_us: int, *, expected_version: int, quantity: int | None = None
) -> int:
    """Record the end of welding and the quantity; returns the new version. Raises Refused as `set_lot_state` does."""
    end = checks.moment(ended_us, "End of the lot")
    made = checks.whole_or_none(quantity, "Quantity", least=1)
    lot = checks.row(writer, "lot", lot_id, "lot")
    _expected(writer, lot, expected_version)
    s = metadata.tables["lot_segment"]
    began = writer.conn.execute(select(func.max(s.c.from_us)).where(s.c.lot_id == lot_id)).scalar_one()
    if end < began:
        raise UsageError(f"Lot {lot.number} would end before its last segment began.", "Give a later moment.")
    changes = {"ended_us": end, "version": lot.version + 1}
    if made is not None:
        changes["quantity"] = made
    writer.update("lot", lot_id, changes, act="lot ended")
    return int(lot.version) + 1
