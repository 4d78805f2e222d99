"""Control limits: stored as trial versions, frozen with a reason, superseded and never edited."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import func, select

from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.records.ledger import Writer
from qualrec.records.lookups.base import rows_for
from qualrec.records.models import metadata
from qualrec.records.registry import checks
from qualrec.values import NO_CONDITION, NO_STREAM, LeftOut

CHARTS = ("lot means", "p", "u", "zero count")


def store_limits(
    writer: Writer,
    characteristic_id: int,
    *,
    centre: float,
    sigma: float,
    estimator: str,
    from_us: int,
    used_lots: Sequence[int],
    left_out: Sequence[LeftOut] = (),
    chart: str = "lot means",
    lower: float | None = None,
    upper: float | None = None,
    ewma_lambda: float | None = None,
    ewma_width: float | None = None,
    spread_centre: float | None = None,
    spread_sigma: float | None = None,
    stream_id: int = NO_STREAM,
    condition_id: int = NO_CONDITION,
    recipe_revision_id: int | None = None,
    station_id: int | None = None,
    state: str = "trial",
    reason: str = "",
    signature_id: int | None = None,
) -> int:
    """Store control limits as a new version; returns their id. Earlier trial limits of the same chart are superseded.

    `from_us`: the moment from which they hold once frozen. `used_lots`: the lots (or moulding lots) they came from.
    `left_out`: lots that were not used, each with its reason. `state` 'frozen' freezes at once (`freeze_limits`) and needs a
    reason.
    """
    chosen = checks.one_of(state, ("trial", "frozen"), "State")
    row = {
        "characteristic_id": characteristic_id,
        "stream_id": stream_id,
        "condition_id": condition_id,
        "recipe_revision_id": recipe_revision_id,
        "station_id": station_id,
        "state": "trial",
        "chart": checks.one_of(chart, CHARTS, "Chart"),
        **_figures(
            {
                "centre": centre,
                "sigma": sigma,
                "lower": lower,
                "upper": upper,
                "ewma_lambda": ewma_lambda,
                "ewma_width": ewma_width,
                "spread_centre": spread_centre,
                "spread_sigma": spread_sigma,
            }
        ),
        "estimator": checks.name(estimator, "Estimator"),
        "from_us": checks.moment(from_us, "From"),
        "made_us": writer.now_us,
        "person_id": writer.actor.person_id,
        "reason": checks.prose(reason, "The reason", filled=chosen == "frozen"),
    }
    lots = _lots(used_lots, left_out)
    characteristic = checks.row(writer, "characteristic", characteristic_id, "characteristic")
    for table_name, record_id in (("stream", stream_id), ("condition", condition_id)):
        checks.row(writer, table_name, record_id, table_name)
    _all_there(writer, characteristic.hangs_on, [lot["lot_id"] for lot in lots])
    row["version"] = _next_version(writer, row)
    limits_id = writer.insert("limits", row, act="limits made", why=str(row["reason"]))
    for lot in lots:
        writer.insert("limits_lot", {"limits_id": limits_id, **lot}, act="lot of limits")
    if chosen == "frozen":
        freeze_limits(writer, limits_id, reason, signature_id)
    return limits_id


def _figures(g: Mapping[str, Any]) -> dict[str, float | None]:
    """The figures of limits, checked."""
    centre, lower, upper = checks.number(g["centre"], "Centre"), g["lower"], g["upper"]
    row = {
        "centre": centre,
        "sigma": checks.number(g["sigma"], "Sigma", least=0),
        "lower": checks.number_or_none(lower, "Lower control limit"),
        "upper": checks.number_or_none(upper, "Upper control limit"),
        "ewma_lambda": checks.number_or_none(g["ewma_lambda"], "EWMA lambda", above=0, most=1),
        "ewma_width": checks.number_or_none(g["ewma_width"], "Width of the EWMA limits", above=0),
        "spread_centre": checks.number_or_none(g["spread_centre"], "Centre of the spread", least=0),
        "spread_sigma": checks.number_or_none(g["spread_sigma"], "Sigma of the spread", least=0),
    }
    checks.not_crossed(lower, centre, "Lower control limit and centre", equal=True)
    checks.not_crossed(centre, upper, "Centre and upper control limit", equal=True)
    return row


def _lots(used: Sequence[int], left_out: Sequence[LeftOut]) -> list[dict[str, Any]]:
    if not used:
        raise UsageError("Control limits need lots that they come from.", "Give the lots.")
    rows = [{"lot_id": checks.whole(one, "Lot"), "used": True, "reason": ""} for one in used]
    for one in left_out:
        reason = checks.prose(
            one.reason, f"The reason for leaving out lot {one.lot_number or one.lot_id}", filled=True
        )
        rows.append({"lot_id": one.lot_id, "used": False, "reason": reason})
    if len({row["lot_id"] for row in rows}) != len(rows):
        raise UsageError("A lot is named twice.", "A lot is either used or left out.")
    return rows


def _all_there(writer: Writer, hangs_on: str, ids: Iterable[int]) -> None:
    t = metadata.tables["lot" if hangs_on == "lot" else "moulding_lot"]
    wanted = set(ids)
    missing = wanted - {row.id for row in rows_for(writer.conn, select(t.c.id), t.c.id, wanted)}
    if missing:
        raise UnknownRecord(f"There is no {hangs_on} with id {min(missing)}.", "Look the lots up again.")


def _same_chart(row: Mapping[str, Any]) -> list[Any]:
    t = metadata.tables["limits"]
    return [t.c[name] == row[name] for name in ("characteristic_id", "stream_id", "condition_id")]


def _next_version(writer: Writer, row: Mapping[str, Any]) -> int:
    t = metadata.tables["limits"]
    last = writer.conn.execute(select(func.max(t.c.version)).where(*_same_chart(row))).scalar()
    trials = select(t.c.id).where(*_same_chart(row), t.c.state == "trial").order_by(t.c.id)
    for one in list(writer.conn.execute(trials).scalars()):
        writer.update("limits", one, {"state": "superseded"}, act="trial limits superseded")
    return int(last or 0) + 1


def freeze_limits(writer: Writer, limits_id: int, reason: str, signature_id: int | None = None) -> None:
    """Freeze trial limits; the frozen ones before are superseded. From now on they are never edited.

    Raises Refused for limits that are no trial, where no person acts, or where they would hold from before the frozen ones
    do: that would change old verdicts.
    """
    why = checks.prose(reason, "The reason", filled=True)
    checks.person_acts(writer, "freeze limits")
    checks.row_or_none(writer, "signature", signature_id, "signature")
    limits = checks.row(writer, "limits", limits_id, "control limits")
    if limits.state != "trial":
        raise Refused(
            f"Version {limits.version} of the limits is {limits.state}, no trial.", "Make new limits."
        )
    t = metadata.tables["limits"]
    frozen = select(t.c.id, t.c.from_us, t.c.version).where(
        *_same_chart(limits._mapping), t.c.state == "frozen"
    )
    for one in writer.conn.execute(frozen.order_by(t.c.id)).all():
        if limits.from_us <= one.from_us:
            raise Refused(
                f"Version {one.version} of the limits holds from the same moment or a later one.",
                "Let the new limits begin after it; old verdicts stay.",
            )
        writer.update("limits", one.id, {"state": "superseded"}, act="limits superseded", why=why)
    changes = {
        "state": "frozen",
        "frozen_us": writer.now_us,
        "person_id": writer.actor.person_id,
        "signature_id": signature_id,
        "reason": why,
    }
    writer.update("limits", limits_id, changes, act="limits frozen", why=why)
