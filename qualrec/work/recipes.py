"""Recipes as a process engineer works with them: revisions, differences, energy at the joint, drafts, temporary changes."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from qualrec.errors import UsageError
from qualrec.intake.numbers import understand
from qualrec.judge.windows import measured_in, outside, settings_of
from qualrec.records import lookups, registry
from qualrec.values import RecipeRevision, RecipeSetting, TemporaryChange, Window
from qualrec.weld.change_triggers import Trigger, change_triggers
from qualrec.weld.energy import EnergyBudget, energy_budget
from qualrec.weld.recipe_rules import RecipeRemark, recipe_remarks
from qualrec.weld.settings import SETTINGS, Setting, find_process
from qualrec.weld.units import unit_shown
from qualrec.work.days import end_of_day
from qualrec.work.materials_light import LastTransmission, joint_parts, last_transmission
from qualrec.work.rights import require
from qualrec.work.session import Session
from qualrec.work.signed import Standing, change_content, signatures_of
from qualrec.work.signing import ready_to_sign, sign

_ENDS = re.compile(r"\s+(from|to)\s+")


@dataclass(frozen=True, slots=True)
class Difference:
    """One setting or qualified window that two revisions do not share. `kind`: 'added', 'removed' or 'changed'."""

    kind: str
    name: str
    was: RecipeSetting | Window | None
    now: RecipeSetting | Window | None


@dataclass(frozen=True, slots=True)
class RecipePage:
    """A revision with what follows from it. `budget` None: `note` says why."""

    revision: RecipeRevision
    transmission: LastTransmission | None
    budget: EnergyBudget | None
    note: str
    remarks: tuple[RecipeRemark, ...]
    """What is not plausible or not usual, and notes, each with its source."""
    lots: int
    """Lots welded with the revision; at most 5,000 are counted."""
    triggers: tuple[Trigger, ...] = ()
    """What the change from the revision before (`compared`) asks for."""
    compared: int | None = None
    changes: tuple[Difference, ...] = ()
    """What changed from the revision before."""
    signatures: tuple[Standing, ...] = ()
    """Approvals of the revision and its temporary changes, and whether they still cover them."""


def recipes_page(session: Session) -> tuple[tuple[RecipeRevision, ...], tuple[TemporaryChange, ...]]:
    """All revisions of all recipes, and all temporary changes."""
    with session.store.read() as conn:
        return lookups.recipe_revisions(conn), lookups.temporary_changes(conn)


def recipe_page(session: Session, revision_id: int, *, against: int | None = None) -> RecipePage:
    """A revision with its energy at the joint, by the last measured transmission of the part. Raises UnknownRecord.

    `against`: number of the revision that it is compared with, as `base_of` chooses if left out.
    """
    with session.store.read() as conn:
        revision = lookups.recipe_revision_by_id(conn, revision_id)
        part = lookups.part(conn, revision.part_number)
        light = last_transmission(conn, revision.part_number)
        lots = len(lookups.lots_touched(conn, recipe_revision_id=revision_id))
        parts = joint_parts(conn, part)
        if against is None:
            base = base_of(lookups.recipe_revisions(conn, revision.part_number), revision)
        else:
            base = lookups.recipe_revision(conn, revision.code, against)
        notices = {} if part.customer is None else part.customer.notices
        signed = (
            *signatures_of(conn, "recipe revision", revision_id),
            *signatures_of(conn, "temporary change", revision_id),
        )
    settings = settings_of(revision)
    note = "" if light is not None else "No transmission of this part was measured yet."
    budget = None
    try:
        budget = energy_budget(
            revision.process,
            settings,
            None if light is None else light.mean_pct,
            None if light is None else light.sd,
        )
    except UsageError as error:
        note = error.message
    remarks = recipe_remarks(revision.process, settings, parts)
    triggers = () if base is None else triggers_of(base, revision, light, notices)
    compared = None if base is None else base.revision
    changes = () if base is None else differences(base, revision)
    return RecipePage(revision, light, budget, note, remarks, lots, triggers, compared, changes, signed)


def named_page(
    session: Session, code: str, revision: int | None = None, *, against: int | None = None
) -> RecipePage:
    """The page of a revision by code and number; without a number the one in force, else the newest. Raises UnknownRecord."""
    with session.store.read() as conn:
        found = lookups.recipe_revision(conn, code, revision)
    return recipe_page(session, found.id, against=against)


def revision_number(session: Session, code: str) -> int:
    """Number of the revision of a recipe that is in force, else of the newest. Raises UnknownRecord."""
    with session.store.read() as conn:
        return lookups.recipe_revision(conn, code).revision


def changes_of(session: Session, part: str | None = None) -> tuple[TemporaryChange, ...]:
    """Temporary changes of a part or of all, those that end first at the head. Raises UnknownRecord."""
    with session.store.read() as conn:
        part_id = None if part is None else lookups.part(conn, part).id
        return lookups.temporary_changes(conn, part_id=part_id)


def base_of(every: Sequence[RecipeRevision], revision: RecipeRevision) -> RecipeRevision | None:
    """What a revision is a change of: for a draft the approved revision of its recipe, else the revision before it."""
    own = [r for r in every if r.recipe_id == revision.recipe_id and r.id != revision.id]
    approved = [r for r in own if r.state == "approved"]
    if revision.state == "draft" and approved:
        return approved[-1]
    earlier = [r for r in own if r.revision < revision.revision]
    return earlier[-1] if earlier else None


def triggers_of(
    was: RecipeRevision,
    now: RecipeRevision,
    light: LastTransmission | None,
    notices: Mapping[str, str] | None = None,
) -> tuple[Trigger, ...]:
    """What the change from one revision to another asks for.

    It leaves the proven range where a setting lies outside the range of the old revision, or its energy at the joint, by
    the last measured transmission, outside the old qualified window.
    """
    found = [d for d in differences(was, now) if not d.name.startswith("qualified ")]
    names = {d.name for d in found}
    moved = {d.name for d in found if _value(d.was) != _value(d.now)}
    gone = {d.name for d in found if d.kind != "changed"}
    return change_triggers(moved or names, gone, _leaves(was, now, light), notices)


def _value(setting: RecipeSetting | Window | None) -> float | None:
    return setting.value if isinstance(setting, RecipeSetting) else None


def _leaves(was: RecipeRevision, now: RecipeRevision, light: LastTransmission | None) -> list[str]:
    """What of the new revision lies outside the proven ranges of the old one, in words."""
    old, words = {s.name: s for s in was.settings}, []
    for setting in now.settings:
        before = old.get(setting.name)
        if before is not None and outside(setting.value, before.low, before.high):
            words.append(
                f"{setting.name.replace('_', ' ')} {setting.value:g} {unit_shown(setting.unit)} "
                f"outside {_span(before.low, before.high)}"
            )
    try:
        budget = energy_budget(now.process, settings_of(now), None if light is None else light.mean_pct)
    except UsageError:
        return words
    for window in was.windows:
        value = measured_in(window, budget, settings_of(now))
        if value is not None and outside(value, window.low, window.high):
            words.append(
                f"{window.quantity} {value:.3g} {unit_shown(window.unit)} outside {_span(window.low, window.high)}"
            )
    return words


def _span(low: float | None, high: float | None) -> str:
    ends = [f"{word} {v:g}" for word, v in (("from", low), ("to", high)) if v is not None]
    return " ".join(ends)


def differences(was: RecipeRevision, now: RecipeRevision) -> tuple[Difference, ...]:
    """What changed from one revision to another: settings in the order of a form, then qualified windows."""
    order = [setting.name for setting in SETTINGS[find_process(now.process)]]
    old = {s.name: s for s in was.settings}
    new = {s.name: s for s in now.settings}
    names = sorted({*old, *new}, key=lambda n: (order.index(n) if n in order else len(order), n))
    found = [_difference(name, old.get(name), new.get(name)) for name in names]
    before = {w.quantity: w for w in was.windows}
    after = {w.quantity: w for w in now.windows}
    found += [
        _difference(f"qualified {name}", before.get(name), after.get(name))
        for name in sorted({*before, *after})
    ]
    return tuple(one for one in found if one is not None)


def _difference(
    name: str, was: RecipeSetting | Window | None, now: RecipeSetting | Window | None
) -> Difference | None:
    if was == now:
        return None
    kind = "added" if was is None else "removed" if now is None else "changed"
    return Difference(kind, name, was, now)


def draft_revision(
    session: Session,
    code: str,
    from_revision: int,
    changes: Mapping[str, RecipeSetting | None],
    reason: str,
) -> RecipeRevision:
    """Draft a new revision from an existing one.

    `changes` by setting: the new setting, or None to leave it out. Qualified windows are taken over, marked as proven with
    the revision they come from. Raises UsageError for a setting that the process does not have or lacks, a value that
    cannot be, and where nothing changes; UnknownRecord, Refused.
    """
    require(session.actor, "draft recipes")
    with session.store.write(session.actor, session.plant.id) as writer:
        base = lookups.recipe_revision(writer.conn, code, from_revision)
        held: dict[str, RecipeSetting] = {s.name: s for s in base.settings}
        for name, setting in changes.items():
            if setting is None:
                held.pop(name, None)
            else:
                held[name] = setting
        if held == {s.name: s for s in base.settings}:
            raise UsageError(
                f"The draft is the same as {code} revision {from_revision}.", "Change at least one setting."
            )
        windows = [replace(w, proof=_taken_over(w, base.revision)) for w in base.windows]
        settings = list(held.values())
        made = registry.add_recipe_revision(
            writer, base.recipe_id, settings=settings, windows=windows, reason=reason
        )
        drafted = lookups.recipe_revision_by_id(writer.conn, made)
        energy_budget(drafted.process, settings_of(drafted), None)
    return drafted


def draft_texts(
    session: Session, code: str, from_revision: int | None, changes: Sequence[str], reason: str
) -> RecipePage:
    """Draft a revision from changes as typed: 'power=205', 'power=205 from 195 to 215'; 'power=' takes a setting out.

    Raises what `draft_revision` raises, UsageError and AmbiguousNumber for what cannot be read.
    """
    with session.store.read() as conn:
        base = lookups.recipe_revision(conn, code, from_revision)
    known = {s.name: s for s in SETTINGS[find_process(base.process)]}
    read: dict[str, RecipeSetting | None] = {}
    for text in changes:
        name, sign, value = text.partition("=")
        key = name.strip().replace("-", "_").replace(" ", "_")
        if not sign or key not in known:
            raise UsageError(
                f"{text!r} is no setting of {base.process} welding.",
                f"As power=205. Settings: {', '.join(known)}.",
            )
        read[key] = read_setting(known[key], value) if value.strip() else None
    drafted = draft_revision(session, code, base.revision, read, reason)
    return recipe_page(session, drafted.id, against=base.revision)


def read_setting(setting: Setting, text: str) -> RecipeSetting:
    """'200', '200 W from 190 to 210', '1,2 m/s to 1,4'. Raises UsageError, AmbiguousNumber."""
    pieces = _ENDS.split(f"{text.strip()} ".rstrip())
    ends: dict[str, float] = {}
    bounds = (setting.low, setting.high)
    for word, figure in zip(pieces[1::2], pieces[2::2], strict=True):
        if word in ends:
            raise UsageError(f"{text!r} has two ends '{word}'.", "Write the value, then from and to.")
        ends[word] = understand(figure, setting.unit, None, bounds).value
    value = understand(pieces[0], setting.unit, None, bounds).value
    return RecipeSetting(setting.name, value, setting.unit, ends.get("from"), ends.get("to"))


def _taken_over(window: Window, revision: int) -> str:
    proof = window.proof.strip()
    if proof.startswith("proven with revision"):
        return proof
    return f"proven with revision {revision}" + (f": {proof}" if proof else "")


def withdraw_recipe(session: Session, code: str, revision: int, *, reason: str) -> str:
    """Withdraw a draft or the approved revision, from now on. Raises Refused, UsageError for a missing reason."""
    with session.store.write(session.actor, session.plant.id) as writer:
        found = lookups.recipe_revision(writer.conn, code, revision)
        require(session.actor, "draft recipes" if found.state == "draft" else "approve recipes")
        registry.withdraw_recipe_revision(writer, found.id, reason=reason)
    return f"{code} revision {revision} withdrawn."


def begin_change(
    session: Session,
    code: str,
    revision: int,
    *,
    what: str,
    extra_checks: str,
    until: str,
    password: str | None = None,
) -> str:
    """Record a temporary change of a recipe revision to the end of a day (2026-11-30), signed. Raises UsageError."""
    require(session.actor, "approve recipes")
    until_us = end_of_day(session, until)
    ready_to_sign(session, password)
    with session.store.write(session.actor, session.plant.id) as writer:
        found = lookups.recipe_revision(writer.conn, code, revision)
        part = lookups.part(writer.conn, found.part_number)
        content = change_content(found.id, what, extra_checks, writer.now_us, until_us)
        signature = sign(writer, "approved", "temporary change", found.id, content, what)
        registry.add_temporary_change(
            writer,
            part.id,
            what=what,
            extra_checks=extra_checks,
            from_us=writer.now_us,
            until_us=until_us,
            recipe_revision_id=found.id,
            signature_id=signature,
        )
    return f"Temporary change of {code} revision {revision} until {session.moment(until_us)}."


def end_change(session: Session, change_id: int, *, why: str) -> str:
    """End a temporary change. Raises Refused where it has ended, UsageError for a missing reason."""
    require(session.actor, "approve recipes")
    with session.store.write(session.actor, session.plant.id) as writer:
        registry.end_temporary_change(writer, change_id, why=why)
    return "The temporary change has ended."
