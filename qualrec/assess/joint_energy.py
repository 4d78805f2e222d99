"""Energy at the joint of every lot of a part: recipe settings times the measured transmission of its upper moulding lot.

    E = T E_i,   u(E) = E_i u(T),   u(T)^2 = s^2 / n + (U / 2)^2

E_i is the incident energy of the recipe revision (J/mm² or J/mm), T the mean transmission of the moulding lot, s and n
spread and number of its readings, U the expanded uncertainty (k = 2) of the meter. Readings of another group of
conditions (meter, wavelength, geometry) are never mixed in: such a lot has no point and says why.
Estimates: power, speed and passes count as set, not as measured.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from qualrec.assess.loading import Conn
from qualrec.errors import UsageError
from qualrec.judge.windows import AREAL, LINE, outside, settings_of, uncertainty_of_mean
from qualrec.records import lookups
from qualrec.values import BoolArray, FloatArray, IntArray, LotSeries, RecipeRevision, Segment, Window
from qualrec.weld.energy import energy_budget
from qualrec.weld.units import convert, same_quantity

MOST_LOTS = 100_000
FIGURES = {AREAL: "areal_incident", LINE: "line_total"}


@dataclass(frozen=True, slots=True, eq=False)
class JointEnergySeries:
    """One point per lot of a part in time order; arrays have one entry per lot, nan where a figure is not known.

    `energy` in `unit` (J/mm² or J/mm), `uncertainty` its standard uncertainty (k = 1); `transmission` and
    `transmission_sd` (spread between readings) in %, `readings` their number. `low`, `high`: the window in joint energy that
    the recipe revision of the lot was qualified for. `side`: -1 below, 0 inside or not known, +1 above. Of a lot with
    several segments the one that lies worst counts. `notes`: why a lot has no figure, else empty.
    """

    part_number: str
    unit: str
    condition: str
    lot_ids: IntArray
    numbers: tuple[str, ...]
    at_us: IntArray
    energy: FloatArray
    uncertainty: FloatArray
    transmission: FloatArray
    transmission_sd: FloatArray
    readings: IntArray
    low: FloatArray
    high: FloatArray
    side: IntArray
    recipes: tuple[str, ...]
    moulding_lots: tuple[str, ...]
    resins: tuple[tuple[str, ...], ...]
    """Supplier lots of the upper moulding lot; empty where none is named."""
    notes: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.numbers)

    @property
    def known(self) -> BoolArray:
        """Which lots have an energy."""
        return np.isfinite(self.energy)


@dataclass(frozen=True, slots=True)
class _Light:
    """Transmission of one moulding lot in %."""

    mean: float
    sd: float
    n: int


@dataclass(frozen=True, slots=True)
class _Point:
    energy: float = math.nan
    u: float = math.nan
    light: _Light = _Light(math.nan, math.nan, 0)
    low: float = math.nan
    high: float = math.nan
    side: int = 0
    recipe: str = ""
    moulding: str = ""
    resins: tuple[str, ...] = ()
    note: str = ""

    @property
    def reach(self) -> float:
        """How far outside its window, as a share of its energy; inside it is negative, without a window -inf."""
        gaps = (self.low - self.energy, self.energy - self.high)
        return max((g / self.energy for g in gaps if math.isfinite(g)), default=-math.inf)


def joint_energy_series(
    conn: Conn, part_number: str, *, until_us: int | None = None, newest: int | None = None
) -> JointEnergySeries:
    """Joint energy of the lots of a part, oldest first; `newest` lots only, `until_us` lots begun by then.

    The unit is that of the newest qualified window in joint energy, else J/mm². Raises UnknownRecord for an unknown part.
    The number of queries does not grow with the lots.
    """
    if until_us is None:
        lots = lookups.lots_of_part(conn, part_number, newest)
    else:
        last = (int(until_us) + 1, 0)
        lots = lookups.lots_page(conn, part=part_number, after=last, limit=newest or MOST_LOTS)[::-1]
    segments = lookups.segments(conn, [lot.id for lot in lots])
    unit = _unit(segment.recipe for lot in reversed(lots) for segment in segments.get(lot.id, ()))
    measured = _measured(conn, part_number)
    incident: dict[int, float | str] = {}
    points = []
    for lot in lots:
        found = [_point(s, unit, measured, incident) for s in segments.get(lot.id, ())]
        known = [p for p in found if math.isfinite(p.energy)]
        points.append(
            max(known, key=lambda p: p.reach) if known else (found or [_Point(note="No segment.")])[0]
        )
    return JointEnergySeries(
        part_number=part_number,
        unit=unit,
        condition=measured.condition,
        lot_ids=np.array([lot.id for lot in lots], np.int64),
        numbers=tuple(lot.number for lot in lots),
        at_us=np.array([lot.started_us for lot in lots], np.int64),
        energy=np.array([p.energy for p in points], np.float64),
        uncertainty=np.array([p.u for p in points], np.float64),
        transmission=np.array([p.light.mean for p in points], np.float64),
        transmission_sd=np.array([p.light.sd for p in points], np.float64),
        readings=np.array([p.light.n for p in points], np.int64),
        low=np.array([p.low for p in points], np.float64),
        high=np.array([p.high for p in points], np.float64),
        side=np.array([p.side for p in points], np.int64),
        recipes=tuple(p.recipe for p in points),
        moulding_lots=tuple(p.moulding for p in points),
        resins=tuple(p.resins for p in points),
        notes=tuple(p.note for p in points),
    )


def _unit(recipes: Iterable[RecipeRevision | None]) -> str:
    windows = (_window(recipe) for recipe in recipes if recipe is not None)
    newest = next((w for w in windows if w is not None), None)
    return LINE if newest is not None and same_quantity(newest.unit, LINE) else AREAL


def _window(recipe: RecipeRevision) -> Window | None:
    return next((w for w in recipe.windows if w.quantity == "joint energy"), None)


@dataclass(frozen=True, slots=True)
class _Measured:
    """Transmission by moulding lot id under the most used group of conditions, and the lots known only otherwise."""

    by_lot: Mapping[int, _Light]
    elsewhere: frozenset[int]
    expanded: float | None
    condition: str


def _measured(conn: Conn, part_number: str) -> _Measured:
    best: tuple[LotSeries, ...] = ()
    for c in lookups.characteristics(conn, part_number):
        if c.quantity == "transmission" and c.hangs_on == "moulding lot":
            found = lookups.lot_series_many(conn, [c.id]).get(c.id, ())
            if sum(map(len, found)) > sum(map(len, best)):
                best = found
    if not best:
        return _Measured({}, frozenset(), None, "")
    chosen = best[0]
    held = {
        int(lot): _Light(float(mean), float(sd), int(n))
        for lot, mean, sd, n in zip(chosen.lot_ids, chosen.mean, chosen.sd, chosen.n, strict=True)
    }
    others = frozenset(int(lot) for series in best[1:] for lot in series.lot_ids) - held.keys()
    expanded, label = _meter(conn, chosen)
    return _Measured(held, others, expanded, label)


def _meter(conn: Conn, series: LotSeries) -> tuple[float | None, str]:
    """The largest expanded uncertainty of the meters behind a series, and its group of conditions in words."""
    groups = lookups.conditions_of(conn, series.characteristic_id)
    group = next((g for g in groups if g.id == series.condition_id), None)
    if group is None:
        return None, ""
    conditions = lookups.load_conditions(conn, group.ids).values()
    gauges = {c.gauge_id for c in conditions if c.gauge_id is not None}
    known = [lookups.gauge_by_id(conn, g).uncertainty for g in gauges]
    return max((u for u in known if u is not None), default=None), group.label


def _point(segment: Segment, unit: str, measured: _Measured, incident: dict[int, float | str]) -> _Point:
    """The figures of one segment. `incident` keeps the incident energy, or why there is none, by recipe revision."""
    recipe, upper = segment.recipe, segment.upper
    if recipe is None:
        return _Point(note="No recipe revision on record.")
    named = f"{recipe.code} revision {recipe.revision}"
    if recipe.id not in incident:
        incident[recipe.id] = _incident(recipe, unit)
    low, high = _limits(recipe, unit)
    fed = () if upper is None else upper.deliveries
    number = "" if upper is None else upper.number
    base = _Point(low=low, high=high, recipe=named, moulding=number, resins=fed)
    if upper is None:
        return replace(base, note="No upper moulding lot.")
    light = measured.by_lot.get(upper.id)
    if light is None:
        other = " with this meter and condition" if upper.id in measured.elsewhere else ""
        return replace(base, note=f"No transmission reading of moulding lot {upper.number}{other}.")
    energy = incident[recipe.id]
    if isinstance(energy, str):
        return replace(base, light=light, note=energy)
    value = energy * light.mean / 100.0
    u = energy * uncertainty_of_mean(light.sd, light.n, measured.expanded) / 100.0
    return replace(base, light=light, energy=value, u=u, side=outside(value, low, high))


def _incident(recipe: RecipeRevision, unit: str) -> float | str:
    """Incident energy of a recipe revision in `unit`, or the words why there is none."""
    try:
        value = energy_budget(recipe.process, settings_of(recipe), None).value(FIGURES[unit])
    except UsageError as error:
        return error.message
    return f"{recipe.process} settings give no energy in {unit}." if value is None else value


def _limits(recipe: RecipeRevision, unit: str) -> tuple[float, float]:
    window = _window(recipe)
    if window is None or not same_quantity(window.unit, unit):
        return math.nan, math.nan
    low, high = (math.nan if v is None else convert(v, window.unit, unit) for v in (window.low, window.high))
    return low, high
