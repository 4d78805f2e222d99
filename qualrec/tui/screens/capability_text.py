"""From a capability report to words and rows: the chain of evidence, the figures, the strength of the weld. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import isfinite
from statistics import NormalDist
from textwrap import wrap
from typing import TYPE_CHECKING

from qualrec.tui.labels import ANSWERS, DecimalStyle, Tone, count, cut, number, share, with_unit
from qualrec.tui.widgets.plot_shapes import IndexBar

if TYPE_CHECKING:
    from qualrec.assess import CapabilityReport, StrengthReport
    from qualrec.judge.evidence import Link
    from qualrec.stats.results import Index
    from qualrec.stats.strength import StrengthFit

Piece = tuple[str, Tone | None]
Line = list[Piece]

EDGES = {"yes": ("│", "|"), "unknown": ("┆", ":"), "no": (" ", " ")}
"""The left edge of a link: whole, doubtful, broken; with its ASCII equivalent."""

OPENS = {
    "gauge": "the gauges",
    "data": "what-if on the number of readings",
    "stability": "the chart",
    "shape": "the probability plot",
    "index": "all figures",
    "requirement": "what-if on the requirement",
}
"""What Enter opens for each link."""

STRENGTH_SENTENCE = (
    "Where the wall broke first, the weld is at least that strong. Plain figures say at what force the part "
    "fails, by weld or wall; survival figures say at what force the weld alone would fail."
)
COUNTED = "A counted characteristic has no distribution and no index: the share found is judged."
NAME_WIDTH, ANSWER_WIDTH = 12, 10
DETAIL_LINES = 2


def verdict(report: CapabilityReport, style: DecimalStyle, ascii_only: bool) -> tuple[str, Tone]:
    """The index with the remark it must carry, its bound, what is asked, and where the chain ends."""
    label = ANSWERS[report.answer]
    index = report.index
    parts = []
    if isfinite(index.value):
        remark = f" ({report.remark})" if report.remark else ""
        bound = number(index.bound, 2, style) if isfinite(index.bound) else "none"
        parts.append(f"{index.name} {number(index.value, 2, style)}{remark}, lower bound {bound}")
    elif report.share is not None:
        parts.append(
            f"share {share(report.share.share, style)}, upper bound {share(report.share.upper.value, style)}"
        )
    else:
        parts.append("no index")
    if report.evidence.requirement is not None and isfinite(index.value):
        parts.append(f"required {number(report.evidence.requirement, 2, style)}")
    weak = [link.name for link in report.chain.links if link.answer == report.answer]
    parts.append("every link holds" if report.answer == "yes" else f"ends at {', '.join(weak)}")
    return f"{label.text(ascii_only)}   {'   '.join(parts)}", label.tone


def how(report: CapabilityReport) -> str:
    """From how many readings and lots, by which estimator, the bound by which method."""
    counts = f"n {report.readings} in {count(report.lots, 'lot', 'lots')}"
    method = report.index.method if isfinite(report.index.value) else report.refusal
    return f"{counts}; {method}" if method else counts


def chain_lines(
    links: Sequence[Link], selected: int, width: int, *, roomy: bool, ascii_only: bool
) -> tuple[list[Line], list[int]]:
    """The links as lines of pieces, and for each line the number of its link (-1: none).

    Roomy: the reason stands in full under each link. Else one line for a link, and the reason of the selected one in
    full below all.
    """
    lines: list[Line] = []
    owners: list[int] = []
    for at, link in enumerate(links):
        label = ANSWERS[link.answer]
        edge = EDGES[link.answer][ascii_only]
        mark = (">" if ascii_only else "▸") if at == selected else " "
        head: Line = [
            (f"{edge}{mark}", label.tone),
            (f"{label.text(ascii_only):<{ANSWER_WIDTH}}", label.tone),
            (f"{link.name:<{NAME_WIDTH}}", None),
        ]
        left = 2 + ANSWER_WIDTH + NAME_WIDTH
        if roomy:
            lines.append([*head[:2], (link.question, None)])
            owners.append(at)
            for part in wrap(link.why, max(20, width - 6)):
                lines.append([(f"{edge}     ", label.tone), (part, Tone.QUIET)])
                owners.append(at)
        else:
            lines.append([*head, (cut(link.why, width - left, ascii_only), Tone.QUIET)])
            owners.append(at)
    below = link_lines(links[selected], width, whole=not roomy)
    return [*lines, *([(text, tone)] for text, tone in below)], [*owners, *([-1] * len(below))]


def link_lines(link: Link, width: int, *, whole: bool) -> list[Piece]:
    """The selected link: its reason if `whole`, and as room allows by which rule it is judged and what Enter opens."""
    foot = f"Judged by: {link.source}. " if link.source else ""
    foot += f"Enter: {OPENS[link.name]}."
    lines: list[Piece] = []
    if whole:
        lines += [(part, None) for part in wrap(link.why, max(20, width))[:DETAIL_LINES]]
        if len(lines) < DETAIL_LINES:
            lines.append((cut(foot, width), Tone.QUIET))
    else:
        lines += [("", None), *((part, Tone.QUIET) for part in wrap(foot, max(20, width)))]
    return lines


def bars(report: CapabilityReport, style: DecimalStyle) -> list[IndexBar]:
    """The judged index against what is asked of it; none where there is no index."""
    index, evidence = report.index, report.evidence
    if not isfinite(index.value):
        return []

    def figure(value: float) -> str:
        return number(value, 2, style)

    asked = "asked of the bound" if evidence.by_bound else "asked of the index"
    lower = index.bound if isfinite(index.bound) else None
    return [IndexBar(index.name, index.value, lower, evidence.requirement, figure, requirement_name=asked)]


def figure_lines(report: CapabilityReport, style: DecimalStyle, width: int) -> list[str]:
    """All indices with n, lots, estimator and bound, then what must be known about them."""
    lines: list[str] = []
    if report.remark:
        lines += [f"Every index here carries: {report.remark}.", ""]
    if isfinite(report.index.value):
        bound = number(report.index.bound, 2, style)
        value = number(report.index.value, 2, style)
        lines += [f"Judged: {report.index.name} {value}, lower bound {bound}, by {report.index.method}.", ""]
    found, percent = report.capability, report.shape.percentiles if report.shape is not None else None
    if found is not None:
        unit, decimals = report.characteristic.unit, report.characteristic.decimals + 1
        lines += [
            f"mean {with_unit(found.mean, unit, decimals, style)}   s of all "
            f"{number(found.sd_overall, decimals, style)}   s in lots {number(found.sd_within, decimals, style)}",
            f"between lots: {share(found.between_share, style)} of the variance",
            "",
            f"{'index':<6}{'value':>7}{'bound':>8}{'n':>6}{'lots':>6}  sigma",
        ]
        if percent is not None:
            lines += [
                "by percentiles of the shape, bounds lowered as the lots ask:",
                *_indices(percent.indices, style),
            ]
            lines.append("by the normal shape, which is contradicted, to compare only:")
        indices = (*found.within, *found.overall)
        lines += [*_indices(indices, style), ""]
        for method in dict.fromkeys(i.bound.method for i in indices):
            names = ", ".join(i.name for i in indices if i.bound.method == method)
            lines.append(f"Bound of {names}: {method}.")
    if report.share is not None:
        lines += [share_words(report, style), *report.share.notes]
    if report.refusal:
        lines.append(report.refusal)
    if report.needed_n is not None:
        lines.append(f"To show the requirement at this index: {report.needed_n} independent readings.")
    if report.needed_lots is not None:
        lines.append(f"Or {report.needed_lots} lots like these.")
    lines += ["", *report.sentences]
    return [part for line in lines for part in (wrap(line, width) if len(line) > width else [line])]


def _indices(indices: Iterable[Index], style: DecimalStyle) -> list[str]:
    return [
        f"{i.name:<6}{number(i.value, 2, style):>7}{number(i.bound.value, 2, style):>8}{i.n:>6}{i.k:>6}  {i.estimator}"
        for i in indices
    ]


def share_words(report: CapabilityReport, style: DecimalStyle) -> str:
    """The share of a counted characteristic with its exact upper bound."""
    found = report.share
    if found is None:
        return "There are no counts."
    return (
        f"{found.failures} of {found.n} in {count(found.lots, 'lot', 'lots')}: {share(found.share, style)}; "
        f"with 95 % confidence under {share(found.upper.value, style)} ({found.upper.method})."
    )


def strength_lines(report: CapabilityReport, style: DecimalStyle, width: int) -> list[str]:
    """Survival figures beside the plain ones, the sentence that explains the difference, the interfacial share."""
    found, c = report.strength, report.characteristic
    if found is None:
        return ["No pull of this characteristic has a failure mode yet."]
    heads = [f"weld, {name}" for name in found.fits]
    lines = [*wrap(STRENGTH_SENTENCE, width), ""]
    rows = [(c.unit, "plain", heads), *_strength_rows(found, c.lsl, c.decimals, style)]
    lines += [
        f"{label:<14}{plain:>10}" + "".join(f"{text:>16}" for text in texts) for label, plain, texts in rows
    ]
    lines += [f"No {name} fit: {fit}" for name, fit in found.fits.items() if isinstance(fit, str)]
    modes = ", ".join(f"{n} {mode}" for mode, n in found.modes.items())
    inter = found.interfacial
    lines += [
        "",
        f"Interfacial: {inter.failures} of {inter.n} pulls, {share(inter.share, style)}; with 95 % confidence under "
        f"{number(100 * inter.upper.value, 2, style)} % ({inter.upper.method}).",
        *inter.notes,
        f"Breaks: {modes}.",
    ]
    if isfinite(found.interfacial_area_pct):
        lines.append(
            f"Interfacial area: {number(found.interfacial_area_pct, 1, style)} % of the joint on average."
        )
    lines += found.notes
    for factor in report.weld_factors:
        lines += ["", *factor.sentences]
    return [part for line in lines for part in (wrap(line, width) if len(line) > width else [line])]


def _strength_rows(
    found: StrengthReport, lsl: float | None, decimals: int, style: DecimalStyle
) -> list[tuple[str, str, list[str]]]:
    """Label, the plain figure (percentiles of a normal shape), the figure of each fit with its 95 % interval."""
    fits = list(found.fits.values())
    rows = [
        ("broke", f"{found.n}", ["-" if isinstance(f, str) else f"{f.failures} at the weld" for f in fits]),
        ("lowest", number(found.lowest, decimals, style), []),
    ]
    for part in (0.5, 0.1, 0.01, 0.001):
        plain = found.mean + NormalDist().inv_cdf(part) * found.sd
        texts = [_percentile(fit, part, style) for fit in fits]
        rows.append((f"{number(100 * part, None, style)} % below", number(plain, 0, style), texts))
    if lsl is not None:
        texts = [
            "-" if isinstance(f, str) else f"{number(100 * f.fit.share_below(lsl), 3, style)} %" for f in fits
        ]
        counted = f"{int((found.values < lsl).sum())} of {found.n}"
        rows.append((f"under {number(lsl, decimals, style)}", counted, texts))
    return rows


def _percentile(fit: StrengthFit | str, part: float, style: DecimalStyle) -> str:
    if isinstance(fit, str):
        return "-"
    found = next(p for p in fit.percentiles if p.share == part)
    ends = f"{number(found.interval.low, 0, style)}-{number(found.interval.high, 0, style)}"
    return f"{number(found.value, 0, style)} {ends}"
