"""Customers, materials, components, tools, cavities, parts, streams, deliveries, moulding lots."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

from qualrec.errors import Refused, UsageError
from qualrec.records.ledger import Writer
from qualrec.records.models.parts import JOINTS, PROCESSES
from qualrec.records.registry import checks

LOT_STATES = ("accepted", "on hold", "refused")
"""States of deliveries and moulding lots."""


def add_customer(
    writer: Writer,
    code: str,
    name: str,
    *,
    language: str = "en",
    index_standard: float | None = None,
    index_special: float | None = None,
    uses_bound: bool = False,
    run_length: int | None = None,
    retention_years: int | None = None,
    requalify_months: int | None = None,
    symbols: Mapping[str, str] | None = None,
    notices: Mapping[str, str] | None = None,
) -> int:
    """Add a customer. `symbols`: sign of each special-characteristic class; `notices`: notice rule of each kind of change."""
    row = {
        "code": checks.name(code, "Customer code"),
        "name": checks.name(name, "Customer name"),
        "language": checks.one_of(language, ("en", "de"), "Language"),
        "index_standard": checks.number_or_none(index_standard, "Required index", above=0),
        "index_special": checks.number_or_none(
            index_special, "Required index of special characteristics", above=0
        ),
        "uses_bound": checks.yes_no(uses_bound, "Uses the lower bound"),
        "run_length": checks.whole_or_none(run_length, "Run length", least=2),
        "retention_years": checks.whole_or_none(retention_years, "Retention in years", least=1),
        "requalify_months": checks.whole_or_none(requalify_months, "Requalification in months", least=1),
        "symbols": _texts(symbols, "Symbol"),
        "notices": _texts(notices, "Notice rule"),
    }
    checks.new_name(
        writer, "customer", f"Customer {row['code']!r}", plant_id=writer.plant_id, code=row["code"]
    )
    return writer.insert("customer", row, act="customer added")


def _texts(given: Mapping[str, str] | None, what: str) -> str:
    held = {checks.name(key, what): checks.line(value, what) for key, value in (given or {}).items()}
    return json.dumps(held, sort_keys=True, ensure_ascii=False)


def add_material(
    writer: Writer,
    code: str,
    supplier: str,
    polymer: str,
    infrared_role: str,
    *,
    filler: str = "",
    filler_pct: float | None = None,
    colour: str = "",
    absorber_pct: float | None = None,
    melt_low_c: float | None = None,
    melt_high_c: float | None = None,
    surface_energy_mn_m: float | None = None,
    drying: str = "",
) -> int:
    """Add one grade of one supplier. `infrared_role`: 'transmissive' or 'absorbing'."""
    row = {
        "code": checks.name(code, "Material code"),
        "supplier": checks.name(supplier, "Supplier"),
        "polymer": checks.name(polymer, "Polymer"),
        "infrared_role": checks.one_of(infrared_role, ("transmissive", "absorbing"), "Infrared role"),
        "filler": checks.line(filler, "Filler"),
        "filler_pct": checks.number_or_none(filler_pct, "Filler in %", least=0, most=100),
        "colour": checks.line(colour, "Colour"),
        "absorber_pct": checks.number_or_none(absorber_pct, "Absorber in %", least=0, most=100),
        "melt_low_c": checks.number_or_none(melt_low_c, "Lower melt temperature", above=-273.15),
        "melt_high_c": checks.number_or_none(melt_high_c, "Upper melt temperature", above=-273.15),
        "surface_energy_mn_m": checks.number_or_none(surface_energy_mn_m, "Surface energy", above=0),
        "drying": checks.prose(drying, "Drying rule"),
    }
    checks.not_crossed(melt_low_c, melt_high_c, "Melt range", equal=True)
    checks.new_name(
        writer, "material", f"Material {row['code']!r}", plant_id=writer.plant_id, code=row["code"]
    )
    return writer.insert("material", row, act="material added")


def add_component(
    writer: Writer, number: str, name: str, side: str, material_id: int, *, thickness_mm: float | None = None
) -> int:
    """Add an upper or lower moulded part with its material."""
    row = {
        "number": checks.name(number, "Component number"),
        "name": checks.name(name, "Component name"),
        "side": checks.one_of(side, ("upper", "lower"), "Side"),
        "material_id": material_id,
        "thickness_mm": checks.number_or_none(thickness_mm, "Thickness in mm", above=0),
    }
    checks.row(writer, "material", material_id, "material")
    what = f"Component {row['number']!r}"
    checks.new_name(writer, "component_part", what, plant_id=writer.plant_id, number=row["number"])
    return writer.insert("component_part", row, act="component added")


def add_tool(writer: Writer, component_id: int, code: str) -> int:
    """Add a mould of a component."""
    row = {"component_part_id": component_id, "code": checks.name(code, "Tool code")}
    checks.row(writer, "component_part", component_id, "component")
    checks.new_name(writer, "tool", f"Tool {row['code']!r}", plant_id=writer.plant_id, code=row["code"])
    return writer.insert("tool", row, act="tool added")


def add_cavity(writer: Writer, tool_id: int, code: str) -> int:
    """Add a cavity of a tool."""
    row = {"tool_id": tool_id, "code": checks.name(code, "Cavity")}
    tool = checks.row(writer, "tool", tool_id, "tool")
    checks.new_name(writer, "cavity", f"Cavity {row['code']!r} of tool {tool.code!r}", **row)
    return writer.insert("cavity", row, act="cavity added")


def add_part(
    writer: Writer,
    number: str,
    name: str,
    *,
    upper_id: int,
    lower_id: int,
    process: str,
    joint: str,
    revision: str,
    drawing: str,
    valid_from_us: int | None = None,
    customer_id: int | None = None,
    customer_reference: str = "",
    safety_related: bool = False,
    seam_length_mm: float | None = None,
    seam_width_mm: float | None = None,
) -> int:
    """Add a welded product with its first drawing revision, valid from now unless said otherwise.

    Raises Refused where the number is taken, UsageError where a component is of the wrong side.
    """
    row = {
        "number": checks.name(number, "Part number"),
        "name": checks.name(name, "Part name"),
        "customer_id": customer_id,
        "customer_reference": checks.line(customer_reference, "Customer reference"),
        "safety_related": checks.yes_no(safety_related, "Safety-related"),
        "process": checks.one_of(process, PROCESSES, "Process type"),
        "joint": checks.one_of(joint, JOINTS, "Joint type"),
        "upper_id": upper_id,
        "lower_id": lower_id,
        "seam_length_mm": checks.number_or_none(seam_length_mm, "Seam length in mm", above=0),
        "seam_width_mm": checks.number_or_none(seam_width_mm, "Seam width in mm", above=0),
    }
    first = _revision(revision, drawing, writer.now_us if valid_from_us is None else valid_from_us, "")
    checks.row_or_none(writer, "customer", customer_id, "customer")
    for side, component_id in (("upper", upper_id), ("lower", lower_id)):
        found = checks.row(writer, "component_part", component_id, f"{side} component")
        if found.side != side:
            raise UsageError(
                f"Component {found.number} is the {found.side} part.", f"Give a component of the {side} side."
            )
    checks.new_name(writer, "part", f"Part {row['number']!r}", plant_id=writer.plant_id, number=row["number"])
    part_id = writer.insert("part", row, act="part added")
    writer.insert("part_revision", {"part_id": part_id, **first}, act="part revised")
    return part_id


def _revision(revision: str, drawing: str, valid_from_us: int, change: str) -> dict[str, object]:
    return {
        "revision": checks.name(revision, "Drawing revision"),
        "drawing": checks.name(drawing, "Drawing"),
        "valid_from_us": checks.moment(valid_from_us, "Valid from"),
        "change": checks.prose(change, "Change"),
    }


def add_part_revision(
    writer: Writer,
    part_id: int,
    revision: str,
    drawing: str,
    *,
    change: str,
    valid_from_us: int | None = None,
) -> int:
    """A further drawing revision of a part."""
    given = _revision(revision, drawing, writer.now_us if valid_from_us is None else valid_from_us, change)
    if not given["change"]:
        raise UsageError("A drawing revision needs its change in words.", "Say what changed.")
    part = checks.row(writer, "part", part_id, "part")
    what = f"Revision {given['revision']!r} of part {part.number}"
    checks.new_name(writer, "part_revision", what, part_id=part_id, revision=given["revision"])
    return writer.insert(
        "part_revision", {"part_id": part_id, **given}, act="part revised", why=str(given["change"])
    )


def add_stream(
    writer: Writer,
    part_id: int,
    label: str,
    *,
    upper_cavity_id: int | None = None,
    lower_cavity_id: int | None = None,
    nest: str = "",
) -> int:
    """Add a stream of a part, named by its label, with the cavities and the nest that it stands for where they are known."""
    row = {
        "part_id": part_id,
        "label": checks.name(label, "Label of the stream"),
        "upper_cavity_id": upper_cavity_id,
        "lower_cavity_id": lower_cavity_id,
        "nest": checks.line(nest, "Nest"),
    }
    part = checks.row(writer, "part", part_id, "part")
    checks.row_or_none(writer, "cavity", upper_cavity_id, "upper cavity")
    checks.row_or_none(writer, "cavity", lower_cavity_id, "lower cavity")
    what = f"Stream {row['label']!r} of part {part.number}"
    checks.new_name(writer, "stream", what, part_id=part_id, label=row["label"])
    return writer.insert("stream", row, act="stream added")


def add_delivery(
    writer: Writer,
    material_id: int,
    supplier_lot: str,
    received_us: int,
    *,
    kind: str = "resin",
    expires_us: int | None = None,
    state: str = "accepted",
) -> int:
    """Add a supplier's lot of a material."""
    row = {
        "material_id": material_id,
        "supplier_lot": checks.name(supplier_lot, "Supplier lot"),
        "kind": checks.one_of(kind, ("resin", "masterbatch", "regrind"), "Kind of delivery"),
        "received_us": checks.moment(received_us, "Received"),
        "expires_us": checks.moment_or_none(expires_us, "Expires"),
        "state": checks.one_of(state, LOT_STATES, "State"),
    }
    if expires_us is not None and expires_us <= received_us:
        raise UsageError("The delivery expires before it was received.", "Mend one of the dates.")
    material = checks.row(writer, "material", material_id, "material")
    what = f"Supplier lot {row['supplier_lot']!r} of material {material.code}"
    same = {"plant_id": writer.plant_id, "material_id": material_id, "supplier_lot": row["supplier_lot"]}
    checks.new_name(writer, "delivery", what, **same)
    return writer.insert("delivery", row, act="delivery added")


def set_delivery_state(writer: Writer, delivery_id: int, state: str, *, why: str) -> None:
    """Accept, hold or refuse a delivery."""
    chosen = checks.one_of(state, LOT_STATES, "State")
    reason = checks.prose(why, "The reason", filled=True)
    checks.row(writer, "delivery", delivery_id, "delivery")
    writer.update("delivery", delivery_id, {"state": chosen}, act=f"delivery {chosen}", why=reason)


def add_moulding_lot(
    writer: Writer,
    number: str,
    component_id: int,
    moulded_us: int,
    *,
    parents: Sequence[int | tuple[int, float | None]] = (),
    tool_id: int | None = None,
    expires_us: int | None = None,
    state: str = "accepted",
) -> int:
    """Add a lot of a component; the id is also the subject that its readings hang on.

    `parents`: ids of the deliveries that went in, each alone or with its share in %. Shares must not exceed 100 % together.
    """
    row = {
        "number": checks.name(number, "Number of the moulding lot"),
        "component_part_id": component_id,
        "tool_id": tool_id,
        "moulded_us": checks.moment(moulded_us, "Moulded"),
        "expires_us": checks.moment_or_none(expires_us, "Expires"),
        "state": checks.one_of(state, LOT_STATES, "State"),
    }
    if expires_us is not None and expires_us <= moulded_us:
        raise UsageError("The moulding lot expires before it was moulded.", "Mend one of the dates.")
    fed = _parents(parents)
    component = checks.row(writer, "component_part", component_id, "component")
    tool = checks.row_or_none(writer, "tool", tool_id, "tool")
    if tool is not None and tool.component_part_id != component_id:
        raise Refused(
            f"Tool {tool.code} does not make component {component.number}.", "Give a tool of the component."
        )
    for delivery_id, _ in fed:
        checks.row(writer, "delivery", delivery_id, "delivery")
    what = f"Moulding lot {row['number']!r}"
    checks.new_name(writer, "moulding_lot", what, plant_id=writer.plant_id, number=row["number"])
    lot_id = writer.new_subject("moulding lot")
    writer.insert("moulding_lot", {"id": lot_id, **row}, act="moulding lot added")
    for delivery_id, share in fed:
        parent = {"moulding_lot_id": lot_id, "delivery_id": delivery_id, "share_pct": share}
        writer.insert("moulding_parent", parent, act="delivery used")
    return lot_id


def _parents(parents: Sequence[int | tuple[int, float | None]]) -> list[tuple[int, float | None]]:
    fed = [(parent, None) if isinstance(parent, int) else (parent[0], parent[1]) for parent in parents]
    if len({one for one, _ in fed}) != len(fed):
        raise UsageError("A delivery is named twice.", "Name each once, with its whole share.")
    shares = [checks.number_or_none(share, "Share in %", least=0, most=100) for _, share in fed]
    total = sum(share for share in shares if share is not None)
    if total > 100.0 + 1e-9:
        raise UsageError(
            f"The shares of the deliveries add up to {total:g} %.", "Give shares of at most 100 %."
        )
    return [(one, share) for (one, _), share in zip(fed, shares, strict=True)]


def set_moulding_lot_state(writer: Writer, moulding_lot_id: int, state: str, *, why: str) -> None:
    """Accept, hold or refuse a moulding lot."""
    chosen = checks.one_of(state, LOT_STATES, "State")
    reason = checks.prose(why, "The reason", filled=True)
    checks.row(writer, "moulding_lot", moulding_lot_id, "moulding lot")
    writer.update(
        "moulding_lot", moulding_lot_id, {"state": chosen}, act=f"moulding lot {chosen}", why=reason
    )
