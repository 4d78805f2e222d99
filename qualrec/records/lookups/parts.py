"""Customers, materials, components, parts, tools, cavities, streams."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, Select, select

from qualrec.errors import UnknownRecord
from qualrec.records.lookups.base import find, mapping, rows_for, table
from qualrec.values import Component, Customer, Part


@dataclass(frozen=True, slots=True)
class Material:
    """One grade of one supplier."""

    id: int
    code: str
    supplier: str
    polymer: str
    filler: str
    filler_pct: float | None
    colour: str
    infrared_role: str
    absorber_pct: float | None
    melt_low_c: float | None
    melt_high_c: float | None
    surface_energy_mn_m: float | None
    drying: str


@dataclass(frozen=True, slots=True)
class PartRevision:
    id: int
    revision: str
    drawing: str
    valid_from_us: int
    change: str


@dataclass(frozen=True, slots=True)
class Cavity:
    id: int
    tool_id: int
    tool: str
    component: str
    code: str


@dataclass(frozen=True, slots=True)
class Stream:
    """One of the parallel streams of a part: upper cavity x lower cavity x nest. Stream 0: not divided."""

    id: int
    part_id: int | None
    label: str
    nest: str
    upper_cavity_id: int | None
    lower_cavity_id: int | None


def _customer(row: Row[Any]) -> Customer:
    return Customer(
        id=row.id,
        code=row.code,
        name=row.name,
        language=row.language,
        index_standard=row.index_standard,
        index_special=row.index_special,
        uses_bound=row.uses_bound,
        run_length=row.run_length,
        retention_years=row.retention_years,
        requalify_months=row.requalify_months,
        symbols=mapping(row.symbols),
        notices=mapping(row.notices),
    )


def customers(conn: Connection) -> tuple[Customer, ...]:
    """Customers by code."""
    t = table("customer")
    found = (_customer(row) for row in conn.execute(select(t).order_by(t.c.id)))
    return tuple(sorted(found, key=lambda c: (c.code, c.id)))


def customer(conn: Connection, code: str, *, plant_id: int | None = None) -> Customer:
    remedy = "Give the code of a customer, or add it first."
    return _customer(find(conn, "customer", "code", code, what="customer", remedy=remedy, plant_id=plant_id))


def _material(row: Row[Any]) -> Material:
    return Material(**{name: getattr(row, name) for name in Material.__slots__})


def materials(conn: Connection) -> tuple[Material, ...]:
    """Materials by code."""
    t = table("material")
    found = (_material(row) for row in conn.execute(select(t).order_by(t.c.id)))
    return tuple(sorted(found, key=lambda m: (m.code, m.id)))


def material(conn: Connection, code: str, *, plant_id: int | None = None) -> Material:
    remedy = "Give the code of a material, or add it first."
    return _material(find(conn, "material", "code", code, what="material", remedy=remedy, plant_id=plant_id))


def _component_statement() -> Select[Any]:
    c, m = table("component_part"), table("material")
    return select(
        c.c.id,
        c.c.number,
        c.c.name,
        c.c.side,
        c.c.material_id,
        m.c.code.label("material"),
        m.c.polymer,
        m.c.supplier,
        m.c.filler,
        m.c.filler_pct,
        m.c.colour,
        m.c.infrared_role,
        m.c.absorber_pct,
        c.c.thickness_mm,
    ).join(m, m.c.id == c.c.material_id)


def _component(row: Row[Any]) -> Component:
    return Component(**{name: getattr(row, name) for name in Component.__slots__})


def load_components(conn: Connection, ids: Iterable[int]) -> dict[int, Component]:
    """Components by id, in one query."""
    found = rows_for(conn, _component_statement(), table("component_part").c.id, ids)
    return {row.id: _component(row) for row in found}


def components(conn: Connection) -> tuple[Component, ...]:
    """Components by number."""
    found = conn.execute(_component_statement().order_by(table("component_part").c.id))
    return tuple(sorted((_component(row) for row in found), key=lambda c: (c.number, c.id)))


def component(conn: Connection, number: str, *, plant_id: int | None = None) -> Component:
    remedy = "Give the number of a moulded component, or add it first."
    row = find(conn, "component_part", "number", number, what="component", remedy=remedy, plant_id=plant_id)
    return load_components(conn, [row.id])[row.id]


def load_parts(conn: Connection, ids: Iterable[int] | None = None) -> dict[int, Part]:
    """Parts by id with their newest revision, in a fixed number of queries. `ids` None: all parts."""
    p, r = table("part"), table("part_revision")
    base = select(p).order_by(p.c.id)
    rows = list(conn.execute(base)) if ids is None else rows_for(conn, base, p.c.id, ids)
    found_ids = [row.id for row in rows]
    newest: dict[int, Row[Any]] = {}
    revisions = select(r).order_by(r.c.part_id, r.c.valid_from_us, r.c.id)
    for revision in rows_for(conn, revisions, r.c.part_id, found_ids):
        newest[revision.part_id] = revision
    c = table("customer")
    wanted = [row.customer_id for row in rows if row.customer_id is not None]
    buyers = {row.id: _customer(row) for row in rows_for(conn, select(c), c.c.id, wanted)}
    sides = load_components(conn, [x for row in rows for x in (row.upper_id, row.lower_id)])
    return {
        row.id: Part(
            id=row.id,
            number=row.number,
            name=row.name,
            customer=buyers.get(row.customer_id),
            customer_reference=row.customer_reference,
            safety_related=row.safety_related,
            process=row.process,
            joint=row.joint,
            seam_length_mm=row.seam_length_mm,
            seam_width_mm=row.seam_width_mm,
            revision=newest[row.id].revision if row.id in newest else "",
            drawing=newest[row.id].drawing if row.id in newest else "",
            upper=sides[row.upper_id],
            lower=sides[row.lower_id],
        )
        for row in rows
    }


def parts(conn: Connection) -> tuple[Part, ...]:
    """Parts by number."""
    return tuple(sorted(load_parts(conn).values(), key=lambda p: (p.number, p.id)))


def part_id_of(conn: Connection, number: str, plant_id: int | None = None) -> int:
    """Id of a part number. Raises UnknownRecord with near numbers."""
    remedy = "Give a part number of this plant; 'qualrec parts' lists them."
    row = find(conn, "part", "number", number, what="part number", remedy=remedy, plant_id=plant_id)
    return int(row.id)


def part(conn: Connection, number: str, *, plant_id: int | None = None) -> Part:
    """A part by number, compared exactly. Raises UnknownRecord with near numbers."""
    return part_by_id(conn, part_id_of(conn, number, plant_id))


def part_by_id(conn: Connection, part_id: int) -> Part:
    found = load_parts(conn, [part_id])
    if part_id not in found:
        raise UnknownRecord(f"There is no part with id {part_id}.", "See the list of parts.")
    return found[part_id]


def part_revisions(conn: Connection, part_id: int) -> tuple[PartRevision, ...]:
    """Drawing revisions of a part, oldest first."""
    r = table("part_revision")
    found = conn.execute(select(r).where(r.c.part_id == part_id).order_by(r.c.valid_from_us, r.c.id))
    return tuple(
        PartRevision(row.id, row.revision, row.drawing, row.valid_from_us, row.change) for row in found
    )


def cavities(conn: Connection, component_id: int | None = None) -> tuple[Cavity, ...]:
    """Cavities in the order of entry, of one component or of all."""
    v, t, c = table("cavity"), table("tool"), table("component_part")
    asked = (
        select(v.c.id, v.c.tool_id, t.c.code.label("tool"), c.c.number.label("component"), v.c.code)
        .join(t, t.c.id == v.c.tool_id)
        .join(c, c.c.id == t.c.component_part_id)
        .order_by(v.c.id)
    )
    if component_id is not None:
        asked = asked.where(t.c.component_part_id == component_id)
    return tuple(Cavity(*row) for row in conn.execute(asked))


def _stream(row: Row[Any]) -> Stream:
    return Stream(
        id=row.id,
        part_id=row.part_id,
        label=row.label,
        nest=row.nest,
        upper_cavity_id=row.upper_cavity_id,
        lower_cavity_id=row.lower_cavity_id,
    )


def streams(conn: Connection, part_id: int) -> tuple[Stream, ...]:
    """The streams of a part in the order of entry; stream 0 (not divided) is not among them."""
    t = table("stream")
    return tuple(
        _stream(row) for row in conn.execute(select(t).where(t.c.part_id == part_id).order_by(t.c.id))
    )


def stream(conn: Connection, part_id: int, label: str) -> Stream:
    """A stream of a part by its label. Raises UnknownRecord naming the labels there are."""
    found = streams(conn, part_id)
    for one in found:
        if one.label == label:
            return one
    there = (
        f"Streams of this part: {', '.join(s.label for s in found)}."
        if found
        else "This part has no streams."
    )
    raise UnknownRecord(f"The part has no stream {label!r}.", there)
