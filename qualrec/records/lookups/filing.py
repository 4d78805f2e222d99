"""What an import needs to know: what readings of a file hang on, which of them are stored, and the stored import profiles."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from sqlalchemy import Connection, and_, select

from qualrec.records.lookups.base import chunks, rows_for, table

Place = tuple[int, int, int]
"""Characteristic, stream and sample of a reading in its subject."""


@dataclass(frozen=True, slots=True)
class LotPlaces:
    """A lot with its segments in order: their ids and the moments at which they began."""

    id: int
    number: str
    part_id: int
    segments: tuple[int, ...]
    from_us: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class MouldingPlace:
    """A moulding lot; its id is the subject of its readings."""

    id: int
    number: str
    component_id: int
    moulded_us: int


@dataclass(frozen=True, slots=True)
class StoredReadings:
    """Accepted readings of one subject as they were entered (corrections left out): value and failure mode by place.

    `serials` gives the sample number of each serial.
    """

    values: Mapping[Place, tuple[float | None, str]] = field(default_factory=dict)
    serials: Mapping[str, int] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.values) + len(self.serials)


@dataclass(frozen=True, slots=True)
class StoredProfile:
    """A revision of an import profile; `content` is TOML as qualrec.intake.profile_text writes it."""

    id: int
    name: str
    revision: int
    content: str
    created_us: int
    person: str


def lot_places(conn: Connection, numbers: Iterable[str], plant_id: int) -> dict[str, LotPlaces]:
    """Lots by number, compared exactly, in two queries for each 10,000; unknown numbers are not in it."""
    o, s = table("lot"), table("lot_segment")
    lots = {}
    for chunk in _texts(numbers):
        asked = select(o.c.id, o.c.number, o.c.part_id).where(o.c.plant_id == plant_id, o.c.number.in_(chunk))
        lots.update({row.id: row for row in conn.execute(asked)})
    held: dict[int, list[tuple[int, int]]] = defaultdict(list)
    asked_segments = select(s.c.id, s.c.lot_id, s.c.from_us).order_by(s.c.lot_id, s.c.position)
    for row in rows_for(conn, asked_segments, s.c.lot_id, lots):
        held[row.lot_id].append((row.id, row.from_us))
    return {
        row.number: LotPlaces(
            row.id,
            row.number,
            row.part_id,
            tuple(i for i, _ in held[row.id]),
            tuple(at for _, at in held[row.id]),
        )
        for row in lots.values()
        if held[row.id]
    }


def moulding_places(conn: Connection, numbers: Iterable[str], plant_id: int) -> dict[str, MouldingPlace]:
    """Moulding lots by number, compared exactly; unknown numbers are not in it."""
    m = table("moulding_lot")
    found = {}
    for chunk in _texts(numbers):
        asked = select(m.c.id, m.c.number, m.c.component_part_id, m.c.moulded_us)
        for row in conn.execute(asked.where(m.c.plant_id == plant_id, m.c.number.in_(chunk))):
            found[row.number] = MouldingPlace(*row)
    return found


def _texts(numbers: Iterable[str]) -> Iterable[list[str]]:
    ordered = sorted(set(numbers))
    for start in range(0, len(ordered), 10_000):
        yield ordered[start : start + 10_000]


def stored_readings(conn: Connection, subject_ids: Iterable[int]) -> dict[int, StoredReadings]:
    """What is stored of subjects, by subject id; a subject without anything is not in it."""
    r, b, u, w = table("reading"), table("batch"), table("pull"), table("welded_unit")
    same = and_(
        *(u.c[name] == r.c[name] for name in ("subject_id", "characteristic_id", "stream_id", "sample"))
    )
    names = ("subject_id", "characteristic_id", "stream_id", "sample", "value")
    asked = (
        select(*(r.c[name] for name in names), u.c.mode)
        .join(b, and_(b.c.id == r.c.batch_id, b.c.state == "accepted"))
        .outerjoin(u, same)
    )
    values: dict[int, dict[Place, tuple[float | None, str]]] = defaultdict(dict)
    serials: dict[int, dict[str, int]] = defaultdict(dict)
    for chunk in chunks(subject_ids):
        for row in conn.execute(asked.where(r.c.subject_id.in_(chunk))):
            place = (row.characteristic_id, row.stream_id, row.sample)
            values[row.subject_id][place] = (row.value, row.mode or "")
        for unit in conn.execute(select(w).where(w.c.subject_id.in_(chunk))):
            serials[unit.subject_id][unit.serial] = unit.sample
    return {
        subject: StoredReadings(values.get(subject, {}), serials.get(subject, {}))
        for subject in {*values, *serials}
    }


def import_profiles(conn: Connection, plant_id: int) -> tuple[StoredProfile, ...]:
    """All revisions of a plant's import profiles, by name and revision."""
    i, p = table("import_profile"), table("person")
    asked = (
        select(i.c.id, i.c.name, i.c.revision, i.c.content, i.c.created_us, p.c.name.label("person"))
        .outerjoin(p, p.c.id == i.c.person_id)
        .where(i.c.plant_id == plant_id)
        .order_by(i.c.id)
    )
    found = [
        StoredProfile(row.id, row.name, row.revision, row.content, row.created_us, row.person or "")
        for row in conn.execute(asked)
    ]
    return tuple(sorted(found, key=lambda s: (s.name, s.revision)))
