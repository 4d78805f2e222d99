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

    A pull after a test fault is stored as its repeat. Where somebody else sends it, the trail says who.
    """
    acting = _as_maker(session, kept)
    done = _stored(acting, kept)
    if not isinstance(done, bench.Logged) or not done.repeated:
        _note_sender(session, acting, kept)
    return done


def _stored(acting: Session, kept: Kept) -> bench.Logged | str:
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
    """The session as the person who made the entry, with the roles of now, at the station where it was made."""
    badge = kept.badge or session.actor.badge
    if not badge:
        return session
    with session.store.read() as conn:
        return session.acting(lookups.actor(conn, badge, kept.station or None))


def _note_sender(session: Session, maker: Session, kept: Kept) -> None:
    """Say in the trail who sent an entry that names somebody else: a kept file is no proof of who made it."""
    sender, named = session.actor.person_id, maker.actor.person_id
    if named is None or sender == named:
        return
    with session.store.write(session.actor, session.plant.id) as writer:
        writer.note("entry of another person sent", "person", named, {"entry": kept.key, "kind": kept.kind})


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
