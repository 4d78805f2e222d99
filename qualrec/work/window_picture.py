"""The map of a window study in plain lines, for a terminal and for text: what meets the rule, what does not and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from qualrec.weld.failure_modes import FailureMode
from qualrec.weld.window import RegionMap
from qualrec.work.window_study import WindowReport

INSIDE, WEAK, INTERFACIAL, BOTH = "█", "·", "i", "b"
"""Signs of the map: meets the rule; strength bound too low; interfacial failure too likely; both."""
SET_POINT, RUN, FAILED_RUN = "◆", "o", "x"
PLAIN = {INSIDE: "#", WEAK: ".", SET_POINT: "@"}
"""The same without signs beyond ASCII."""
GUTTER = 10


@dataclass(frozen=True, slots=True)
class MapPicture:
    """One map: a title, its lines, and what its signs mean."""

    title: str
    lines: tuple[str, ...]
    legend: tuple[str, ...]

    @property
    def all_lines(self) -> tuple[str, ...]:
        return (self.title, *self.lines, *self.legend)


def map_picture(
    report: WindowReport, region: RegionMap, *, rows: int = 15, ascii_only: bool = False
) -> MapPicture:
    """A slice of the window over two factors. `rows`: lines of the map; its columns are the steps of the region.

    The set point and the runs of the slice stand on top of the field; an interfacial run is never hidden by another.
    """
    steps = region.x_values.size
    picked = np.linspace(0, region.y_values.size - 1, rows).round().astype(int)
    weak = region.strength_lower < report.rule.min_strength
    likely = (
        region.interfacial > report.rule.max_interfacial
        if not report.rule.bound_on_mode
        else ~region.inside & ~weak
    )
    field = [
        [_sign(bool(region.inside[y, x]), bool(weak[y, x]), bool(likely[y, x])) for x in range(steps)]
        for y in picked
    ]
    for x, y, sign in _marks(report, region, rows):
        field[y][x] = sign
    lines = []
    for at in reversed(range(rows)):
        label = f"{region.y_values[picked[at]]:.4g}" if at in (0, rows // 2, rows - 1) else ""
        lines.append(f"{label:>{GUTTER - 2}} |{''.join(field[at])}")
    lines.append(f"{'':>{GUTTER - 2}} +{'-' * steps}")
    low, mid, high = (f"{region.x_values[at]:.4g}" for at in (0, steps // 2, steps - 1))
    between = steps - len(low) - len(high)
    lines.append(f"{'':>{GUTTER}}{low}{mid:^{max(1, between)}}{high}")
    held = ", ".join(f"{name.replace('_', ' ')} {value:.4g}" for name, value in region.held.items())
    x_name, y_name = (f"{f.name.replace('_', ' ')} ({f.unit})" for f in (region.x, region.y))
    title = f"{y_name} up, {x_name} across" + (f"; held: {held}" if held else "")
    legend = (
        f"{INSIDE} meets the rule   {WEAK} strength bound under {report.rule.min_strength:g}   "
        f"{INTERFACIAL} interfacial over {100 * report.rule.max_interfacial:g} %   {BOTH} both",
        f"{SET_POINT} set point   {RUN} run   {FAILED_RUN} interfacial run   "
        f"{100 * region.share_inside:.0f} % of this slice meets the rule",
    )
    if ascii_only:
        lines, title = [_plain(line) for line in lines], _plain(title)
        legend = tuple(_plain(line) for line in legend)  # type: ignore[assignment]
    return MapPicture(title, tuple(lines), legend)


def _plain(text: str) -> str:
    for sign, other in PLAIN.items():
        text = text.replace(sign, other)
    return text


def _sign(inside: bool, weak: bool, likely: bool) -> str:
    if inside:
        return INSIDE
    return BOTH if weak and likely else WEAK if weak else INTERFACIAL


def _marks(report: WindowReport, region: RegionMap, rows: int) -> list[tuple[int, int, str]]:
    """Column, row and sign of the runs that lie in the slice, interfacial ones last, and of the set point."""
    steps = region.x_values.size
    marks = []
    for run in report.study.runs:
        if run.done_us is None or any(
            abs(run.values[name] - value) > 0.1 * half
            for name, value in region.held.items()
            for half in [next(f.half_range for f in report.fit.factors if f.name == name)]
        ):
            continue
        sign = FAILED_RUN if run.mode == FailureMode.INTERFACIAL else RUN
        marks.append(
            (*_place(region, run.values[region.x.name], run.values[region.y.name], steps, rows), sign)
        )
    marks.sort(key=lambda mark: mark[2] == FAILED_RUN)
    if report.point is not None:
        values = report.point.values
        marks.append((*_place(region, values[region.x.name], values[region.y.name], steps, rows), SET_POINT))
    return marks


def _place(region: RegionMap, x: float, y: float, steps: int, rows: int) -> tuple[int, int]:
    across = 0.5 * (region.x.coded(x) + 1.0) * (steps - 1)
    up = 0.5 * (region.y.coded(y) + 1.0) * (rows - 1)
    return min(steps - 1, max(0, round(across))), min(rows - 1, max(0, round(up)))


def report_lines(report: WindowReport) -> tuple[str, ...]:
    """The fit, the set point with its room, and what it proves, in sentences."""
    s, m, unit = report.fit.strength, report.fit.interfacial, report.study.characteristic.unit
    what = "one more pull" if report.rule.single_pull else "the mean"
    lines = [
        f"{m.n} pulls, {m.failures} interfacial; scatter about the surface {s.sigma:.3g} {unit} with {s.df} degrees of "
        f"freedom, R² {s.r_squared:.3f}"
        + ("" if s.lack_of_fit_p is None else f", lack of fit p {s.lack_of_fit_p:.3f}"),
        f"Asked: {100 * report.rule.level:g} % lower bound of {what} at least {report.rule.min_strength:g} {unit}, chance "
        f"of interfacial failure at most {100 * report.rule.max_interfacial:g} %.",
    ]
    point = report.point
    if point is None:
        return (*lines, report.refusal, *report.notes)
    values = ", ".join(f"{k.replace('_', ' ')} {v:.4g}" for k, v in point.values.items())
    lines += [
        f"Set point: {values}: strength {point.strength:.4g} {unit}, lower bound {point.strength_lower:.4g}; interfacial "
        f"{100 * point.interfacial:.2g} % (up to {100 * point.interfacial_upper:.2g} %).",
    ]
    for g in point.margins:
        edges = ["study ends here" if edge else "" for edge in (g.low_is_study_edge, g.high_is_study_edge)]
        low, high = (
            f"{v:.4g}" + (f" ({e})" if e else "") for v, e in zip((g.low, g.high), edges, strict=True)
        )
        lines.append(f"  {g.factor.replace('_', ' ')}: from {low} to {high} {g.unit}, the others held")
    if report.windows:
        lines.append("It proves:")
        lines += [f"  {w.quantity} {w.low:g} to {w.high:g} {w.unit} ({w.proof})" for w in report.windows]
    return (*lines, *report.notes)
