"""What exactly is signed, for each kind of thing, and whether a signature still covers it.

A content is made from the records alone, when it is signed and again when somebody looks: where the two digests differ,
something that was signed has changed since. A kind that another use case signs is added to `CONTENTS`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from qualrec.assess.loading import Conn
from qualrec.errors import UnknownRecord
from qualrec.records import lookups
from qualrec.records.lookups import Signature, Submission
from qualrec.values import Limits, Lot, RecipeRevision
from qualrec.work.session import Session
from qualrec.work.signing import digest_of

Content = Mapping[str, Any]
CHANGED = {
    "lot": "readings, corrections, recipe or moulding lots of the lot have changed since",
    "recipe revision": "settings or qualified windows have changed since",
    "temporary change": "the temporary change was changed since",
    "limits": "figures or lots of the limits have changed since",
    "control plan": "head or rows of the control plan have changed since",
    "submission": "the submission was changed since",
}
"""What it means in words that a signature covers its thing no more."""


@dataclass(frozen=True, slots=True)
class Standing:
    """A signature and whether what it stands under is as it was signed. `covers` None: there is nothing to compare with."""

    signature: Signature
    what: str
    covers: bool | None

    @property
    def words(self) -> str:
        """Empty while it covers."""
        if self.covers:
            return ""
        if self.covers is None:
            return "what was signed is not found"
        changed = CHANGED.get(self.signature.what_kind, "what was signed has changed since")
        return f"no longer covered: {changed}"


def recipe_content(revision: RecipeRevision) -> dict[str, Any]:
    """Settings with their ranges, and qualified windows."""
    return {
        "revision": revision.id,
        "settings": {s.name: [s.value, s.unit, s.low, s.high] for s in revision.settings},
        "windows": {w.quantity: [w.low, w.high, w.unit] for w in revision.windows},
    }


def change_content(
    revision_id: int | None, what: str, extra_checks: str, from_us: int, until_us: int
) -> dict[str, Any]:
    """A temporary change. Its early end is no change of what was signed."""
    return {
        "revision": revision_id,
        "what": what.strip(),
        "extra_checks": extra_checks.strip(),
        "from_us": from_us,
        "until_us": until_us,
    }


def limits_content(limits: Limits) -> dict[str, Any]:
    """Figures of control limits, the lots they came from and those left out with their reasons."""
    return {
        "limits": limits.id,
        "characteristic": limits.characteristic_id,
        "stream": limits.stream_id,
        "condition": limits.condition_id,
        "version": limits.version,
        "chart": limits.chart,
        "figures": [
            limits.centre,
            limits.sigma,
            limits.lower,
            limits.upper,
            limits.ewma_lambda,
            limits.ewma_width,
            limits.spread_centre,
            limits.spread_sigma,
        ],
        "estimator": limits.estimator,
        "from_us": limits.from_us,
        "used": sorted(limits.used_lots),
        "left_out": sorted([out.lot_id, out.reason] for out in limits.left_out),
    }


def concession_content(
    lot_id: int | None, reference: str, quantity: int | None, until_us: int | None, reason: str
) -> dict[str, Any]:
    return {
        "lot": lot_id,
        "reference": reference.strip(),
        "quantity": quantity,
        "until_us": until_us,
        "reason": reason.strip(),
    }


def decision_content(conn: Conn, lot: Lot, kind: str, quantity: int | None, reason: str) -> dict[str, Any]:
    """A decision about a lot with everything it stands on: what it was welded from and by, and every reading that counts."""
    upper = sorted({s.upper.id for s in lot.segments if s.upper is not None})
    rows = [*lookups.readings_of_lot(conn, lot.id), *lookups.readings_of_subjects(conn, upper)]
    return {
        "lot": lot.id,
        "kind": kind,
        "quantity": quantity,
        "reason": reason.strip(),
        "segments": [
            [
                s.id,
                None if s.recipe is None else s.recipe.id,
                None if s.upper is None else s.upper.id,
                None if s.lower is None else s.lower.id,
            ]
            for s in lot.segments
        ],
        "readings": sorted(
            [
                r.key.subject_id,
                r.key.characteristic_id,
                r.key.stream_id,
                r.key.sample,
                r.value,
                "" if r.pull is None else str(r.pull.mode),
                r.void,
            ]
            for r in rows
        ),
    }


def submission_content(submission: Submission) -> dict[str, Any]:
    """What a customer is given: part, level or list, states set by hand, declaration, digest of the workbook's content."""
    return {
        "submission": submission.id,
        "number": submission.number,
        "part": submission.part_id,
        "customer": submission.customer,
        "level": submission.level,
        "elements": dict(submission.elements),
        "content": submission.manifest.get("content", ""),
    }


def _lot(conn: Conn, signature: Signature) -> Content | None:
    """A decision about a lot, or a customer's concession for it."""
    row = lookups.row_signed(conn, "disposition", signature.id)
    if row is not None:
        lot = lookups.lot_by_id(conn, row["lot_id"])
        return decision_content(conn, lot, row["kind"], row["quantity"], row["reason"])
    row = lookups.row_signed(conn, "concession", signature.id)
    if row is None:
        return None
    return concession_content(
        row["lot_id"], row["reference"], row["quantity"], row["until_us"], row["reason"]
    )


def _recipe(conn: Conn, signature: Signature) -> Content | None:
    return recipe_content(lookups.recipe_revision_by_id(conn, signature.what_id))


def _change(conn: Conn, signature: Signature) -> Content | None:
    row = lookups.row_signed(conn, "temporary_change", signature.id)
    if row is None:
        return None
    return change_content(
        row["recipe_revision_id"], row["what"], row["extra_checks"], row["from_us"], row["until_us"]
    )


def _limits(conn: Conn, signature: Signature) -> Content | None:
    return limits_content(lookups.limits_by_id(conn, signature.what_id))


def _submission(conn: Conn, signature: Signature) -> Content | None:
    found = [s for s in lookups.submissions(conn) if s.id == signature.what_id]
    return submission_content(found[0]) if found else None


def _control_plan(conn: Conn, signature: Signature) -> Content | None:
    from qualrec.work.control_plan import plan_content

    return plan_content(lookups.control_plan_by_id(conn, signature.what_id))


CONTENTS: dict[str, Callable[[Conn, Signature], Content | None]] = {
    "lot": _lot,
    "recipe revision": _recipe,
    "temporary change": _change,
    "limits": _limits,
    "control plan": _control_plan,
    "submission": _submission,
}
"""Kind of what is signed -> its content as the records have it now; None where it is not found."""


def standing(conn: Conn, signature: Signature) -> Standing:
    """A signature with what it stands under, and whether it still covers it."""
    made = CONTENTS.get(signature.what_kind)
    try:
        content = None if made is None else made(conn, signature)
    except UnknownRecord:
        content = None
    covers = None if content is None else digest_of(content) == signature.digest
    return Standing(signature, _named(conn, signature), covers)


def signatures_of(conn: Conn, what_kind: str, what_id: int) -> tuple[Standing, ...]:
    """The signatures under one thing, oldest first."""
    return tuple(standing(conn, one) for one in lookups.signatures(conn, what_kind, what_id))


def all_standing(
    session: Session, *, kind: str | None = None, newest: int | None = None
) -> tuple[Standing, ...]:
    """All signatures, newest first; of one kind, and at most so many."""
    with session.store.read() as conn:
        found = [s for s in reversed(lookups.all_signatures(conn)) if kind is None or s.what_kind == kind]
        return tuple(standing(conn, one) for one in found[:newest])


def _named(conn: Conn, signature: Signature) -> str:
    """What was signed, as people call it."""
    try:
        if signature.what_kind == "lot":
            return f"lot {lookups.lot_number(conn, signature.what_id)}"
        if signature.what_kind in ("recipe revision", "temporary change"):
            revision = lookups.recipe_revision_by_id(conn, signature.what_id)
            mark = "temporary change of " if signature.what_kind == "temporary change" else ""
            return f"{mark}{revision.code} revision {revision.revision}"
        if signature.what_kind == "limits":
            limits = lookups.limits_by_id(conn, signature.what_id)
            c = lookups.characteristic_by_id(conn, limits.characteristic_id)
            part = lookups.part_by_id(conn, c.part_id).number
            return f"limits version {limits.version} of {part} {c.code}"
        if signature.what_kind == "control plan":
            plan = lookups.control_plan_by_id(conn, signature.what_id)
            return f"control plan {plan.label} of {plan.part_number}"
        if signature.what_kind == "submission":
            return next(
                f"submission {s.number} of {s.part_number}"
                for s in lookups.submissions(conn)
                if s.id == signature.what_id
            )
    except UnknownRecord:
        pass
    return f"{signature.what_kind} {signature.what_id & ((1 << 40) - 1)}"
