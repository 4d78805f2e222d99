"""A window study judged: fit, map, proposed set point, what it proves; and the draft of a recipe revision that comes of it.

What a set point proves: its transmission, energy at the joint, clamp force and set path, each between the edges of the
window with the other factors held. Of several factors that move the energy the narrower room counts. Energy goes with
transmission and power, so a transmission range follows from the energy range where transmission was no factor itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from qualrec import __version__
from qualrec.errors import ComputeError, Refused, UsageError
from qualrec.intake.numbers import parse_number
from qualrec.judge.windows import AREAL, settings_of
from qualrec.records import lookups, registry
from qualrec.records.registry import gauge_studies
from qualrec.values import RecipeRevision, RecipeSetting, Window
from qualrec.weld.energy import energy_budget
from qualrec.weld.failure_modes import Shares, find_mode
from qualrec.weld.settings import SETTINGS, find_process
from qualrec.weld.window import (
    Margin,
    RegionMap,
    SetPoint,
    WindowFit,
    WindowRule,
    fit_window,
    map_region,
    propose_set_point,
    set_point_at,
)
from qualrec.work.bench import read_shares
from qualrec.work.rights import require
from qualrec.work.session import Session
from qualrec.work.window_plan import (
    JOINT_ENERGY,
    OTHER_FACTORS,
    TRANSMISSION,
    WindowStudy,
    load_study,
    settings_at,
)

ENERGY_FACTORS = frozenset({"power", "speed", "passes", "laser_time", TRANSMISSION, JOINT_ENERGY})
"""Factors that move the energy at the joint."""
METHOD = (
    "quadratic least squares of strength, one-sided prediction bound; interfacial failure by logistic regression with "
    "Firth's penalty; set point farthest from every edge of the region (NIST e-Handbook 5)"
)
MAP_STEPS = 41


@dataclass(frozen=True, slots=True)
class WindowReport:
    """A fitted window study. `point` None: `refusal` says why there is none. `windows`: what the set point proves."""

    study: WindowStudy
    rule: WindowRule
    fit: WindowFit
    maps: tuple[RegionMap, ...]
    point: SetPoint | None
    refusal: str
    windows: tuple[Window, ...]
    notes: tuple[str, ...]
    order: str


def fit_study(
    session: Session,
    number: str,
    *,
    least: float | None = None,
    most_interfacial: float = 0.05,
    level: float = 0.95,
    mean: bool = False,
    order: str = "quadratic",
    at: Mapping[str, float] | None = None,
) -> WindowReport:
    """Fit a window study and look for its set point; nothing is stored.

    `least`: required strength, the lower specification limit if left out. `at`: a set point of one's own, by factor;
    factors not named stand at the proposed point. Raises UsageError, ComputeError, UnknownRecord.
    """
    with session.store.read() as conn:
        study = load_study(conn, number)
    return report_of(study, least, most_interfacial, level, mean, order, at)


def kept_report(study: WindowStudy) -> WindowReport:
    """The report by the rule and the set point that were kept with an analysed study, else by the usual ones.

    Raises what `fit_study` raises.
    """
    kept = study.study.analysis
    rule = kept.get("rule", {})
    return report_of(
        study,
        rule.get("least"),
        rule.get("most_interfacial", 0.05),
        rule.get("level", 0.95),
        not rule.get("single_pull", True),
        kept.get("order", "quadratic"),
        kept.get("set_point"),
    )


def report_of(
    study: WindowStudy,
    least: float | None,
    most_interfacial: float,
    level: float,
    mean: bool,
    order: str,
    at: Mapping[str, float] | None,
) -> WindowReport:
    """The report of a loaded study; see `fit_study`."""
    wanted = study.characteristic.lsl if least is None else least
    if wanted is None:
        raise UsageError("What strength is required is not known.", "Give it: --least.")
    rule = WindowRule(wanted, most_interfacial, level, single_pull=not mean)
    fit = _fit(study, order)
    point, refusal = _point(fit, rule, at)
    held = None if point is None else point.values
    names = [f.name for f in study.factors]
    pairs = [(a, b) for i, a in enumerate(names) for b in names[i + 1 :]]
    maps = tuple(map_region(fit, rule, a, b, held, steps=MAP_STEPS) for a, b in pairs)
    windows = () if point is None else proven(study, point)
    open_runs = len(study.runs) - study.done
    notes = list(study.notes)
    if open_runs:
        notes.append(f"{open_runs} of {len(study.runs)} runs are open.")
    notes += fit.notes if point is None else point.notes
    return WindowReport(study, rule, fit, maps, point, refusal, windows, tuple(notes), order)


def _fit(study: WindowStudy, order: str) -> WindowFit:
    runs = [run for run in study.runs if run.done_us is not None]
    if not runs:
        raise ComputeError(f"Study {study.study.number} has no runs yet.", "Enter what the runs gave.")
    values = np.array([[run.values[f.name] for f in study.factors] for run in runs])
    strength = np.array([np.nan if run.strength is None else run.strength for run in runs])
    shares: list[Shares | None] = [read_shares(run.shares) if run.shares else None for run in runs]
    return fit_window(
        study.factors, values, strength, [find_mode(run.mode) for run in runs], shares, strength_order=order
    )


def _point(fit: WindowFit, rule: WindowRule, at: Mapping[str, float] | None) -> tuple[SetPoint | None, str]:
    try:
        if at is None:
            return propose_set_point(fit, rule), ""
        if set(at) != {f.name for f in fit.factors}:
            return set_point_at(fit, rule, {**propose_set_point(fit, rule).values, **at}), ""
        return set_point_at(fit, rule, at), ""
    except ComputeError as error:
        return None, f"{error.message} {error.remedy}".strip()


def read_points(text: str) -> dict[str, float] | None:
    """'power=205, clamp_force=550'; None for an empty text. Raises UsageError, AmbiguousNumber."""
    found: dict[str, float] = {}
    for piece in text.replace(";", ", ").split(", "):
        if not piece.strip():
            continue
        name, sign, value = piece.partition("=")
        if not sign:
            raise UsageError(f"{piece.strip()!r} is not FACTOR=VALUE.", "As in power=205, clamp_force=550.")
        found[name.strip().replace("-", "_").replace(" ", "_")] = parse_number(value).value
    return found or None


def proven(study: WindowStudy, point: SetPoint) -> tuple[Window, ...]:
    """The qualified ranges that a set point proves, each with the words how."""
    margins = {m.factor: m for m in point.margins}
    found: list[Window] = []
    energy = _energy_window(study, point, margins)
    if energy is not None:
        found.append(energy)
    if TRANSMISSION in margins:
        found.append(_direct("transmission", margins[TRANSMISSION]))
    elif energy is not None:
        follows = _from_energy(study, point, energy)
        if follows is not None:
            found.append(follows)
    for factor, quantity in (("clamp_force", "clamp force"), ("set_path", "collapse")):
        if factor in margins:
            found.append(_direct(quantity, margins[factor]))
    return tuple(found)


def _direct(quantity: str, margin: Margin) -> Window:
    ends = [
        word
        for word, edge in (("lower", margin.low_is_study_edge), ("upper", margin.high_is_study_edge))
        if edge
    ]
    edge = f"; {' and '.join(ends)} end is that of the study" if ends else ""
    return Window(
        quantity, _round(margin.low), _round(margin.high), margin.unit, f"factor of the study{edge}"
    )


def _energy_at(study: WindowStudy, values: Mapping[str, float]) -> float | None:
    held = settings_of(study.revision)
    settings, percent = settings_at(study.revision.process, held, values, study.transmission_pct)
    if percent is None:
        return None
    return energy_budget(study.revision.process, settings, percent).value("areal_joint")


def _energy_window(study: WindowStudy, point: SetPoint, margins: Mapping[str, Margin]) -> Window | None:
    """Energy at the joint between the edges of each factor that moves it, the narrower room of several."""
    ends = []
    for name in sorted(ENERGY_FACTORS & margins.keys()):
        both = [
            _energy_at(study, {**point.values, name: end}) for end in (margins[name].low, margins[name].high)
        ]
        known = [value for value in both if value is not None]
        if len(known) == 2:
            ends.append((min(known), max(known), name))
    if not ends:
        return None
    low, high = max(e[0] for e in ends), min(e[1] for e in ends)
    if not low < high:
        return None
    moved = ", ".join(e[2].replace("_", " ") for e in ends)
    return Window("joint energy", _round(low), _round(high), AREAL, f"by {moved}")


def _from_energy(study: WindowStudy, point: SetPoint, energy: Window) -> Window | None:
    now, light = _energy_at(study, point.values), study.transmission_pct
    if not now or light is None or energy.low is None or energy.high is None:
        return None
    low, high = light * energy.low / now, min(100.0, light * energy.high / now)
    return Window(
        "transmission",
        _round(low),
        _round(high),
        "%",
        "follows from the energy at the joint at this set point",
    )


def _round(value: float) -> float:
    """Four significant digits: more would pretend."""
    return float(f"{value:.4g}")


def choose_set_point(
    session: Session,
    number: str,
    *,
    reason: str,
    least: float | None = None,
    most_interfacial: float = 0.05,
    level: float = 0.95,
    mean: bool = False,
    order: str = "quadratic",
    at: Mapping[str, float] | None = None,
) -> tuple[WindowReport, RecipeRevision]:
    """Keep the analysis, and draft a recipe revision at the set point with what it proves as qualified windows.

    The draft starts from the revision of the study; a machine range of a factor becomes its room in the window. Somebody
    else approves it. The study takes no entries from then on. Raises Refused where no point meets the rule or the chosen one
    does not, or runs are open; UsageError, ComputeError.
    """
    require(session.actor, "draft recipes")
    if not reason.strip():
        raise UsageError("A set point is chosen with a reason.", "Say why, in words: --reason.")
    with session.store.write(session.actor, session.plant.id) as writer:
        study = load_study(writer.conn, number)
        report = report_of(study, least, most_interfacial, level, mean, order, at)
        point = report.point
        if point is None:
            raise Refused(
                f"No set point is chosen. {report.refusal}", "Extend the study or choose another point."
            )
        if study.done < len(study.runs):
            raise Refused(
                f"{len(study.runs) - study.done} runs of study {number} are open.",
                "Enter them, as a test fault where a run gave no strength.",
            )
        asked = f"strength at least {report.rule.min_strength:g} {study.characteristic.unit}"
        proof = f"window study {study.study.number}, {study.done} runs, {asked}"
        windows = [Window(w.quantity, w.low, w.high, w.unit, f"{proof}; {w.proof}") for w in report.windows]
        settings = _settings(study, point)
        gauge_studies.keep_analysis(
            writer,
            study.study.id,
            analysis=analysis_of(report),
            method=METHOD,
            version=__version__,
            verdict="set point chosen",
        )
        why = f"{reason.strip()} (window study {study.study.number})"
        made = registry.add_recipe_revision(
            writer, study.revision.recipe_id, settings=settings, windows=windows, reason=why
        )
        drafted = lookups.recipe_revision_by_id(writer.conn, made)
    return report, drafted


def _settings(study: WindowStudy, point: SetPoint) -> list[RecipeSetting]:
    """Settings of the study's revision with those of the set point; the range of a factor is its room in the window."""
    process = study.revision.process
    units = {s.name: s.unit for s in SETTINGS[find_process(process)]}
    at, _ = settings_at(process, settings_of(study.revision), point.values, study.transmission_pct)
    rooms = {m.factor: m for m in point.margins if m.factor not in OTHER_FACTORS}
    energy = next((m for m in point.margins if m.factor == JOINT_ENERGY), None)
    found = []
    for held in study.revision.settings:
        value = at[held.name]
        if held.name in rooms:
            room = rooms[held.name]
            found.append(
                RecipeSetting(held.name, _round(value), units[held.name], _round(room.low), _round(room.high))
            )
        elif held.name == "power" and energy is not None:
            share = value / energy.set_value
            ends = (_round(share * energy.low), _round(share * energy.high))
            found.append(RecipeSetting("power", _round(value), units["power"], *ends))
        else:
            found.append(RecipeSetting(held.name, value, units[held.name], held.low, held.high))
    known = {s.name for s in found}
    found += [
        RecipeSetting(name, _round(at[name]), units[name], _round(room.low), _round(room.high))
        for name, room in rooms.items()
        if name not in known
    ]
    return [_inside(one) for one in found]


def _inside(s: RecipeSetting) -> RecipeSetting:
    """The setting with a range that surely holds its value: rounding may not put the value outside."""
    low = None if s.low is None else min(s.low, s.value)
    high = None if s.high is None else max(s.high, s.value)
    return RecipeSetting(s.name, s.value, s.unit, low, high)


def analysis_of(report: WindowReport) -> dict[str, object]:
    """The analysis as it is kept with the study."""
    fit, point = report.fit, report.point
    kept: dict[str, object] = {
        "rule": {
            "least": report.rule.min_strength,
            "most_interfacial": report.rule.max_interfacial,
            "level": report.rule.level,
            "single_pull": report.rule.single_pull,
        },
        "order": report.order,
        "coefficients": dict(zip(fit.strength.terms, fit.strength.coefficients.tolist(), strict=True)),
        "sigma": fit.strength.sigma,
        "df": fit.strength.df,
        "r_squared": fit.strength.r_squared,
        "lack_of_fit_p": fit.strength.lack_of_fit_p,
        "mode_coefficients": dict(
            zip(fit.interfacial.terms, fit.interfacial.coefficients.tolist(), strict=True)
        ),
        "interfacial": fit.interfacial.failures,
        "n": fit.interfacial.n,
    }
    if point is not None:
        kept["set_point"] = dict(point.values)
        kept["strength_lower"] = point.strength_lower
        kept["interfacial_at"] = point.interfacial
        kept["margins"] = [[m.factor, m.low, m.high] for m in point.margins]
        kept["windows"] = [[w.quantity, w.low, w.high, w.unit] for w in report.windows]
    return kept
