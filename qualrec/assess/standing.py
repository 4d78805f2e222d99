"""The gauges behind a characteristic's readings: within calibration when used, and what the last gauge study found."""

from __future__ import annotations

from qualrec.assess.loading import Conn
from qualrec.judge import kinds
from qualrec.judge.equipment import gauge_problems
from qualrec.judge.evidence import GaugeStanding
from qualrec.records import lookups
from qualrec.values import Characteristic, Values

NOT_ACCEPTABLE = "not acceptable"


def gauge_standing(conn: Conn, characteristic: Characteristic, found: Values) -> GaugeStanding:
    """Readings by gauge, those on an overdue or bad gauge, and the last analysed study of one of the gauges."""
    conditions = lookups.load_conditions(conn, set(found.condition_id.tolist()))
    ids = {c.gauge_id for c in conditions.values() if c.gauge_id is not None}
    gauges = {g: lookups.gauge_by_id(conn, g) for g in ids}
    without = overdue = bad = 0
    for condition_id, at_us in zip(found.condition_id.tolist(), found.at_us.tolist(), strict=True):
        gauge_id = conditions[condition_id].gauge_id
        if gauge_id is None:
            without += 1
            continue
        problems = gauge_problems(gauges[gauge_id], at_us)
        overdue += kinds.GAUGE_OVERDUE in problems
        bad += kinds.GAUGE_BAD in problems
    number, grr, categories = _last_study(conn, characteristic, ids)
    return GaugeStanding(
        gauges=tuple(sorted(g.code for g in gauges.values())),
        readings=len(found.value),
        without_gauge=without,
        overdue=overdue,
        bad=bad,
        grr_pct=grr,
        categories=categories,
        study=number,
    )


def _last_study(conn: Conn, c: Characteristic, gauge_ids: set[int]) -> tuple[str, float | None, int | None]:
    """Number, % of study variation and categories of the last analysed gauge study of the gauges."""
    last = lookups.last_gauge_study(lookups.studies(conn), c, gauge_ids)
    if last is None:
        return "", None, None
    grr, categories = last.analysis.get("grr_pct"), last.analysis.get("ndc")
    return last.number, None if grr is None else float(grr), None if categories is None else int(categories)


def agreement_shown(conn: Conn, c: Characteristic) -> bool | None:
    """Whether the last analysed agreement study of the failure modes shows agreement; None where no mode is judged."""
    if not c.strength:
        return None
    last = lookups.last_agreement(lookups.studies(conn), c)
    return last is not None and last.verdict != NOT_ACCEPTABLE
