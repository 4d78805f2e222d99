"""Every write. A `Writer` is one transaction: the rows, the running sums and the trail entries go in together.

with store.write(actor) as writer:
    lot_id = writer.insert("lot", {...}, act="lot opened")
    receipt = writer.add_readings([...], entry_key="...")
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, delete, insert, select, text, update

from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.records import corrections, entry, guards
from qualrec.records.chain import NO_DIGEST, Chain, chained, state_of
from qualrec.records.entry import Receipt
from qualrec.records.ids import IdPool, Ids
from qualrec.records.models import metadata
from qualrec.records.models.plants import SUBJECT_KINDS
from qualrec.records.partitions import ensure
from qualrec.values import Actor, Correction, NewReading, ReadingKey

__all__ = ["Receipt", "Writer"]


class Writer:
    """Writes of one actor in one plant, in the transaction that `Store.write` opened."""

    def __init__(self, conn: Connection, actor: Actor, plant_id: int, pool: IdPool, now_us: int) -> None:
        self.conn = conn
        self.actor = actor
        self.plant_id = plant_id
        """0 until a plant is set up."""
        self.now_us = now_us
        """The moment of the transaction, the same for all its rows."""
        self._pool = pool
        self._chain: Chain | None = None
        self._ids: Ids | None = None
        if plant_id:
            self._join(plant_id)
            self._check_actor()

    def _join(self, plant_id: int) -> None:
        self.plant_id = plant_id
        self._chain = Chain(self.conn, plant_id)
        self._ids = Ids(self._pool, self.conn, plant_id, lambda block: ensure(self.conn, plant_id, block))

    def _check_actor(self) -> None:
        """Raises Refused where the person who acts was disabled or locked, at whatever station and since whenever."""
        t = metadata.tables["person"]
        asked = select(t.c.name, t.c.state, t.c.locked_until_us).where(t.c.id == self.actor.person_id)
        who = None if self.actor.person_id is None else self.conn.execute(asked).first()
        if who is None:
            return
        locked = who.locked_until_us is not None and self.now_us < who.locked_until_us
        if who.state != "active" or locked:
            why = "locked after failed sign-ons" if who.state == "active" else "disabled"
            raise Refused(
                f"{who.name} is {why} and cannot act; nothing was stored.",
                "Ask an administrator of the plant.",
            )

    # Called by Store.write only.

    def finish(self) -> None:
        """Write what is left to write before the commit."""
        if self._chain is not None:
            self._chain.close()

    def keep(self) -> None:
        if self._ids is not None:
            self._ids.commit()

    def drop(self) -> None:
        if self._ids is not None:
            self._ids.rollback()

    # Rows.

    def new_id(self) -> int:
        """An id that no other row has. Raises UsageError before the plant is set up."""
        if self._ids is None:
            raise UsageError("There is no plant yet.", "Set up the plant first.")
        return self._ids.next()

    def new_subject(self, kind: str) -> int:
        """Id of a new row in `subject`; the row of its kind gets the same id."""
        if kind not in SUBJECT_KINDS:
            raise UsageError(f"Subject kind {kind!r} is not known.", f"Kinds: {', '.join(SUBJECT_KINDS)}.")
        subject_id = self.new_id()
        row = {"id": subject_id, "plant_id": self.plant_id, "kind": kind}
        self.conn.execute(insert(metadata.tables["subject"]), row)
        return subject_id

    def insert(self, table_name: str, row: Mapping[str, Any], *, act: str, why: str = "") -> int:
        """Add a row with its trail entry; returns its id (the first key column where the key has several).

        Missing columns: `id` a new one, `plant_id` this plant, the rest by the defaults of the model. Raises Refused for a
        value that a column cannot hold and for what the schema forbids.
        """
        table = guards.table_for(table_name)
        if table_name == "plant":
            return self._insert_plant(row, act, why)
        full = guards.complete(table, row, self.plant_id, self.new_id)
        self.conn.execute(insert(table), full)
        return self._note(
            act, table_name, guards.key_of(table, full), {"row": chained(table_name, full)}, why
        )

    def _insert_plant(self, row: Mapping[str, Any], act: str, why: str) -> int:
        table = metadata.tables["plant"]
        given = {"created_us": self.now_us, **row}
        if "id" not in given:
            highest = self.conn.execute(text("SELECT max(id) FROM plant")).scalar()
            given["id"] = 1 + (highest or 0)
        full = guards.complete(table, given, 0, self.new_id)
        number = int(full["id"])
        self.conn.execute(insert(table), full)
        self.conn.execute(insert(metadata.tables["id_counter"]), {"plant_id": number, "next_value": 1})
        head = {"plant_id": number, "seq": 0, "digest": NO_DIGEST}
        self.conn.execute(insert(metadata.tables["trail_head"]), head)
        if self.plant_id == 0:
            self._join(number)
            return self._note(act, "plant", {"id": number}, {"row": chained("plant", full)}, why)
        chain = Chain(self.conn, number)
        content = {"key": {"id": number}, "row": chained("plant", full), "why": why}
        chain.append(self.actor, self.now_us, act, "plant", number, content)
        chain.close()
        return number

    def update(
        self,
        table_name: str,
        record: int | Mapping[str, Any],
        changes: Mapping[str, Any],
        *,
        act: str,
        why: str = "",
    ) -> None:
        """Change columns of a row; the trail holds them before and after. `record`: the id, or all key columns by name.

        Nothing is written where nothing changes. Raises UnknownRecord, Refused for a table or row that is never changed.
        """
        table = guards.table_for(table_name, change=True)
        key = guards.key_from(table, record)
        before = self._row(table_name, key)
        wanted = {}
        for name, value in changes.items():
            if name not in table.c or name in key:
                raise UsageError(f"{table_name} has no column {name!r} that could change.")
            wanted[name] = guards.fit(table_name, table.c[name], value)
        after = {name: value for name, value in wanted.items() if before[name] != value}
        if not after:
            return
        where = [table.c[name] == value for name, value in key.items()]
        self.conn.execute(update(table).where(*where).values(after))
        old = {name: before[name] for name in after}
        owner = next(iter(key.values()))
        content = {
            "before": chained(table_name, old, owner),
            "after": chained(table_name, after, owner),
            "state": state_of(table_name, {**before, **after}),
        }
        self._note(act, table_name, key, content, why)

    def remove(self, table_name: str, record: int | Mapping[str, Any], *, act: str, why: str = "") -> None:
        """Take a row away where that is allowed (a role, a setting of a draft); the trail keeps what it held."""
        table = guards.table_for(table_name, change=True)
        if table_name not in guards.REMOVABLE:
            raise Refused(f"Rows of {table_name!r} are never removed.", "Change their state instead.")
        key = guards.key_from(table, record)
        before = self._row(table_name, key)
        self.conn.execute(delete(table).where(*[table.c[name] == value for name, value in key.items()]))
        self._note(act, table_name, key, {"removed": chained(table_name, before)}, why)

    def _row(self, table_name: str, key: Mapping[str, Any]) -> dict[str, Any]:
        table = metadata.tables[table_name]
        query = (
            select(table).where(*[table.c[name] == value for name, value in key.items()]).with_for_update()
        )
        found = self.conn.execute(query).mappings().first()
        if found is None:
            shown = ", ".join(f"{name} {value}" for name, value in key.items())
            raise UnknownRecord(f"There is no {table_name} with {shown}.", "Look it up again.")
        return dict(found)

    def _note(
        self, act: str, table_name: str, key: Mapping[str, Any], content: Mapping[str, Any], why: str
    ) -> int:
        row_id = int(next(iter(key.values())))
        self.note(act, table_name, row_id, {"key": dict(key), **content, "why": why})
        return row_id

    def note(self, act: str, table_name: str, row_id: int, content: Mapping[str, Any]) -> None:
        """A trail entry on its own: for what is done without a row that changes (an export, a failed sign-in)."""
        if self._chain is None:
            raise UsageError("There is no plant yet.", "Set up the plant first.")
        if not act or len(act) > 40:
            raise UsageError(f"{act!r} cannot name an act.", "Use 1 to 40 signs.")
        self._chain.append(self.actor, self.now_us, act, table_name, row_id, content)

    # Readings.

    def add_readings(
        self,
        readings: Sequence[NewReading],
        *,
        kind: str = "typed",
        file_name: str = "",
        file_digest: str | None = None,
        entry_key: str | None = None,
        profile_id: int | None = None,
    ) -> Receipt:
        """Store readings that belong together: one accepted batch with side tables, sums, mode counts and one trail entry.

        An `entry_key` that was stored before gives back the receipt of then (`repeated`) and adds nothing, so an entry may be
        sent again after a lost connection. Raises Refused for what cannot be stored; FileRefused lists every reading that is
        already there.
        """
        return entry.add_readings(
            self,
            readings,
            kind=kind,
            file_name=file_name,
            file_digest=file_digest,
            entry_key=entry_key,
            profile_id=profile_id,
        )

    def correct(
        self,
        key: ReadingKey,
        *,
        kind: str,
        new_value: float | None = None,
        new_mode: str | None = None,
        reason: str,
        second_person_id: int | None = None,
        entered_text: str = "",
    ) -> Correction:
        """Correct a reading: 'value', 'void' or 'mode'. The reading stays as entered; what counts is rebuilt from it.

        A 'value' after a 'void' takes the reading back in. Raises UnknownRecord, Refused.
        """
        return corrections.correct(
            self,
            key,
            kind=kind,
            new_value=new_value,
            new_mode=new_mode or "",
            reason=reason,
            second_person_id=second_person_id,
            entered_text=entered_text,
        )

    def note_attempt(
        self, subject_id: int, characteristic_id: int, *, entered_text: str, value: float | None, why: str
    ) -> int:
        """Keep an entry that was not taken, with the reason."""
        row = {
            "subject_id": subject_id,
            "characteristic_id": characteristic_id,
            "entered_text": entered_text,
            "value": value,
            "why": why,
            "at_us": self.now_us,
            "person_id": self.actor.person_id,
        }
        return self.insert("entry_attempt", row, act="entry not taken")
