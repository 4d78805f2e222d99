"""For the auditor: a random sample anybody can draw again, evidence by clause, and what was changed, overridden or late."""

from __future__ import annotations

import csv
import hashlib
import importlib.resources
import secrets
from bisect import bisect_right
from dataclasses import dataclass
from itertools import accumulate
from pathlib import Path

from qualrec.assess.loading import Conn
from qualrec.errors import FileRefused, Problem, Refused, UsageError
from qualrec.records import lookups, trail
from qualrec.records.lookups import IntegrityRow, ReadingOrigin
from qualrec.records.trail import Head
from qualrec.values import Gauge, LotRow, ReadingKey, ReadingRow
from qualrec.work.session import Session

KINDS = ("readings", "lots", "corrections")
MOST = 10_000
MAP_HEADS = ("clause", "subject", "evidence", "counts", "source")
DRAW_RULE = (
    "Draw i (0, 1, 2, ...): SHA-256 of the text 'SEED/i' as a whole number, modulo the number of records, is the place of the "
    "record (0 the first) in the order of the keys; a place drawn before is skipped."
)


@dataclass(frozen=True, slots=True)
class Drawn:
    """One record of a sample. `gauge_then`: what its calibrations say of the gauge at the moment of the reading."""

    place: int
    reading: ReadingRow | None
    lot: LotRow | None
    origin: ReadingOrigin | None
    gauge_then: str
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Sample:
    """A random sample of records with everything that is needed to draw it again."""

    kind: str
    seed: str
    total: int
    head: Head
    rule: str
    drawn: tuple[Drawn, ...]


@dataclass(frozen=True, slots=True)
class Clause:
    """A clause with its evidence in the records."""

    clause: str
    subject: str
    evidence: str
    counts: dict[str, int]
    source: str


@dataclass(frozen=True, slots=True)
class Integrity:
    """What was changed, overridden, refused or late; `typed` readings in the same stretch of time."""

    rows: tuple[IntegrityRow, ...]
    typed: int

    def total(self, what: str) -> int:
        return sum(row.n for row in self.rows if row.what.startswith(what))


def places(seed: str, total: int, count: int) -> tuple[int, ...]:
    """Places of a sample in the order drawn, by DRAW_RULE; at most `total`."""
    found: dict[int, None] = {}
    draw = 0
    while len(found) < min(count, total):
        digest = hashlib.sha256(f"{seed}/{draw}".encode()).hexdigest()
        found[int(digest, 16) % total] = None
        draw += 1
    return tuple(found)


def sample(session: Session, count: int, *, seed: str | None = None, kind: str = "readings") -> Sample:
    """Draw records at random. Without a seed one is made; the sample carries it. Raises UsageError."""
    if kind not in KINDS:
        raise UsageError(f"{kind!r} cannot be sampled.", f"Choose one of: {', '.join(KINDS)}.")
    if not 1 <= count <= MOST:
        raise UsageError(f"{count} records cannot be drawn.", f"Give 1 to {MOST}.")
    chosen = secrets.token_hex(8) if seed is None else seed
    head = trail.head(session.store, session.plant.id)
    with session.store.read() as conn:
        if kind == "readings":
            total, drawn = _readings(conn, chosen, count)
        elif kind == "lots":
            ids = lookups.ids_of(conn, "lot")
            picked = places(chosen, len(ids), count)
            rows = lookups.load_lot_rows(conn, [ids[p] for p in picked])
            total, drawn = len(ids), [Drawn(p, None, rows[ids[p]], None, "") for p in picked]
        else:
            total, drawn = _corrections(session, conn, chosen, count)
    return Sample(kind, chosen, total, head, DRAW_RULE, tuple(drawn))


def _readings(conn: Conn, seed: str, count: int) -> tuple[int, list[Drawn]]:
    groups = lookups.reading_groups(conn)
    ends = list(accumulate(group.n for group in groups))
    total = ends[-1] if ends else 0
    gauges = {g.code: g for g in lookups.gauges(conn)}
    drawn = []
    for place in places(seed, total, count):
        at = bisect_right(ends, place)
        key = lookups.reading_at(conn, groups[at], place - (ends[at] - groups[at].n))
        drawn.append(_drawn(conn, place, key, gauges))
    return total, drawn


def _drawn(conn: Conn, place: int, key: ReadingKey, gauges: dict[str, Gauge], remark: str = "") -> Drawn:
    row = lookups.reading(conn, key)
    gauge = gauges.get(row.gauge)
    then = "" if gauge is None else "overdue" if gauge.overdue_at(row.at_us) else "in order"
    return Drawn(place, row, None, lookups.reading_origin(conn, key), then, remark)


def _corrections(session: Session, conn: Conn, seed: str, count: int) -> tuple[int, list[Drawn]]:
    ids = lookups.ids_of(conn, "correction")
    picked = places(seed, len(ids), count)
    found = lookups.corrections_by_id(conn, tuple(ids[p] for p in picked))
    gauges = {g.code: g for g in lookups.gauges(conn)}
    drawn = []
    for place in picked:
        key, kind, reason, at_us = found[ids[place]]
        remark = f"{kind}, {session.moment(at_us)}: {reason}"
        drawn.append(_drawn(conn, place, key, gauges, remark))
    return len(ids), drawn


def packaged_map() -> str:
    """The map of clauses that comes with the program, as text."""
    found = importlib.resources.files("qualrec.work") / "data" / "clauses.csv"
    return found.read_text(encoding="utf-8")


def write_map(to: Path) -> str:
    """Write the packaged map into a file, to be edited. Raises Refused where one is there."""
    try:
        with to.open("x", encoding="utf-8", newline="") as out:
            out.write(packaged_map())
    except FileExistsError as error:
        raise Refused(f"{to} is there already.", "Choose another name.") from error
    except OSError as error:
        raise UsageError(f"{to} cannot be written ({error.strerror}).", "Choose another place.") from error
    return f"Written to {to}. Edit it, then: qualrec clauses --map {to}"


def clauses(session: Session, own: Path | None = None) -> tuple[Clause, ...]:
    """Every clause of a map with the number of records of each kind of evidence. Raises FileRefused for a bad map."""
    rows = _read_map(own)
    names = frozenset(name for row in rows for name in _names(row["counts"]))
    with session.store.read() as conn:
        found = lookups.evidence_counts(conn, names)
    return tuple(
        Clause(
            row["clause"],
            row["subject"],
            row["evidence"],
            {name: found[name] for name in _names(row["counts"])},
            row["source"],
        )
        for row in rows
    )


def _names(counts: str) -> list[str]:
    return [name.strip() for name in counts.split("+") if name.strip()]


def _read_map(own: Path | None) -> list[dict[str, str]]:
    try:
        text = packaged_map() if own is None else own.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise FileRefused(f"{own} cannot be read as UTF-8 text.", remedy="Check the path.") from error
    name = "clauses.csv" if own is None else own.name
    reader = csv.DictReader(text.splitlines())
    if tuple(reader.fieldnames or ()) != MAP_HEADS:
        raise FileRefused(
            f"{name}: the head line must be {','.join(MAP_HEADS)}.", remedy="Mend the head line."
        )
    rows = [{head: row.get(head) or "" for head in MAP_HEADS} for row in reader]
    problems = tuple(
        Problem(f"{count!r} is nothing that can be counted.", name, place, "counts")
        for place, row in enumerate(rows, 2)
        for count in _names(row["counts"])
        if count not in lookups.COUNTED
    )
    if problems:
        raise FileRefused(
            f"{name} was not taken.", problems, f"What can be counted: {', '.join(sorted(lookups.COUNTED))}."
        )
    return rows


def integrity(session: Session, from_us: int | None = None, until_us: int | None = None) -> Integrity:
    """Corrections, values typed twice, entries not taken, late entries, repeats, uses as is: by person, station, reason."""
    with session.store.read() as conn:
        rows = lookups.integrity_rows(conn, from_us, until_us)
        typed = lookups.typed_count(conn, from_us, until_us)
    return Integrity(rows, typed)
