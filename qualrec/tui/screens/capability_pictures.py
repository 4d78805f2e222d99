"""Pictures of a capability report: the distribution against its limits, the values on probability paper.

Computed in a worker; knows no widget that is on the screen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from qualrec.tui.labels import DecimalStyle, count, number
from qualrec.tui.widgets.plot_shapes import Distribution, ProbabilityPlot, Wall, WallMark

if TYPE_CHECKING:
    from qualrec.assess import CapabilityReport
    from qualrec.stats.results import FloatArray
    from qualrec.stats.strength import StrengthFit
    from qualrec.values import Values

CURVE_POINTS = 161
MOST_POINTS = 240
"""Points drawn on probability paper; the outermost ones always."""
SHARES = (0.001, 0.01, 0.1, 0.5, 0.9, 0.99, 0.999)


@dataclass(frozen=True, slots=True)
class Pictures:
    """Both pictures with their headings."""

    distribution: Distribution
    distribution_heading: str
    paper: ProbabilityPlot
    paper_heading: str

    @classmethod
    def without(cls, text: str) -> Pictures:
        """What stands in place of the pictures while there are none: `text` says why."""
        return cls(Distribution((), (), empty=text), "", ProbabilityPlot((), (), empty=text), "")


@dataclass(frozen=True, slots=True)
class Fitted:
    """The shape behind the index: its name and parameters as `qualrec.stats.shapes` takes them."""

    name: str
    parameters: tuple[float, ...]


def fitted(report: CapabilityReport) -> Fitted | None:
    """The shape the index comes from: the one by percentiles, else the normal one of all values."""
    shape, found = report.shape, report.capability
    if shape is not None and shape.percentiles is not None:
        fit = shape.percentiles.fit
        return Fitted(fit.name, tuple(fit.parameters.values()))
    if found is not None and found.sd_overall > 0:
        return Fitted("normal", (found.mean, found.sd_overall))
    return None


def pictures(report: CapabilityReport, values: Values | None, style: DecimalStyle) -> Pictures:
    """Both pictures; `values` None where the characteristic is counted."""
    fit = fitted(report)
    heading = "" if fit is None else f"   curve: {fit.name} shape"
    n = 0 if report.histogram is None else report.histogram.n
    paper, paper_heading = _paper(report, fit, values, style)
    return Pictures(
        _distribution(report, fit, style),
        f"{count(n, 'value', 'values')} against the limits{heading}",
        paper,
        paper_heading,
    )


def _distribution(report: CapabilityReport, fit: Fitted | None, style: DecimalStyle) -> Distribution:
    c, histogram = report.characteristic, report.histogram
    if c.kind == "counted" or histogram is None:
        return Distribution(
            (), (), empty="a count has no distribution" if c.kind == "counted" else "no values yet"
        )
    walls = [
        WallMark(value, name, kind)
        for value, name, kind in (
            (c.lsl, "spec lower", Wall.SPEC),
            (c.usl, "spec upper", Wall.SPEC),
            (c.target, "target", Wall.LIMIT),
            (None if report.capability is None else report.capability.mean, "mean", Wall.CENTRE),
        )
        if value is not None
    ]
    edges = histogram.edges.tolist()
    curve = [] if fit is None else _curve(fit, edges[0], edges[-1])
    return Distribution(
        edges,
        histogram.counts.tolist(),
        curve,
        walls,
        c.lsl,
        c.usl,
        number=lambda value: number(value, c.decimals, style),
    )


def _curve(fit: Fitted, low: float, high: float) -> list[tuple[float, float]]:
    """Density of the shape, a tenth of the width beyond the classes on either side."""
    import numpy as np

    from qualrec.stats.shapes import SHAPES

    x = np.linspace(low - 0.1 * (high - low), high + 0.1 * (high - low), CURVE_POINTS)
    with np.errstate(all="ignore"):
        density = np.exp(SHAPES[fit.name].log_density(x, fit.parameters))
    density[~np.isfinite(density)] = 0.0
    return list(zip(x.tolist(), density.tolist(), strict=True))


def _paper(
    report: CapabilityReport, fit: Fitted | None, values: Values | None, style: DecimalStyle
) -> tuple[ProbabilityPlot, str]:
    weibull = None if report.strength is None else report.strength.fits.get("weibull")
    if weibull is not None and not isinstance(weibull, str):
        return _strength_paper(report, weibull, style), (
            f"weld strength on Weibull paper: {weibull.failures} broke at the weld, "
            f"{weibull.censored_count} held"
        )
    if fit is None or values is None or values.value.size < 2:
        return ProbabilityPlot((), (), empty="too few values for a plot"), "probability plot"
    return _shape_paper(report, fit, values.value, style), f"{values.value.size} values on {fit.name} paper"


def _shape_paper(
    report: CapabilityReport, fit: Fitted, values: FloatArray, style: DecimalStyle
) -> ProbabilityPlot:
    """Normal quantile of the plotting position (i - 0.5) / n against that of the fitted share below the value.

    A value scale stands under the picture; the points follow the diagonal where the shape holds.
    """
    import numpy as np

    x = np.sort(values)
    y = normal_quantiles((np.arange(1, x.size + 1) - 0.5) / x.size)
    across = place_of(fit, x)
    kept = thinned(x.size)
    c = report.characteristic
    ticks = [t for t in nice_values(float(x[0]), float(x[-1])) if float(x[0]) <= t <= float(x[-1])]
    marks = list(
        zip(place_of(fit, np.array(ticks)).tolist(), (number(t, None, style) for t in ticks), strict=True)
    )
    for limit in (c.lsl, c.usl):
        if limit is not None:
            place = float(place_of(fit, np.array([limit]))[0])
            if across[0] <= place <= across[-1]:
                marks.insert(0, (place, f"spec {number(limit, None, style)}"))
    return ProbabilityPlot(
        across[kept].tolist(),
        y[kept].tolist(),
        (),
        ((-6.0, -6.0), (6.0, 6.0)),
        marks,
        [
            (float(z), _percent(p, style))
            for z, p in zip(normal_quantiles(np.array(SHARES)), SHARES, strict=True)
        ],
    )


def _strength_paper(report: CapabilityReport, fit: StrengthFit, style: DecimalStyle) -> ProbabilityPlot:
    """Weibull paper: ln(-ln(1 - share)) against ln force; censored forces lie at the foot, for they have no share."""
    import numpy as np

    from qualrec.stats.strength import strength_plot

    plot = strength_plot(fit)
    low = min(float(plot.x.min()), float(plot.censored_x.min(initial=math.inf)))
    high = max(float(plot.x.max()), float(plot.censored_x.max(initial=0.0)))
    foot = float(plot.z.min()) - 0.3
    x = [*np.log(plot.x).tolist(), *np.log(plot.censored_x).tolist()]
    y = [*plot.z.tolist(), *([foot] * plot.censored_x.size)]
    censored = [*([False] * plot.x.size), *([True] * plot.censored_x.size)]
    ends = (math.log(low), math.log(high))
    marks = [(math.log(t), number(t, None, style)) for t in nice_values(low, high) if low <= t <= high]
    lsl = report.characteristic.lsl
    if lsl is not None and low <= lsl <= high:
        marks.insert(0, (math.log(lsl), f"spec {number(lsl, None, style)}"))
    return ProbabilityPlot(
        x,
        y,
        censored,
        ((ends[0], plot.intercept + plot.slope * ends[0]), (ends[1], plot.intercept + plot.slope * ends[1])),
        marks,
        [(math.log(-math.log1p(-p)), _percent(p, style)) for p in SHARES],
    )


def place_of(fit: Fitted, x: FloatArray) -> FloatArray:
    """Normal quantile of the share of the fitted shape below each value, kept within 9 on either side."""
    import numpy as np
    from scipy.special import ndtri_exp

    from qualrec.stats.shapes import SHAPES

    with np.errstate(all="ignore"):
        below, above = SHAPES[fit.name].log_tails(np.asarray(x, float), fit.parameters)
        place = np.where(below < above, ndtri_exp(below), -ndtri_exp(above))
    return np.asarray(np.clip(np.nan_to_num(place, nan=-9.0), -9.0, 9.0))


def normal_quantiles(share: FloatArray) -> FloatArray:
    from scipy.special import ndtri

    return ndtri(share)  # type: ignore[no-any-return]


def thinned(n: int) -> list[int]:
    """Which of n points in order are drawn: all, or the outermost 40 of each end and even steps between."""
    if n <= MOST_POINTS:
        return list(range(n))
    step = (n - 80) / (MOST_POINTS - 80)
    middle = {40 + int(at * step) for at in range(MOST_POINTS - 80)}
    return sorted({*range(40), *middle, *range(n - 40, n)})


def nice_values(low: float, high: float, about: int = 6) -> list[float]:
    """Round values that cover low .. high in about so many steps."""
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low:
        return [low]
    raw = (high - low) / about
    size = 10.0 ** math.floor(math.log10(raw))
    step = next(size * part for part in (1, 2, 5, 10) if size * part >= raw)
    first = math.ceil(low / step)
    return [round(at * step, 12) for at in range(first, math.floor(high / step) + 1)]


def _percent(part: float, style: DecimalStyle) -> str:
    return f"{number(100.0 * part, None, style)} %"
