"""Characteristics and their revisions."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from sqlalchemy import select

from qualrec.errors import Refused, UsageError
from qualrec.records.ledger import Writer
from qualrec.records.lookups.characteristics import IDENTITY_FIELDS, LIST_FIELDS, revisions_of
from qualrec.records.lookups.conditions import SEPARATING_FIELDS
from qualrec.records.models import metadata
from qualrec.records.models.parts import CHARTS, CLASSES
from qualrec.records.models.readings import MODES
from qualrec.records.registry import checks
from qualrec.stats.rules import rule
from qualrec.values import Characteristic

HANGS_ON = ("lot", "moulding lot")
KINDS = ("measured", "counted")
REVISION_FIELDS = tuple(
    f.name
    for f in fields(Characteristic)
    if f.name not in (*IDENTITY_FIELDS, "revision_id", "revision", "valid_from_us")
)
"""What a revision of a characteristic holds; names as in values.Characteristic."""
DEFAULTS: Mapping[str, Any] = {
    f.name: f.default for f in fields(Characteristic) if f.name in REVISION_FIELDS and f.name != "unit"
}


def add_characteristic(
    writer: Writer,
    part_id: int,
    *,
    code: str,
    name: str,
    quantity: str,
    unit: str,
    hangs_on: str = "lot",
    kind: str = "measured",
    valid_from_us: int | None = None,
    change: str = "",
    **revision: Any,
) -> int:
    """Add a characteristic of a part with its first revision, valid from now unless said otherwise; returns its id.

    `revision`: fields of values.Characteristic from `definition` to `reaction_plan`; what is left out has its default.
    Raises UsageError for an unknown field, crossed limits, an unknown word; Refused where the code is taken.
    """
    identity = {
        "part_id": part_id,
        "code": checks.name(code, "Characteristic code"),
        "name": checks.name(name, "Characteristic name"),
        "hangs_on": checks.one_of(hangs_on, HANGS_ON, "Hangs on"),
        "kind": checks.one_of(kind, KINDS, "Kind"),
        "quantity": checks.name(quantity, "Quantity"),
    }
    checks.known_keys(revision, REVISION_FIELDS, "Field of a characteristic")
    row = _revision_row({**DEFAULTS, "unit": unit, **revision}, identity)
    since = checks.moment(writer.now_us if valid_from_us is None else valid_from_us, "Valid from")
    part = checks.row(writer, "part", part_id, "part")
    what = f"Characteristic {identity['code']!r} of part {part.number}"
    checks.new_name(writer, "characteristic", what, part_id=part_id, code=identity["code"])
    characteristic_id = writer.insert("characteristic", identity, act="characteristic added")
    _insert(writer, characteristic_id, 1, since, row, checks.prose(change, "Change"))
    return characteristic_id


def revise_characteristic(
    writer: Writer,
    characteristic_id: int,
    *,
    change: str,
    valid_from_us: int | None = None,
    **revision: Any,
) -> int:
    """A further revision, valid from now unless said otherwise; what is left out stays as before. Returns its id.

    Refused where it would be valid from before the last revision, or from before a part was welded (or moulded) whose
    readings of this characteristic are judged already: a later revision never changes an old verdict.
    """
    reason = checks.prose(change, "The change", filled=True)
    checks.known_keys(revision, REVISION_FIELDS, "Field of a characteristic")
    if not revision:
        raise UsageError("Nothing is revised.", "Give at least one field.")
    checks.row(writer, "characteristic", characteristic_id, "characteristic")
    last = revisions_of(writer.conn, characteristic_id)[-1]
    before = {name: getattr(last, name) for name in REVISION_FIELDS}
    identity = {name: getattr(last, name) for name in IDENTITY_FIELDS}
    row = _revision_row({**before, **revision}, identity)
    since = checks.moment(writer.now_us if valid_from_us is None else valid_from_us, "Valid from")
    if since <= last.valid_from_us:
        raise Refused(
            f"Revision {last.revision} of {last.code} is valid from a later moment.",
            "Give a moment after it.",
        )
    if row["unit"] != last.unit and _judged_after(writer, last, 0):
        raise Refused(
            f"{last.code} has readings in {last.unit}; a series never mixes units.",
            "Add a new characteristic in the other unit.",
        )
    judged = _judged_after(writer, last, since)
    if judged:
        raise Refused(
            f"{judged} has readings of {last.code} that are judged by revision {last.revision}.",
            "Let the new revision begin after it; an old verdict is changed only by judging again, with a reason.",
        )
    return _insert(writer, characteristic_id, last.revision + 1, since, row, reason)


def _insert(
    writer: Writer, characteristic_id: int, revision: int, since: int, row: Mapping[str, Any], change: str
) -> int:
    full = {
        "characteristic_id": characteristic_id,
        "revision": revision,
        "valid_from_us": since,
        **row,
        "change": change,
        "author_id": writer.actor.person_id,
    }
    return writer.insert("characteristic_revision", full, act="characteristic revised", why=change)


def _judged_after(writer: Writer, c: Characteristic, since: int) -> str:
    """A lot or moulding lot begun at or after a moment that has accepted readings of a characteristic; '' for none."""
    u, o, s, m = (metadata.tables[x] for x in ("rollup", "lot", "lot_segment", "moulding_lot"))
    if c.hangs_on == "lot":
        asked = (
            select(o.c.number)
            .select_from(o.join(s, s.c.lot_id == o.c.id).join(u, u.c.subject_id == s.c.id))
            .where(o.c.part_id == c.part_id, s.c.from_us >= since, u.c.characteristic_id == c.id)
            .order_by(s.c.from_us, o.c.id)
        )
        found = writer.conn.execute(asked.limit(1)).scalar()
        return f"Lot {found}" if found is not None else ""
    asked = (
        select(m.c.number)
        .join(u, u.c.subject_id == m.c.id)
        .where(m.c.moulded_us >= since, u.c.characteristic_id == c.id)
        .order_by(m.c.moulded_us, m.c.id)
    )
    found = writer.conn.execute(asked.limit(1)).scalar()
    return f"Moulding lot {found}" if found is not None else ""


def _revision_row(given: Mapping[str, Any], identity: Mapping[str, Any]) -> dict[str, Any]:
    """The columns of a revision, checked."""
    row = {**_limits(given), **_sampling(given), **_chart(given), **_words(given)}
    if row["strength"] and (identity["kind"] != "measured" or identity["hangs_on"] != "lot"):
        raise UsageError(
            "A strength is measured and hangs on the lot.",
            "Leave 'strength' out, or change kind and hangs_on.",
        )
    if row["accepted_modes"] and not row["strength"]:
        raise UsageError(
            "Failure modes belong to a strength.", "Set 'strength', or leave accepted_modes out."
        )
    for name in LIST_FIELDS:
        row[name] = json.dumps(row[name], ensure_ascii=False)
    return row


def _limits(g: Mapping[str, Any]) -> dict[str, Any]:
    row: dict[str, Any] = {
        "unit": checks.name(g["unit"], "Unit"),
        "lsl": checks.number_or_none(g["lsl"], "Lower specification limit"),
        "usl": checks.number_or_none(g["usl"], "Upper specification limit"),
        "target": checks.number_or_none(g["target"], "Target"),
        "plausible_low": checks.number_or_none(g["plausible_low"], "Lower plausible bound"),
        "plausible_high": checks.number_or_none(g["plausible_high"], "Upper plausible bound"),
        "decimals": checks.whole(g["decimals"], "Decimals", least=0, most=12),
        "index_requirement": checks.number_or_none(g["index_requirement"], "Required index", above=0),
        "interfacial_limit_pct": checks.number_or_none(
            g["interfacial_limit_pct"], "Limit of the interfacial share in %", least=0, most=100
        ),
    }
    checks.not_crossed(row["lsl"], row["usl"], "Specification limits")
    checks.not_crossed(row["plausible_low"], row["plausible_high"], "Plausible bounds")
    checks.not_crossed(row["lsl"], row["target"], "Lower specification limit and target", equal=True)
    checks.not_crossed(row["target"], row["usl"], "Target and upper specification limit", equal=True)
    return row


def _sampling(g: Mapping[str, Any]) -> dict[str, Any]:
    row: dict[str, Any] = {
        "samples": checks.whole(g["samples"], "Samples", least=0, most=1_000_000),
        "sample_positions": checks.texts(g["sample_positions"], "Sample position"),
        "mandatory": checks.yes_no(g["mandatory"], "Mandatory"),
        "subgroup_size": checks.whole(g["subgroup_size"], "Subgroup size", least=0),
        "subgroup_every": checks.whole(g["subgroup_every"], "Subgroup every", least=0),
    }
    if len(row["sample_positions"]) > row["samples"]:
        raise UsageError(
            f"{row['samples']} samples cannot be taken at {len(row['sample_positions'])} positions.",
            "Ask for at least one sample at each position.",
        )
    if row["subgroup_size"] and 0 < row["subgroup_every"] < row["subgroup_size"]:
        raise UsageError(
            "A subgroup is larger than the step between subgroups.", "Make the step at least as large."
        )
    return row


def _chart(g: Mapping[str, Any]) -> dict[str, Any]:
    rules = checks.texts(g["rules"], "Run rule")
    for text in rules:
        kind, _, k = text.partition(":")
        if k and not k.strip().isdigit():
            raise UsageError(f"Run rule {text!r} cannot be read.", "Write it as 'one_side' or 'one_side:9'.")
        rule(kind.strip(), int(k) if k else None)
    return {
        "chart": checks.one_of(g["chart"], CHARTS, "Chart"),
        "mean_width": checks.number(g["mean_width"], "Width of the limits of lot means", above=0),
        "ewma_lambda": checks.number(g["ewma_lambda"], "EWMA lambda", above=0, most=1),
        "ewma_width": checks.number(g["ewma_width"], "Width of the EWMA limits", above=0),
        "rules": rules,
        "good_side": checks.whole(g["good_side"], "Good side", least=-1, most=1),
        "special_class": checks.one_of(g["special_class"], CLASSES, "Class"),
    }


def _words(g: Mapping[str, Any]) -> dict[str, Any]:
    accepted = checks.several(g["accepted_modes"], MODES, "Failure mode")
    for mode in ("interfacial", "test fault"):
        if mode in accepted:
            raise UsageError(
                f"Failure mode {mode!r} is never accepted silently.", "Take it out of accepted_modes."
            )
    return {
        "definition": checks.prose(g["definition"], "Definition"),
        "method": checks.prose(g["method"], "Method"),
        "symbol": checks.line(g["symbol"], "Symbol"),
        "gauge_family": checks.line(g["gauge_family"], "Gauge family"),
        "destructive": checks.yes_no(g["destructive"], "Destructive"),
        "strength": checks.yes_no(g["strength"], "Strength"),
        "accepted_modes": accepted,
        "separating": checks.several(g["separating"], SEPARATING_FIELDS, "Separating condition"),
        "control_method": checks.prose(g["control_method"], "Control method"),
        "reaction_plan": checks.texts(g["reaction_plan"], "Step of the reaction plan"),
    }
