"""The trail: one append-only chain of digests per plant."""

from __future__ import annotations

from sqlalchemy import Index
from sqlmodel import SQLModel

from qualrec.records.models.base import big, key, ref, text, us, word


class TrailEntry(SQLModel, table=True):
    """Who did what, when, from where, before and after, why.

    `content` is canonical JSON (keys sorted, no spaces, UTF-8, person ids and never names);
    `digest` = SHA-256 over plant, seq, at_us, person, station, act, table, row and content and the previous digest.
    """

    __tablename__ = "trail"
    __table_args__ = (Index("ix_trail_what", "what_table", "what_id"), {"sqlite_with_rowid": True})
    plant_id: int = ref("plant.id", pk=True)
    seq: int = big(pk=True)
    at_us: int = us()
    person_id: int | None = big(null=True)
    station_id: int | None = big(null=True)
    act: str = word(40)
    what_table: str = word(40)
    what_id: int = big()
    content: str = text()
    previous: str = word(64)
    digest: str = word(64)


class TrailHead(SQLModel, table=True):
    """The last entry of each chain; locked by every writer of the chain."""

    __tablename__ = "trail_head"
    plant_id: int = ref("plant.id", pk=True)
    seq: int = big()
    digest: str = word(64)


class TrailAnchor(SQLModel, table=True):
    """A head that was written down outside, or the head of another plant's chain at a merge."""

    __tablename__ = "trail_anchor"
    id: int = key()
    plant_id: int = ref("plant.id")
    of_plant: int = big()
    seq: int = big()
    digest: str = word(64)
    at_us: int = us()
    place: str = text()
