"""Steps that were done: of a reaction plan, of a hand-over between shifts."""

from __future__ import annotations

from sqlalchemy import select

from qualrec.errors import Refused
from qualrec.records.ledger import Writer
from qualrec.records.models import metadata
from qualrec.records.registry import checks

REACTION_PLAN, HAND_OVER = "reaction plan", "hand-over"


def add_step(
    writer: Writer,
    kind: str,
    step: str,
    *,
    position: int,
    lot_id: int | None = None,
    flag_id: int | None = None,
    station_id: int | None = None,
    remark: str = "",
) -> int:
    """Record that a step was done now, by who acts. Returns its id.

    Raises Refused where the step of that position is recorded for the flag already, naming nothing twice.
    """
    table = metadata.tables["checklist"]
    words = checks.prose(step, "The step", filled=True)
    row = {
        "kind": checks.one_of(kind, (REACTION_PLAN, HAND_OVER), "Kind of step"),
        "step": words,
        "position": checks.whole(position, "Position", least=1, most=1000),
        "lot_id": lot_id,
        "flag_id": flag_id,
        "station_id": station_id,
        "done_us": writer.now_us,
        "person_id": writer.actor.person_id,
        "remark": checks.prose(remark, "Remark"),
    }
    checks.row_or_none(writer, "lot", lot_id, "lot")
    checks.row_or_none(writer, "flag", flag_id, "flag")
    checks.row_or_none(writer, "station", station_id, "station")
    if flag_id is not None:
        same = select(table.c.id).where(
            table.c.kind == kind, table.c.flag_id == flag_id, table.c.position == position
        )
        if writer.conn.execute(same).first() is not None:
            raise Refused(f"Step {position} is ticked already.", "Look at the flag again.")
    return writer.insert("checklist", row, act="step done", why=words[:200])
