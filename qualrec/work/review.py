"""What an engineer decides: limits are frozen, recipes approved, the process of a part judged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from qualrec.assess import TrialLimits, judge_process, trial_limits
from qualrec.errors import Refused, UsageError
from qualrec.records import findings, lookups, registry
from qualrec.records.ledger import Writer
from qualrec.values import Flag, RecipeRevision
from qualrec.work.rights import require
from qualrec.work.session import Session
from qualrec.work.signed import limits_content, recipe_content
from qualrec.work.signing import ready_to_sign, sign


@dataclass(frozen=True, slots=True)
class LimitsMade:
    """Limits worked out, and frozen where that was asked."""

    trial: TrialLimits
    limits_id: int | None
    version: int | None
    frozen: bool
    sentences: tuple[str, ...]


def limits(
    session: Session,
    part: str,
    code: str,
    *,
    leave_out: Mapping[str, str] | None = None,
    since: str | None = None,
    until: str | None = None,
    stream: str | None = None,
    condition: int | None = None,
    freeze: bool = False,
    reason: str = "",
    expected_version: int | None = None,
    password: str | None = None,
) -> LimitsMade:
    """Work limits out from lots; with `freeze`, store them signed and supersede those in force.

    They hold for lots welded after the last lot looked at. Freezing needs a reason. Raises UsageError, Refused.
    """
    if not freeze:
        with session.store.read() as conn:
            trial = trial_limits(
                conn, part, code, leave_out, since=since, until=until, stream=stream, condition=condition
            )
        return LimitsMade(
            trial, None, None, False, (*trial.sentences, *trial.notes, "Trial limits; nothing was stored.")
        )
    require(session.actor, "freeze limits")
    if not reason.strip():
        raise UsageError("Limits are frozen with a reason.", "Say why, in words: --reason.")
    ready_to_sign(session, password)
    with session.store.write(session.actor, session.plant.id) as writer:
        trial = trial_limits(
            writer.conn, part, code, leave_out, since=since, until=until, stream=stream, condition=condition
        )
        limits_id = _store(writer, trial)
        content = limits_content(lookups.limits_by_id(writer.conn, limits_id))
        signature = sign(writer, "approved", "limits", limits_id, content, reason)
        findings.freeze_limits(writer, limits_id, reason, signature)
        made = lookups.limits_by_id(writer.conn, limits_id)
    frozen = f"Frozen as version {made.version}, signed by {session.actor.name}: {reason}"
    return LimitsMade(trial, limits_id, made.version, True, (*trial.sentences, *trial.notes, frozen))


def _store(writer: Writer, trial: TrialLimits) -> int:
    return findings.store_limits(
        writer,
        trial.characteristic.id,
        used_lots=trial.used_lots,
        left_out=trial.left_out,
        **trial.fields,  # type: ignore[arg-type]
    )


def approve_recipe(
    session: Session, code: str, revision: int, *, reason: str, password: str | None = None
) -> str:
    """Approve a draft revision with a signature; the approved one before is superseded.

    Raises Refused where the author approves the own draft and the plant has more than one person.
    """
    require(session.actor, "approve recipes")
    if not reason.strip():
        raise UsageError("A recipe is approved with a reason.", "Say why, in words.")
    ready_to_sign(session, password)
    with session.store.write(session.actor, session.plant.id) as writer:
        found = recipe_named(session, writer, code, revision)
        if found.author == session.actor.name and not session.plant.single_user:
            raise Refused(
                f"{session.actor.name} drafted {code} revision {revision}.",
                "Another engineer has to approve it.",
            )
        signature = sign(writer, "approved", "recipe revision", found.id, recipe_content(found), reason)
        registry.approve_recipe_revision(writer, found.id, signature_id=signature, why=reason)
    return f"{code} revision {revision} approved by {session.actor.name}."


def recipe_named(session: Session, writer: Writer, code: str, revision: int) -> RecipeRevision:
    """A recipe revision by code and number."""
    return lookups.recipe_revision(writer.conn, code, revision)


def judge_part(session: Session, part: str, code: str | None = None) -> tuple[Flag, ...]:
    """Judge the process of a part and store what is found; returns the flags opened or extended."""
    require(session.actor, "judge parts")
    with session.store.write(session.actor, session.plant.id) as writer:
        part_id = lookups.part(writer.conn, part).id
        touched = findings.store_findings(writer, part_id, judge_process(writer.conn, part, code))
        return tuple(lookups.flag(writer.conn, flag) for flag in touched)
