"""Submissions to customers, and the steps owed when something about a part changes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, select

from qualrec.records.lookups.base import find, mapping, table

OPEN, MADE, SIGNED, SUPERSEDED = "open", "made", "signed", "superseded"


@dataclass(frozen=True, slots=True)
class Submission:
    """A submission of a part. `standing`: open (no workbook yet), made, signed, superseded (a later one was signed).

    `elements` keeps 'asked' (numbers of an agreed list), 'by_hand' (number -> state, reason, person_id, at_us) and 'warrant';
    `manifest` keeps what the workbook rests on, see `qualrec.work.submission_records`.
    """

    id: int
    number: str
    part_id: int
    part_number: str
    part_name: str
    customer: str
    customer_name: str
    level: str
    standing: str
    elements: Mapping[str, Any]
    manifest: Mapping[str, Any]
    file_name: str
    file_digest: str
    made_us: int
    person: str
    signature_id: int | None
    signer: str
    signed_us: int | None

    @property
    def asked(self) -> tuple[int, ...]:
        """Numbers of the agreed list; empty at a level."""
        return tuple(int(n) for n in self.elements.get("asked", ()))

    @property
    def by_hand(self) -> Mapping[int, Mapping[str, Any]]:
        """States set by hand, by element number."""
        return {int(n): given for n, given in self.elements.get("by_hand", {}).items()}

    @property
    def warrant(self) -> Mapping[str, str]:
        return dict(self.elements.get("warrant", {}))


@dataclass(frozen=True, slots=True)
class NoticeStep:
    """A step owed because of a change. `notice` numbers the change within the plant; `kind` is the kind of change."""

    id: int
    notice: int
    part_id: int
    part_number: str
    kind: str
    what: str
    begun_us: int
    position: int
    step: str
    done_us: int | None
    person: str
    remark: str


def submissions(conn: Connection, *, part: str | None = None) -> tuple[Submission, ...]:
    """Submissions, newest first."""
    t, p, k, who = table("submission"), table("part"), table("customer"), table("person")
    g, signer = table("signature"), table("person").alias("signer")
    asked = (
        select(
            t,
            p.c.number.label("part_number"),
            p.c.name.label("part_name"),
            k.c.code.label("customer"),
            k.c.name.label("customer_name"),
            who.c.name.label("person"),
            signer.c.name.label("signer"),
            g.c.at_us.label("signed_us"),
        )
        .join(p, p.c.id == t.c.part_id)
        .outerjoin(k, k.c.id == t.c.customer_id)
        .outerjoin(who, who.c.id == t.c.person_id)
        .outerjoin(g, g.c.id == t.c.signature_id)
        .outerjoin(signer, signer.c.id == g.c.person_id)
        .order_by(t.c.id.desc())
    )
    if part is not None:
        asked = asked.where(p.c.number == part)
    rows = list(conn.execute(asked))
    newest: dict[tuple[int, int | None], int] = {}
    for row in rows:
        if row.signature_id is not None:
            key = (row.part_id, row.customer_id)
            newest[key] = max(newest.get(key, 0), row.signature_id)
    return tuple(_submission(row, newest.get((row.part_id, row.customer_id))) for row in rows)


def _submission(row: Any, newest_signature: int | None) -> Submission:
    if row.signature_id is not None:
        standing = SIGNED if row.signature_id == newest_signature else SUPERSEDED
    else:
        standing = MADE if row.file_digest else OPEN
    return Submission(
        id=row.id,
        number=row.number,
        part_id=row.part_id,
        part_number=row.part_number,
        part_name=row.part_name,
        customer=row.customer or "",
        customer_name=row.customer_name or "",
        level=row.level,
        standing=standing,
        elements=mapping(row.elements),
        manifest=mapping(row.manifest),
        file_name=row.file_name,
        file_digest=row.file_digest,
        made_us=row.made_us,
        person=row.person or "",
        signature_id=row.signature_id,
        signer=row.signer or "",
        signed_us=row.signed_us,
    )


def submission(conn: Connection, number: str, *, plant_id: int | None = None) -> Submission:
    """A submission by number. Raises UnknownRecord with near numbers."""
    remedy = "'qualrec submission list' lists them."
    row = find(conn, "submission", "number", number, what="submission", remedy=remedy, plant_id=plant_id)
    return next(one for one in submissions(conn) if one.id == row.id)


def notice_steps(conn: Connection, *, part: str | None = None) -> tuple[NoticeStep, ...]:
    """Steps owed because of changes, oldest change first, in their order."""
    t, p, who = table("checklist"), table("part"), table("person")
    asked = (
        select(t, who.c.name.label("person"))
        .outerjoin(who, who.c.id == t.c.person_id)
        .where(t.c.kind == "change notice")
        .order_by(t.c.id)
    )
    numbers = {row.id: row.number for row in conn.execute(select(p.c.id, p.c.number))}
    found = []
    for row in conn.execute(asked):
        held = mapping(row.step)
        part_id = int(held["part"])
        if part is not None and numbers.get(part_id) != part:
            continue
        found.append(
            NoticeStep(
                id=row.id,
                notice=int(held["notice"]),
                part_id=part_id,
                part_number=numbers.get(part_id, ""),
                kind=held["kind"],
                what=held["what"],
                begun_us=int(held["begun_us"]),
                position=row.position,
                step=held["step"],
                done_us=row.done_us,
                person=row.person or "",
                remark=row.remark,
            )
        )
    return tuple(sorted(found, key=lambda s: (s.notice, s.position)))
