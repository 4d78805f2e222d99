"""Sending kept entries to the records: each as the person who made it, at its own moment, once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from qualrec.errors import UnknownRecord, UsageError
from qualrec.records import lookups
from qualrec.weld.failure_modes import Shares
from qualrec.work import bench
from qualrec.work.queue import Kept
from qualrec.work.session import Session
from qualrec.work.target import find_target


def send(session: Session, kept: Kept) -> bench.Logged | str:
    """Store a kept entry; for an event the answer is a sentence. Raises as `bench.log` and `bench.log_event`.

    A pull after a test fault is stored as its repeat.
    """
    acting = _as_maker(session, kept)
    given = kept.content
    if kept.kind == "event":
        return bench.log_event(
            acting,
            given["event"],
            station=given.get("at") or None,
            lot=given.get("lot") or None,
            remark=given.get("remark", ""),
            at_us=kept.at_us,
        )
    if kept.kind != "reading":
        raise UsageError(f"An entry of kind {kept.kind!r} is not known.", "A newer program may have kept it.")
    target = find_target(acting, given["lot"], given["code"])
    entries = [_entry(row, kept.at_us) for row in given["rows"]]
    if target.characteristic.strength and target.lot is not None and len(entries) == 1:
        entries = [_repeating(acting, target.lot.id, given["code"], entries[0])]
    return bench.log(
        acting,
        target,
        entries,
        stream=given.get("stream") or None,
        gauge=given.get("gauge") or None,
        entry_key=kept.key,
    )


def give_up(session: Session, kept: Kept) -> str:
    """Note in the records that a refused entry was not taken, where its lot and characteristic are known there."""
    if kept.kind == "reading":
        try:
            target = find_target(session, kept.content["lot"], kept.content["code"])
        except UnknownRecord:
            return f"Put away: {kept.words}. The records know no such lot, so they hold nothing of it."
        for row in kept.content["rows"]:
            text = row.get("again") or row["text"]
            bench.not_taken(session, target, text, None, f"refused later: {kept.refusal}"[:400])
        return f"Put away: {kept.words}. The records hold it as not taken."
    return f"Put away: {kept.words}."


def _as_maker(session: Session, kept: Kept) -> Session:
    """The session as the person who made the entry, at the station where it was made."""
    if not kept.badge or (kept.badge == session.actor.badge and kept.station == session.settings.station):
        return session
    with session.store.read() as conn:
        return session.acting(lookups.actor(conn, kept.badge, kept.station or None))


def _entry(row: Mapping[str, Any], at_us: int) -> bench.Entry:
    shares = row.get("shares")
    return bench.Entry(
        text=row["text"],
        again=row.get("again"),
        mode=row.get("mode") or "",
        shares=None if shares is None else Shares(*shares),
        serial=row.get("serial") or "",
        moisture=row.get("moisture") or "",
        hours_since_weld=row.get("hours"),
        stream=row.get("stream") or "",
        position=row.get("position") or "",
        at_us=at_us,
    )


def _repeating(session: Session, lot_id: int, code: str, entry: bench.Entry) -> bench.Entry:
    with session.store.read() as conn:
        rows = lookups.readings_of_lot(conn, lot_id, code)
    repeated = bench.owed_repeat(rows, code)
    return entry if repeated is None else replace(entry, repeat_of=repeated, reason=bench.REPEAT)
