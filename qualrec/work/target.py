"""What a reading will hang on: lot or moulding lot, characteristic, condition, stream."""

from __future__ import annotations

from dataclasses import dataclass

from qualrec.assess.loading import Conn
from qualrec.errors import UnknownRecord, UsageError
from qualrec.records import lookups, registry
from qualrec.records.ledger import Writer
from qualrec.values import NO_CONDITION, Characteristic, Condition, Gauge, Lot, MouldingLot
from qualrec.work.session import Session


@dataclass(frozen=True, slots=True)
class Target:
    """What a reading will hang on."""

    lot: Lot | None
    moulding: MouldingLot | None
    characteristic: Characteristic
    subject_id: int
    part_number: str

    @property
    def name(self) -> str:
        if self.characteristic.hangs_on == "moulding lot" and self.moulding is not None:
            return self.moulding.number
        return self.lot.number if self.lot is not None else ""


def scanned(text: str) -> str:
    """The number in a scan: blanks at the ends and a lot data identifier before it (1T, ANSI MH10.8.2) are taken off."""
    found = "".join(c for c in text if c.isprintable()).strip()
    return found[2:] if found.startswith("1T") and len(found) > 2 else found


def find_target(session: Session, name: str, code: str) -> Target:
    """What a reading of characteristic `code` on lot or moulding lot `name` will hang on.

    A lot may be named for a characteristic of its upper moulding lot. Raises UnknownRecord, UsageError.
    """
    with session.store.read() as conn:
        try:
            lot = lookups.lot(conn, scanned(name))
        except UnknownRecord as unknown_lot:
            return _moulding_target(conn, scanned(name), code, unknown_lot)
        c = lookups.characteristic(conn, lot.part.number, code, lot.segment.from_us)
        if c.hangs_on == "lot":
            return Target(lot, None, c, lot.segment.id, lot.part.number)
        upper = lot.segment.upper
        if upper is None:
            raise UsageError(
                f"{c.name} is measured on moulding lots, and lot {lot.number} names none.",
                "Give the moulding lot's number.",
            )
        return Target(lot, upper, c, upper.id, lot.part.number)


def _moulding_target(conn: Conn, name: str, code: str, unknown_lot: UnknownRecord) -> Target:
    try:
        moulding = lookups.moulding_lot(conn, name)
    except UnknownRecord:
        raise unknown_lot from None
    for part in lookups.parts(conn):
        if moulding.component.id in (part.upper.id, part.lower.id):
            for c in lookups.characteristics(conn, part.number, moulding.moulded_us):
                if c.code == code and c.hangs_on == "moulding lot":
                    return Target(None, moulding, c, moulding.id, part.number)
    raise UnknownRecord(
        f"Moulding lot {name} has no characteristic {code!r}.",
        "Name a characteristic that hangs on moulding lots.",
    )


def condition_of(writer: Writer, target: Target, gauge: str | None, stated: Condition | None) -> int:
    """Condition of the readings: as stated, else as last used with the gauge, else the gauge alone."""
    if stated is not None:
        return registry.get_or_add_condition(writer, stated)
    chosen = choose_gauge(writer.conn, target.characteristic, gauge)
    if chosen is None:
        return NO_CONDITION
    for group in reversed(lookups.conditions_of(writer.conn, target.characteristic.id)):
        for condition_id in reversed(group.ids):
            known = lookups.condition(writer.conn, condition_id)
            if known.gauge_id == chosen.id:
                return condition_id
    return registry.get_or_add_condition(writer, gauge_id=chosen.id)


def choose_gauge(conn: Conn, characteristic: Characteristic, code: str | None) -> Gauge | None:
    """The gauge named, else the only one in use of the family. Raises UsageError where several could be meant."""
    if code:
        return lookups.gauge(conn, code)
    if not characteristic.gauge_family:
        return None
    able = [
        g for g in lookups.gauges(conn) if g.family == characteristic.gauge_family and g.state == "in use"
    ]
    if len(able) > 1:
        used = {c.condition.gauge_id for c in lookups.conditions_of(conn, characteristic.id)}
        able = [g for g in able if g.id in used] or able
    if len(able) > 1:
        names = ", ".join(g.code for g in able)
        raise UsageError(f"{characteristic.name} can be measured with {names}.", "Say which gauge was used.")
    return able[0] if able else None


def stream_of(writer: Writer, target: Target, label: str) -> int:
    return lookups.stream(writer.conn, target.characteristic.part_id, label).id


def lots_of(writer: Writer, target: Target) -> list[str]:
    """Numbers of the lots that a moulding lot went into."""
    assert target.moulding is not None
    return [row.number for row in lookups.lots_touched(writer.conn, moulding_lot_id=target.moulding.id)]
