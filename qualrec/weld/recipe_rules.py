"""Rules of thumb held against a recipe: what is not usual, each remark with the rule's own words and source.

None of them is a limit: the recipe is proven by its window study.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from qualrec.errors import UsageError
from qualrec.weld.energy import energy_budget
from qualrec.weld.settings import SETTINGS, Process, find_process, implausible_settings
from qualrec.weld.trade_rules import RuleOfThumb, find_rule

if TYPE_CHECKING:
    from collections.abc import Mapping

    from qualrec.weld.polymers import Grade

PLAUSIBLE = "range of the table of plausible values; a judgement made for this program, editable"

SETTING_RULES: Mapping[Process, Mapping[str, str]] = {
    Process.CONTOUR: {"power": "contour_power", "speed": "contour_speed"},
    Process.QUASI_SIMULTANEOUS: {"power": "quasi_power", "speed": "quasi_speed"},
    Process.SIMULTANEOUS: {"laser_time": "simultaneous_time"},
    Process.MASK: {"power": "mask_power", "speed": "mask_speed"},
}
"""Setting -> rule, for settings whose usual range depends on the process."""

COMMON_RULES: Mapping[str, tuple[str, ...]] = {
    "set_path": ("interference", "collapse_least"),
    "hold_time": ("hold_time",),
    "wavelength": ("wavelength_band",),
}
"""Setting -> rules that hold for each process that has it."""

FIGURE_RULES: Mapping[Process, Mapping[str, str]] = {
    Process.CONTOUR: {"line_per_pass": "contour_line_energy", "joint_pressure": "clamp_film"},
    Process.QUASI_SIMULTANEOUS: {
        "laser_time": "quasi_time",
        "revisit_time": "revisit_time",
        "joint_pressure": "clamp_set_path",
    },
    Process.SIMULTANEOUS: {"joint_pressure": "clamp_set_path"},
    Process.MASK: {"joint_pressure": "clamp_film"},
}
"""Computed figure -> rule."""

GAPS: Mapping[tuple[str, bool], str] = {
    ("PC", False): "gap_bridged_pc",
    ("PA6", False): "gap_bridged_pa6",
    ("PA6", True): "gap_bridged_pa6_gf30",
}
"""Family of the upper polymer and whether it holds glass -> largest gap bridged in contour welding."""


@dataclass(frozen=True, slots=True)
class JointParts:
    """What is known of the parts that a recipe welds; None: not known."""

    upper: Grade | None = None
    thickness_mm: float | None = None
    transmission_pct: float | None = None
    absorber_pct: float | None = None


@dataclass(frozen=True, slots=True)
class RecipeRemark:
    """One rule that a recipe does not keep (`level` 'warning') or that is worth knowing ('note')."""

    rule: str
    level: str
    sentence: str
    source: str
    how_obtained: str


@dataclass(slots=True)
class _Remarks:
    found: list[RecipeRemark] = field(default_factory=list)

    def hold(self, name: str, label: str, value: float | None) -> None:
        """Remark where a value lies outside a rule; each rule once."""
        rule = find_rule(name)
        if value is None or rule.holds(value) or any(one.rule == name for one in self.found):
            return
        sentence = f"{label} {value:.4g} {rule.unit}: usual is {_ends(rule)}. {rule.text}"
        self.found.append(RecipeRemark(name, "warning", sentence, rule.source, rule.how_obtained))

    def note(self, name: str, sentence: str) -> None:
        rule = find_rule(name)
        self.found.append(RecipeRemark(name, "note", sentence, rule.source, rule.how_obtained))


def recipe_remarks(
    process: Process | str, settings: Mapping[str, float], parts: JointParts | None = None
) -> tuple[RecipeRemark, ...]:
    """What is not plausible or not usual about settings and parts, warnings before notes.

    `settings` by name in the units of the process. Settings that cannot be computed are remarked by `energy_budget` alone.
    Raises UsageError for an unknown process.
    """
    kind, known = find_process(process), parts or JointParts()
    remarks = _Remarks()
    for text in implausible_settings(kind, settings):
        remarks.found.append(RecipeRemark("plausible range", "warning", text, PLAUSIBLE, "judgement"))
    usual = {s.name for s in SETTINGS[kind] if s.low <= settings.get(s.name, s.low) <= s.high}
    for name, rule in SETTING_RULES[kind].items():
        if name in usual:
            remarks.hold(rule, name.replace("_", " "), settings.get(name))
    for name, rules in COMMON_RULES.items():
        for rule in rules if name in usual else ():
            remarks.hold(rule, name.replace("_", " "), settings.get(name))
    _figures(kind, settings, remarks)
    _optics(kind, known, remarks)
    remarks.hold("absorber_loading", "absorber of the lower part", known.absorber_pct)
    if kind is Process.CONTOUR and known.upper is not None:
        gap = GAPS.get((known.upper.polymer.family, known.upper.glass_pct > 0.0))
        if gap is not None:
            rule_of_gap = find_rule(gap)
            remarks.note(gap, f"{rule_of_gap.text[:-1]}: {rule_of_gap.high:g} {rule_of_gap.unit}.")
    return tuple(sorted(remarks.found, key=lambda one: one.level == "note"))


def _figures(process: Process, settings: Mapping[str, float], remarks: _Remarks) -> None:
    try:
        budget = energy_budget(process, settings, None)
    except UsageError:
        return
    for name, rule in FIGURE_RULES[process].items():
        figure = budget.get(name)
        if figure is not None:
            remarks.hold(rule, figure.label, figure.value)


def _optics(process: Process, parts: JointParts, remarks: _Remarks) -> None:
    percent = parts.transmission_pct
    if percent is not None:
        least, comfortable = find_rule("transmission_least"), find_rule("transmission_comfortable")
        if process is Process.CONTOUR:
            remarks.hold("transmission_contour", "transmission", percent)
        elif percent < (least.low or 0.0):
            _below(least, percent, remarks)
        elif percent < (comfortable.low or 0.0):
            _below(comfortable, percent, remarks)
    if parts.upper is not None and parts.upper.polymer.semicrystalline:
        remarks.hold("upper_thickness_semicrystalline", "upper part", parts.thickness_mm)


def _below(rule: RuleOfThumb, percent: float, remarks: _Remarks) -> None:
    sentence = f"Transmission {percent:.3g} % is below {rule.low:g} %. {rule.text}"
    remarks.found.append(RecipeRemark(rule.rule, "warning", sentence, rule.source, rule.how_obtained))


def _ends(rule: RuleOfThumb) -> str:
    if rule.low is None:
        return f"{rule.high:g} {rule.unit} or less"
    if rule.high is None:
        return f"{rule.low:g} {rule.unit} or more"
    return (
        f"{rule.low:g} {rule.unit}" if rule.low == rule.high else f"{rule.low:g} to {rule.high:g} {rule.unit}"
    )
