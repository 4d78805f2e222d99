"""What an auditor asks of the records: how many of what, draws for a sample, and what was changed, overridden or late."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import BigInteger, Connection, Select, and_, cast, func, literal, null, select, true

from qualrec.records.lookups.base import table
from qualrec.records.lookups.readings import same_key
from qualrec.values import ReadingKey


@dataclass(frozen=True, slots=True)
class ReadingGroup:
    """Accepted readings of one subject, characteristic and stream, in key order."""

    subject_id: int
    characteristic_id: int
    stream_id: int
    n: int


@dataclass(frozen=True, slots=True)
class ReadingOrigin:
    """What stands behind one reading: batch, digest of its file, entry of the trail that accepted it (0: not found)."""

    batch_id: int
    file_name: str
    file_digest: str
    trail_seq: int


@dataclass(frozen=True, slots=True)
class IntegrityRow:
    """How often something happened, by person, station and reason; station empty where it is not known."""

    what: str
    person: str
    station: str
    reason: str
    n: int


def reading_groups(conn: Connection) -> tuple[ReadingGroup, ...]:
    """How many accepted readings there are, in the order of their key."""
    r, b = table("reading"), table("batch")
    key = (r.c.subject_id, r.c.characteristic_id, r.c.stream_id)
    asked = (
        select(*key, func.count())
        .join(b, b.c.id == r.c.batch_id)
        .where(b.c.state == "accepted")
        .group_by(*key)
        .order_by(*key)
    )
    return tuple(ReadingGroup(*tuple(row)) for row in conn.execute(asked))


def reading_at(conn: Connection, group: ReadingGroup, place: int) -> ReadingKey:
    """The reading at a place of its group, 0 the first."""
    r, b = table("reading"), table("batch")
    asked = (
        select(r.c.sample)
        .join(b, b.c.id == r.c.batch_id)
        .where(
            b.c.state == "accepted",
            r.c.subject_id == group.subject_id,
            r.c.characteristic_id == group.characteristic_id,
            r.c.stream_id == group.stream_id,
        )
        .order_by(r.c.sample)
        .offset(place)
        .limit(1)
    )
    sample = int(conn.execute(asked).scalar_one())
    return ReadingKey(group.subject_id, group.characteristic_id, group.stream_id, sample)


def reading_origin(conn: Connection, key: ReadingKey) -> ReadingOrigin:
    """Where a reading came from."""
    r, b, t = table("reading"), table("batch"), table("trail")
    asked = (
        select(b.c.id, b.c.file_name, func.coalesce(b.c.file_digest, ""))
        .join(r, r.c.batch_id == b.c.id)
        .where(*(r.c[name] == getattr(key, name) for name in ReadingKey.__dataclass_fields__))
    )
    batch, name, digest = conn.execute(asked).one()
    entry = select(func.max(t.c.seq)).where(t.c.what_table == "batch", t.c.what_id == batch)
    return ReadingOrigin(batch, name, digest, int(conn.execute(entry).scalar() or 0))


def ids_of(conn: Connection, name: str) -> tuple[int, ...]:
    """Ids of all rows of a table in their order."""
    t = table(name)
    return tuple(conn.execute(select(t.c.id).order_by(t.c.id)).scalars())


def corrections_by_id(conn: Connection, ids: tuple[int, ...]) -> dict[int, tuple[ReadingKey, str, str, int]]:
    """(reading, kind, reason, moment) of corrections by id."""
    k = table("correction")
    found = conn.execute(select(k).where(k.c.id.in_(ids)))
    return {
        row.id: (
            ReadingKey(row.subject_id, row.characteristic_id, row.stream_id, row.sample),
            row.kind,
            row.reason,
            row.at_us,
        )
        for row in found
    }


COUNTED: Mapping[str, tuple[str, Mapping[str, Any]]] = {
    "gauges": ("gauge", {}),
    "calibrations": ("calibration", {}),
    "gauge checks": ("gauge_check", {}),
    "studies": ("study", {}),
    "authorisations": ("authorisation", {}),
    "trail entries": ("trail", {}),
    "heads written down": ("trail_anchor", {}),
    "copies made": ("trail", {"act": "copy made"}),
    "copies taken back": ("trail", {"act": "restored from a copy"}),
    "archives made": ("trail", {"act": "archive made"}),
    "recipe revisions": ("recipe_revision", {}),
    "approved recipe revisions": ("recipe_revision", {"state": "approved"}),
    "limits": ("limits", {}),
    "lots": ("lot", {}),
    "deliveries": ("delivery", {}),
    "moulding lots": ("moulding_lot", {}),
    "serial numbers": ("welded_unit", {}),
    "signatures": ("signature", {}),
    "dispositions": ("disposition", {}),
    "concessions": ("concession", {}),
    "containments": ("containment", {}),
    "shipments": ("shipment", {}),
    "flags": ("flag", {}),
    "corrections": ("correction", {}),
    "events": ("event", {}),
    "temporary changes": ("temporary_change", {}),
    "checklist steps": ("checklist", {}),
    "tests owed": ("test_owed", {}),
    "characteristics": ("characteristic", {}),
    "characteristic revisions": ("characteristic_revision", {}),
    "special characteristics": ("characteristic_revision", {"special_class": ("significant", "critical")}),
    "drawing revisions": ("part_revision", {}),
    "control plan rows": ("control_plan_row", {}),
    "retention rules": ("retention", {}),
    "submissions": ("submission", {}),
    "problem reports": ("problem_report", {}),
    "judgements": ("judgement", {}),
    "readings": ("reading", {}),
    "materials": ("material", {}),
    "attachments": ("attachment", {}),
}
"""What can be counted as evidence: name -> table and the values that its columns must hold."""


def evidence_counts(conn: Connection, names: frozenset[str]) -> dict[str, int]:
    """Rows of each kind of evidence."""
    found = {}
    for name in names:
        table_name, wanted = COUNTED[name]
        t = table(table_name)
        where = [
            t.c[column].in_(value) if isinstance(value, tuple) else t.c[column] == value
            for column, value in wanted.items()
        ]
        found[name] = int(conn.execute(select(func.count()).select_from(t).where(*where)).scalar_one())
    return found


def integrity_rows(
    conn: Connection, from_us: int | None = None, until_us: int | None = None
) -> tuple[IntegrityRow, ...]:
    """Corrections, values typed twice, entries not taken, late entries, repeats and uses as is, most frequent first."""
    k, t, e, a = table("correction"), table("trail"), table("reading_entry"), table("entry_attempt")
    r, b, u, d = table("reading"), table("batch"), table("pull"), table("disposition")
    of_correction = k.outerjoin(t, and_(t.c.what_table == "correction", t.c.what_id == k.c.id))
    typed = e.join(r, same_key(e, r)).join(b, b.c.id == r.c.batch_id)
    pulled = u.join(r, same_key(u, r)).join(b, b.c.id == r.c.batch_id)
    nowhere, nothing = cast(null(), BigInteger), literal("")
    kinds = (
        (of_correction, "correction: " + k.c.kind, k.c.person_id, t.c.station_id, k.c.reason, k.c.at_us, true()),
        (typed, literal("typed twice"), e.c.person_id, b.c.station_id, nothing, e.c.entered_us, e.c.first_text.is_not(None)),
        (typed, literal("entered late"), e.c.person_id, b.c.station_id, nothing, e.c.entered_us, e.c.late),
        (a, literal("entry not taken"), a.c.person_id, nowhere, a.c.why, a.c.at_us, true()),
        (pulled, literal("repeat"), b.c.person_id, b.c.station_id, u.c.reason, r.c.at_us, u.c.attempt > 1),
        (d, literal("use as is"), d.c.person_id, nowhere, d.c.reason, d.c.at_us, d.c.kind == "use as is"),
    )  # fmt: skip
    found: list[IntegrityRow] = []
    for kind in kinds:
        found += _by_person(conn, kind, from_us, until_us)
    return tuple(sorted(found, key=lambda row: (-row.n, row.what, row.person, row.station, row.reason)))


def _by_person(
    conn: Connection, kind: tuple[Any, ...], from_us: int | None, until_us: int | None
) -> list[IntegrityRow]:
    """`kind`: what is counted in, its word, person, station, reason, moment, and which rows count."""
    source, what, person_id, station_id, reason, at_us, where = kind
    asked: Select[Any] = (
        select(what.label("what"), person_id.label("who"), station_id.label("place"), reason.label("reason"))
        .select_from(source)
        .where(where)
    )
    if from_us is not None:
        asked = asked.where(at_us >= from_us)
    if until_us is not None:
        asked = asked.where(at_us <= until_us)
    held, p, s = asked.subquery("held"), table("person"), table("station")
    counted = (
        select(
            held.c.what,
            func.coalesce(p.c.name, ""),
            func.coalesce(s.c.code, ""),
            func.coalesce(held.c.reason, ""),
            func.count(),
        )
        .select_from(held.outerjoin(p, p.c.id == held.c.who).outerjoin(s, s.c.id == held.c.place))
        .group_by(held.c.what, p.c.name, s.c.code, held.c.reason)
    )
    return [IntegrityRow(*tuple(row)) for row in conn.execute(counted)]


def typed_count(conn: Connection, from_us: int | None = None, until_us: int | None = None) -> int:
    """How many readings were typed."""
    e = table("reading_entry")
    asked = select(func.count()).select_from(e)
    if from_us is not None:
        asked = asked.where(e.c.entered_us >= from_us)
    if until_us is not None:
        asked = asked.where(e.c.entered_us <= until_us)
    return int(conn.execute(asked).scalar_one())
