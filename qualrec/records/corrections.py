"""Correcting a reading: it stays as entered, what counts is laid over it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import text

from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.records import guards
from qualrec.records.models.readings import MODES
from qualrec.records.overlays import ACCEPTED, NONE, TEST_FAULT, Overlay, key3_of, overlays_of
from qualrec.records.rollup_store import rebuild
from qualrec.values import Correction, ReadingKey

if TYPE_CHECKING:
    from qualrec.records.ledger import Writer

KINDS = ("value", "void", "mode")


def correct(
    writer: Writer,
    key: ReadingKey,
    *,
    kind: str,
    new_value: float | None,
    new_mode: str,
    reason: str,
    second_person_id: int | None,
    entered_text: str,
) -> Correction:
    """See `Writer.correct`."""
    if kind not in KINDS:
        raise UsageError(f"Correction {kind!r} is not known.", f"Kinds: {', '.join(KINDS)}.")
    if not reason.strip():
        raise Refused("A correction needs a reason.", "Say why the reading is corrected.")
    stored, stored_mode = _stored(writer, key)
    before = overlays_of(writer.conn, key3_of(key)).get(key.sample, NONE)
    old_value = before.value_of(stored, stored_mode)
    old_mode = stored_mode if before.mode is None else before.mode
    if kind == "value":
        new_value = _new_value(new_value, before, old_value, old_mode)
    elif new_value is not None:
        raise UsageError("Only a correction of the value takes a new value.")
    if kind == "mode":
        _check_mode(writer, key, new_mode, old_mode)
    if kind == "void" and before.void:
        raise Refused("The reading is void already.", "Nothing has to be done.")
    second = _second_person(writer, second_person_id)
    row = {
        **_key(key),
        "position": 1 + _count(writer, key),
        "kind": kind,
        "old_value": old_value,
        "new_value": new_value,
        "entered_text": entered_text,
        "old_mode": old_mode,
        "new_mode": new_mode if kind == "mode" else "",
        "reason": reason.strip(),
        "person_id": writer.actor.person_id,
        "second_person_id": second_person_id,
        "at_us": writer.now_us,
    }
    writer.insert("correction", row, act="reading corrected", why=reason.strip())
    rebuild(writer.conn, key3_of(key))
    lot, code = _names(writer, key)
    return Correction(
        key,
        lot,
        code,
        kind,
        old_value,
        new_value,
        old_mode,
        str(row["new_mode"]),
        reason.strip(),
        writer.actor.name,
        second,
        writer.now_us,
    )


def _new_value(value: float | None, before: Overlay, old_value: float | None, old_mode: str) -> float:
    if value is None:
        raise Refused("A correction of the value needs the new value.", "Enter it, or void the reading.")
    if old_mode == TEST_FAULT:
        raise Refused("The reading is a test fault and has no value.", "Correct its failure mode first.")
    value = guards.finite(float(value), "The new value")
    if not before.void and old_value == value:
        raise Refused("The new value is the value that stands.", "Nothing has to be corrected.")
    return value


def _check_mode(writer: Writer, key: ReadingKey, new_mode: str, old_mode: str) -> None:
    if not old_mode:
        raise Refused("The reading has no failure mode.", "Only pulls have one.")
    if new_mode not in MODES:
        raise Refused(f"Failure mode {new_mode!r} is not known.", f"Choose one of: {', '.join(MODES)}.")
    if new_mode == old_mode:
        raise Refused("The new failure mode is the one that stands.", "Nothing has to be corrected.")
    if new_mode == "mixed":
        query = text(
            "SELECT interfacial_pct + cohesive_pct + tear_pct + parent_pct FROM pull WHERE subject_id = :subject_id AND"
            " characteristic_id = :characteristic_id AND stream_id = :stream_id AND sample = :sample"
        )
        if writer.conn.execute(query, _key(key)).scalar() is None:
            raise Refused(
                "A mixed failure needs its shares, and the pull was entered without.",
                "Void the reading and enter it again with its shares.",
            )


def _stored(writer: Writer, key: ReadingKey) -> tuple[float | None, str]:
    query = text(
        "SELECT reading.value, pull.mode FROM reading LEFT JOIN pull ON pull.subject_id = reading.subject_id"
        " AND pull.characteristic_id = reading.characteristic_id AND pull.stream_id = reading.stream_id"
        " AND pull.sample = reading.sample WHERE reading.subject_id = :subject_id"
        " AND reading.characteristic_id = :characteristic_id AND reading.stream_id = :stream_id"
        f" AND reading.sample = :sample AND {ACCEPTED}"
    )
    found = writer.conn.execute(query, _key(key)).first()
    if found is None:
        raise UnknownRecord(
            f"There is no accepted reading with sample {key.sample} here.", "Look it up again."
        )
    return found[0], found[1] or ""


def _count(writer: Writer, key: ReadingKey) -> int:
    query = text(
        "SELECT count(*) FROM correction WHERE subject_id = :subject_id AND characteristic_id = :characteristic_id"
        " AND stream_id = :stream_id AND sample = :sample"
    )
    return int(writer.conn.execute(query, _key(key)).scalar_one())


def _second_person(writer: Writer, person_id: int | None) -> str:
    if person_id is None:
        return ""
    if person_id == writer.actor.person_id:
        raise Refused("The second person is the one who corrects.", "Another person must confirm.")
    query = text("SELECT name FROM person WHERE id = :id AND state = 'active'")
    name = writer.conn.execute(query, {"id": person_id}).scalar()
    if name is None:
        raise UnknownRecord(
            "The second person is not known or not active.", "Use the badge of an active person."
        )
    return str(name)


def _names(writer: Writer, key: ReadingKey) -> tuple[str, str]:
    lot = writer.conn.execute(
        text(
            "SELECT number FROM lot WHERE id = (SELECT lot_id FROM lot_segment WHERE id = :subject)"
            " UNION ALL SELECT number FROM moulding_lot WHERE id = :subject"
        ),
        {"subject": key.subject_id},
    ).scalar()
    code = writer.conn.execute(
        text("SELECT code FROM characteristic WHERE id = :id"), {"id": key.characteristic_id}
    ).scalar_one()
    return str(lot or ""), str(code)


def _key(key: ReadingKey) -> dict[str, Any]:
    return {
        "subject_id": key.subject_id,
        "characteristic_id": key.characteristic_id,
        "stream_id": key.stream_id,
        "sample": key.sample,
    }
