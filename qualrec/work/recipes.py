"""Recipes as a process engineer works with them: revisions, differences, energy at the joint, drafts, temporary changes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from qualrec.assess.loading import Conn
from qualrec.errors import UsageError
from qualrec.judge.windows import settings_of
from qualrec.records import lookups, registry
from qualrec.records.lookups import TemporaryChange
from qualrec.values import RecipeRevision, RecipeSetting, Window
from qualrec.weld.energy import EnergyBudget, energy_budget
from qualrec.weld.settings import SETTINGS, find_process, implausible_settings
from qualrec.work.days import end_of_day
from qualrec.work.rights import require
from qualrec.work.session import Session
from qualrec.work.signing import sign


@dataclass(frozen=True, slots=True)
class Difference:
    """One setting or qualified window that two revisions do not share. `kind`: 'added', 'removed' or 'changed'."""

    kind: str
    name: str
    was: RecipeSetting | Window | None
    now: RecipeSetting | Window | None


@dataclass(frozen=True, slots=True)
class LastTransmission:
    """Measured transmission of the newest upper moulding lot. `sd` None where it has one reading."""

    moulding_lot: str
    at_us: int
    n: int
    mean_pct: float
    sd: float | None


@dataclass(frozen=True, slots=True)
class RecipePage:
    """A revision with what follows from it. `budget` None: `note` says why."""

    revision: RecipeRevision
    transmission: LastTransmission | None
    budget: EnergyBudget | None
    note: str
    remarks: tuple[str, ...]
    lots: int
    """Lots welded with the revision; at most 5,000 are counted."""


def recipes_page(session: Session) -> tuple[tuple[RecipeRevision, ...], tuple[TemporaryChange, ...]]:
    """All revisions of all recipes, and all temporary changes."""
    with session.store.read() as conn:
        return lookups.recipe_revisions(conn), lookups.temporary_changes(conn)


def recipe_page(session: Session, revision_id: int) -> RecipePage:
    """A revision with its energy at the joint, by the last measured transmission of the part. Raises UnknownRecord."""
    with session.store.read() as conn:
        revision = lookups.recipe_revision_by_id(conn, revision_id)
        light = last_transmission(conn, revision.part_number)
        lots = len(lookups.lots_touched(conn, recipe_revision_id=revision_id))
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
    remarks = implausible_settings(revision.process, settings)
    return RecipePage(revision, light, budget, note, remarks, lots)


def last_transmission(conn: Conn, part_number: str) -> LastTransmission | None:
    """The newest upper moulding lot of a part with measured transmission, by its most used group of conditions."""
    found: LastTransmission | None = None
    codes = {
        c.id
        for c in lookups.characteristics(conn, part_number)
        if c.quantity == "transmission" and c.hangs_on == "moulding lot"
    }
    for groups in lookups.lot_series_many(conn, codes).values():
        series = groups[0]
        for at in reversed(range(len(series))):
            if lookups.moulding_lot_by_id(conn, int(series.lot_ids[at])).component.side != "upper":
                continue
            if found is None or series.at_us[at] > found.at_us:
                sd = float(series.sd[at])
                found = LastTransmission(
                    series.numbers[at],
                    int(series.at_us[at]),
                    int(series.n[at]),
                    float(series.mean[at]),
                    None if math.isnan(sd) else sd,
                )
            break
    return found


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
    session: Session, code: str, revision: int, *, what: str, extra_checks: str, until: str
) -> str:
    """Record a temporary change of a recipe revision to the end of a day (2026-11-30), signed. Raises UsageError."""
    require(session.actor, "approve recipes")
    until_us = end_of_day(session, until)
    with session.store.write(session.actor, session.plant.id) as writer:
        found = lookups.recipe_revision(writer.conn, code, revision)
        part = lookups.part(writer.conn, found.part_number)
        content = {
            "revision": found.id,
            "what": what,
            "extra_checks": extra_checks,
            "from_us": writer.now_us,
            "until_us": until_us,
        }
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
