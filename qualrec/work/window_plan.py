"""A window study planned, listed and filled: factors of a recipe, runs in random order, run sheet, entries."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from qualrec.errors import FileRefused, Problem, QualrecError, UnknownRecord, UsageError
from qualrec.intake.numbers import parse_number, understand
from qualrec.intake.readers import open_table
from qualrec.intake.tables import Layout, Row, Table, cell_text
from qualrec.judge.windows import settings_of
from qualrec.records import lookups
from qualrec.records.ledger import Writer
from qualrec.records.lookups.studies import Study, StudyRun, study_runs
from qualrec.records.registry import gauge_studies, window_studies
from qualrec.values import Characteristic, Part, RecipeRevision
from qualrec.weld import window_plan as plans
from qualrec.weld.energy import energy_budget
from qualrec.weld.failure_modes import check_shares, find_mode
from qualrec.weld.settings import SETTINGS, find_process
from qualrec.weld.window_plan import Factor, WindowPlan
from qualrec.work.bench import read_shares
from qualrec.work.materials_light import last_transmission
from qualrec.work.rights import require
from qualrec.work.session import Session

DESIGNS = ("face-centred", "box-behnken", "full", "fractional")
TRANSMISSION, JOINT_ENERGY = "transmission", "joint_energy"
OTHER_FACTORS: Mapping[str, str] = {TRANSMISSION: "%", JOINT_ENERGY: "J/mm²"}
"""Factors that are no setting: transmission by choosing parts, energy at the joint by power."""
SECTION: Mapping[str, str] = {
    "melt_layer_upper": "µm",
    "melt_layer_lower": "µm",
    "voids": "%",
    "flash": "mm",
    "collapse": "mm",
}
"""Measures of a section that a run may carry, with their unit."""


@dataclass(frozen=True, slots=True)
class WindowRun:
    """One run: what is set, what reaches the joint (estimate), and what it gave."""

    id: int
    position: int
    kind: str
    values: Mapping[str, float]
    settings: Mapping[str, float]
    transmission_pct: float | None
    joint_energy: float | None
    strength: float | None
    mode: str
    shares: str
    section: Mapping[str, float]
    done_us: int | None
    person: str


@dataclass(frozen=True, slots=True)
class WindowStudy:
    """A window study as it stands. `revision`: the recipe revision that it starts from."""

    study: Study
    part: Part
    characteristic: Characteristic
    revision: RecipeRevision
    factors: tuple[Factor, ...]
    design: str
    transmission_pct: float | None
    runs: tuple[WindowRun, ...]
    notes: tuple[str, ...]

    @property
    def done(self) -> int:
        return sum(run.done_us is not None for run in self.runs)


def read_factor(text: str, process: str) -> Factor:
    """'power=180..220' or 'clamp_force=0,4..0,6 kN': a setting of the process, transmission or joint_energy.

    Raises UsageError.
    """
    name, sign, ends = text.partition("=")
    name = name.strip().replace("-", "_").replace(" ", "_")
    low, dots, high = ends.partition("..")
    if not sign or not dots:
        raise UsageError(f"{text!r} is not NAME=LOW..HIGH.", "As in power=180..220.")
    units = {s.name: s.unit for s in SETTINGS[find_process(process)]} | dict(OTHER_FACTORS)
    if name not in units:
        raise UsageError(f"{process} welding has no factor {name!r}.", f"Factors: {', '.join(units)}.")
    unit = units[name]
    suffix = high.strip().lstrip("0123456789.,+-eE ").strip()
    first = low if not suffix or low.strip()[-1:].isalpha() else f"{low} {suffix}"
    return Factor(name, understand(first, unit).value, understand(high, unit).value, unit)


def plan_study(
    session: Session,
    recipe: str,
    factors: Sequence[str],
    *,
    revision: int | None = None,
    characteristic: str | None = None,
    design: str = "face-centred",
    centre_runs: int = 4,
    repeats: int = 1,
    seed: int = 1,
    levels: int = 2,
    transmission: str = "",
    title: str = "",
    number: str = "",
) -> WindowStudy:
    """Plan and store a window study around a recipe revision; its runs are in random order.

    `characteristic`: the strength that is pulled, the only one of the part if left out. `transmission` in % of the parts
    used, the last measured one if left out. Raises UsageError, UnknownRecord, Refused.
    """
    require(session.actor, "plan studies")
    with session.store.write(session.actor, session.plant.id) as writer:
        conn = writer.conn
        base = lookups.recipe_revision(conn, recipe, revision)
        part = lookups.part(conn, base.part_number)
        pulled = strength_of(lookups.characteristics(conn, part.number), characteristic)
        chosen = [read_factor(text, base.process) for text in factors]
        made = _design(chosen, design, centre_runs, repeats, seed, levels)
        light = parse_number(transmission).value if transmission else None
        if light is None:
            measured = last_transmission(conn, part.number)
            light = None if measured is None else measured.mean_pct
        held = dict(settings_of(base))
        runs = [_factors(run, base.process, held, light) for run in made.runs]
        plan = {
            "recipe": base.code,
            "revision": base.revision,
            "design": made.kind,
            "seed": seed,
            "factors": [{"name": f.name, "low": f.low, "high": f.high, "unit": f.unit} for f in chosen],
            "transmission_pct": light,
            "notes": list(made.notes),
        }
        named = number.strip() or window_studies.next_number(writer)
        window_studies.add_window_study(
            writer,
            number=named,
            title=title.strip() or f"Process window of {base.code} from revision {base.revision}",
            part_id=part.id,
            characteristic_id=pulled.id,
            plan=plan,
            runs=runs,
        )
        return load_study(conn, named)


def strength_of(found: Sequence[Characteristic], code: str | None) -> Characteristic:
    """The strength of that code, else the only one. Raises UsageError, UnknownRecord."""
    strengths = [c for c in found if c.strength]
    if code is None and len(strengths) == 1:
        return strengths[0]
    known = ", ".join(c.code for c in strengths) or "none"
    if code is None:
        raise UsageError(
            "Which strength is pulled is not clear.", f"Name it; strengths of the part: {known}."
        )
    for one in strengths:
        if one.code == code:
            return one
    raise UnknownRecord(f"The part has no strength {code!r}.", f"Strengths: {known}.")


def _design(
    factors: Sequence[Factor], design: str, centre_runs: int, repeats: int, seed: int, levels: int
) -> WindowPlan:
    if not factors:
        raise UsageError("No factors given.", "As in --factor power=180..220 --factor clamp_force=400..700.")
    more = {"centre_runs": centre_runs, "repeats": repeats, "seed": seed}
    if design == "face-centred":
        return plans.face_centred(factors, **more)
    if design == "box-behnken":
        return plans.box_behnken(factors, **more)
    if design == "full":
        return plans.full_factorial(factors, levels=levels, **more)
    if design == "fractional":
        return plans.fractional_factorial(factors, 1, **more)
    raise UsageError(f"{design!r} is no design.", f"Choose one of: {', '.join(DESIGNS)}.")


def _factors(
    run: plans.PlannedRun, process: str, held: Mapping[str, float], light: float | None
) -> dict[str, float | str]:
    """What is stored of a run: its factors and its kind. Raises UsageError for settings that give no weld."""
    settings, percent = settings_at(process, held, run.values, light)
    energy_budget(process, settings, percent)
    return {**run.values, "kind": run.kind}


def settings_at(
    process: str, held: Mapping[str, float], values: Mapping[str, float], light: float | None
) -> tuple[dict[str, float], float | None]:
    """Settings and transmission of a point of the study. A joint energy is reached by power: P = P_set E / E_set.

    Raises UsageError where the joint energy cannot be set for want of a transmission or of settings.
    """
    percent = values.get(TRANSMISSION, light)
    settings = {**held, **{k: v for k, v in values.items() if k not in OTHER_FACTORS}}
    wanted = values.get(JOINT_ENERGY)
    if wanted is not None:
        if percent is None:
            raise UsageError(
                "Energy at the joint cannot be set without a transmission.", "Give the transmission in %."
            )
        now = energy_budget(process, settings, percent).value("areal_joint")
        if not now:
            raise UsageError(
                "The settings give no energy at the joint.", "Add seam width and passes to the recipe."
            )
        settings["power"] = settings["power"] * wanted / now
    return settings, percent


# Reading.


def load_study(conn: Any, number: str) -> WindowStudy:
    """A window study with its runs. Raises UnknownRecord, also for a study of another kind."""
    study = lookups.study(conn, number)
    if study.kind != window_studies.KIND or study.part_id is None:
        raise UnknownRecord(f"Study {number} is no window study.", "List them: qualrec window list.")
    part = lookups.part_by_id(conn, study.part_id)
    plan = study.plan
    revision = lookups.recipe_revision(conn, str(plan["recipe"]), int(plan["revision"]))
    pulled = next(c for c in lookups.characteristics(conn, part.number) if c.id == study.characteristic_id)
    factors = tuple(Factor(f["name"], f["low"], f["high"], f["unit"]) for f in plan["factors"])
    light = plan.get("transmission_pct")
    held = settings_of(revision)
    runs = tuple(_run(r, factors, revision.process, held, light) for r in study_runs(conn, study.id))
    notes = tuple(str(one) for one in plan.get("notes", ()))
    return WindowStudy(study, part, pulled, revision, factors, str(plan["design"]), light, runs, notes)


def _run(
    run: StudyRun, factors: Sequence[Factor], process: str, held: Mapping[str, float], light: float | None
) -> WindowRun:
    values = {f.name: float(run.factors[f.name]) for f in factors}
    settings, percent = settings_at(process, held, values, light)
    energy = None if percent is None else energy_budget(process, settings, percent).value("areal_joint")
    section = {k: float(run.factors[f"section {k}"]) for k in SECTION if f"section {k}" in run.factors}
    return WindowRun(
        id=run.id,
        position=run.position,
        kind=run.factors.get("kind", ""),
        values=values,
        settings=settings,
        transmission_pct=percent,
        joint_energy=energy,
        strength=run.value,
        mode=run.mode,
        shares=run.factors.get("shares", ""),
        section=section,
        done_us=run.done_us,
        person=run.person,
    )


def window_study(session: Session, number: str) -> WindowStudy:
    """A window study with its runs. Raises UnknownRecord."""
    with session.store.read() as conn:
        return load_study(conn, number)


def window_studies_of(session: Session, part: str | None = None) -> tuple[WindowStudy, ...]:
    """All window studies, of one part or of all, newest first."""
    with session.store.read() as conn:
        part_id = None if part is None else lookups.part(conn, part).id
        found = lookups.studies(conn, kind=window_studies.KIND, part_id=part_id)
        return tuple(load_study(conn, study.number) for study in found)


# Entries.


@dataclass(frozen=True, slots=True)
class RunEntry:
    """What one run gave, as typed. `section` by the names of `SECTION`."""

    run: int
    strength: str
    mode: str
    shares: str = ""
    section: Mapping[str, str] | None = None


def enter_run(session: Session, number: str, entry: RunEntry, *, why: str = "") -> str:
    """Enter one run. Raises UsageError, AmbiguousNumber, Refused."""
    require(session.actor, "enter studies")
    with session.store.write(session.actor, session.plant.id) as writer:
        study = load_study(writer.conn, number)
        echo, changed = _enter(writer, study, entry, why)
        left = len(study.runs) - study.done - (1 if changed and not _was_done(study, entry.run) else 0)
    return f"Run {entry.run}: {echo}. {left} of {len(study.runs)} runs are open."


def _was_done(study: WindowStudy, run: int) -> bool:
    return any(one.position == run and one.done_us is not None for one in study.runs)


def _enter(writer: Writer, study: WindowStudy, entry: RunEntry, why: str) -> tuple[str, bool]:
    run = next((one for one in study.runs if one.position == entry.run), None)
    if run is None:
        raise UnknownRecord(
            f"Study {study.study.number} has no run {entry.run}.", f"Runs 1 to {len(study.runs)}."
        )
    mode = find_mode(entry.mode)
    unit = study.characteristic.unit
    strength: float | None = None
    echo = mode.value
    if entry.strength.strip():
        c = study.characteristic
        low = -math.inf if c.plausible_low is None else c.plausible_low
        high = math.inf if c.plausible_high is None else c.plausible_high
        understood = understand(entry.strength, unit, None, (low, high))
        strength = understood.value
        echo = f"{strength:g} {unit}, {mode.value}"
    split = read_shares(entry.shares) if entry.shares.strip() else None
    checked = check_shares(mode, split)
    more: dict[str, float | str] = {}
    if split is not None and checked is not None:
        more["shares"] = "/".join(f"{share:g}" for share in checked.as_tuple())
    for name, text in (entry.section or {}).items():
        if name not in SECTION:
            raise UsageError(f"A section has no measure {name!r}.", f"Measures: {', '.join(SECTION)}.")
        if text.strip():
            more[f"section {name}"] = understand(text, SECTION[name]).value
    changed = window_studies.enter_window_run(
        writer, run.id, value=strength, mode=mode.value, more=more, why=why
    )
    return echo, changed


def import_runs(session: Session, number: str, file: Path, *, why: str = "") -> tuple[str, ...]:
    """Take a CSV file of runs in, whole or not at all: columns run, strength, mode; shares and section measures if there.

    A file given twice changes nothing. Raises FileRefused with every problem by row and column, UsageError.
    """
    require(session.actor, "enter studies")
    problems: list[Problem] = []
    entered = same = 0
    with session.store.write(session.actor, session.plant.id) as writer:
        study = load_study(writer.conn, number)
        with open_table(file, Layout(wanted=("run", "strength", "mode"))) as table:
            for row in table.rows:
                if isinstance(row, Problem):
                    problems.append(row)
                    continue
                try:
                    _, changed = _enter(writer, study, _row_entry(table, row), why)
                except QualrecError as error:
                    said = f"{error.message} {error.remedy}".strip()
                    problems.append(Problem(said, file.name, row.number))
                else:
                    entered, same = entered + changed, same + (not changed)
        if problems or not entered + same:
            raise FileRefused(
                f"{file.name} was not taken; nothing was written.",
                tuple(problems) or (Problem("There is no run in it.", file.name),),
                "Correct the file and give it again.",
            )
        after = load_study(writer.conn, number)
    told = [f"{entered} runs entered from {file.name}."]
    if same:
        told.append(f"{same} runs were there already.")
    return (*told, f"{len(after.runs) - after.done} of {len(after.runs)} runs are open.")


def _row_entry(table: Table, row: Row) -> RunEntry:
    def text(name: str) -> str:
        at = table.column(name)
        return cell_text(row.cells[at]) if 0 <= at < len(row.cells) else ""

    try:
        position = int(text("run"))
    except ValueError as error:
        raise UsageError(f"Run {text('run')!r} is no number.", "Give the number of the run sheet.") from error
    section = {name: text(name.replace("_", " ")) or text(name) for name in SECTION}
    return RunEntry(position, text("strength"), text("mode"), text("shares"), section)


def withdraw_window(session: Session, number: str, *, why: str) -> str:
    """Withdraw a window study; it stays readable. Raises UnknownRecord, UsageError for a missing reason, Refused."""
    require(session.actor, "plan studies")
    with session.store.write(session.actor, session.plant.id) as writer:
        study = load_study(writer.conn, number)
        gauge_studies.withdraw_study(writer, study.study.id, why=why)
    return f"Study {number} withdrawn."
