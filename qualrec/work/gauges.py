"""Gauges: what their calibration says today, which lots hang on them, and checks as they are recorded."""

from __future__ import annotations

from dataclasses import dataclass

from qualrec.intake.numbers import understand
from qualrec.records import lookups, registry
from qualrec.records.lookups import GaugeCheck, Study
from qualrec.values import Calibration, Gauge, LotRow
from qualrec.work.days import end_of_day
from qualrec.work.rights import require
from qualrec.work.session import Session

MOST_LOTS = 500


@dataclass(frozen=True, slots=True)
class GaugePage:
    """A gauge with its checks, studies, and the lots measured with it since its last good calibration.

    `since` None: no good calibration is on record, `lots` are then all lots measured with it. At most 500 lots.
    """

    gauge: Gauge
    checks: tuple[GaugeCheck, ...]
    studies: tuple[Study, ...]
    since: Calibration | None
    lots: tuple[LotRow, ...]


def gauge_page(session: Session, gauge_id: int) -> GaugePage:
    """Everything on one gauge. Raises UnknownRecord."""
    with session.store.read() as conn:
        gauge = lookups.gauge_by_id(conn, gauge_id)
        good = [c for c in gauge.calibrations if c.verdict == "good"]
        since = good[-1] if good else None
        from_us = None if since is None else since.at_us
        lots = lookups.lots_touched(conn, gauge_id=gauge_id, from_us=from_us, limit=MOST_LOTS)
        studies = tuple(s for s in lookups.studies(conn) if s.gauge_id == gauge_id)
        return GaugePage(gauge, lookups.gauge_checks(conn, gauge_id), studies, since, lots)


def record_check(
    session: Session, code: str, *, reference: str, found: str, tolerance: str, remark: str = ""
) -> str:
    """Record a check of a gauge against a reference, figures as typed. A bad one marks the gauge. Raises UsageError."""
    require(session.actor, "log readings")
    with session.store.write(session.actor, session.plant.id) as writer:
        gauge = lookups.gauge(writer.conn, code)
        values = [understand(text, gauge.unit).value for text in (reference, found, tolerance)]
        check = registry.add_gauge_check(
            writer,
            gauge.id,
            writer.now_us,
            reference=values[0],
            found=values[1],
            tolerance=values[2],
            remark=remark,
        )
        done = next(c for c in lookups.gauge_checks(writer.conn, gauge.id) if c.id == check)
    off = f"{code}: {found.strip()} found for {reference.strip()}, tolerance {tolerance.strip()} {gauge.unit}"
    if done.verdict == "good":
        return f"{off}: good."
    return f"{off}: BAD. The gauge is marked as found bad; do not measure with it."


def record_calibration(
    session: Session,
    code: str,
    *,
    day: str,
    verdict: str,
    certificate: str = "",
    as_found: str = "",
    as_left: str = "",
) -> str:
    """Record a calibration of a day (2026-11-30); due again after the gauge's interval. Raises UsageError."""
    require(session.actor, "record calibrations")
    at_us = min(end_of_day(session, day), session.store.clock())
    with session.store.write(session.actor, session.plant.id) as writer:
        gauge = lookups.gauge(writer.conn, code)
        registry.add_calibration(
            writer,
            gauge.id,
            at_us,
            verdict=verdict,
            certificate=certificate,
            as_found=understand(as_found, gauge.unit).value if as_found else None,
            as_left=understand(as_left, gauge.unit).value if as_left else None,
        )
        now = lookups.gauge(writer.conn, code)
    due = session.moment(max(c.due_us for c in now.calibrations))[:10]
    return f"Calibration of {code} recorded: {verdict}. The gauge is {now.state}" + (
        f", due again {due}." if verdict == "good" else "; look at the lots measured with it."
    )
