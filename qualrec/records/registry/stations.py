"""Stations, clamp tools, gauges with calibrations and checks, conditions, events."""

from __future__ import annotations

import hashlib
import json
from dataclasses import fields
from typing import Any

from sqlalchemy import select

from qualrec.errors import Refused, UsageError
from qualrec.records.ledger import Writer
from qualrec.records.models import metadata
from qualrec.records.registry import checks
from qualrec.values import NO_CONDITION, Condition
from qualrec.weld.trade_rules import event_kinds

STATION_KINDS = ("welder", "tester", "meter", "bench")
GAUGE_STATES = ("in use", "found bad", "withdrawn")
DAY_US = 86_400_000_000
STATED = tuple(f.name for f in fields(Condition) if f.name not in ("id", "gauge"))
"""What a condition states; the gauge by its id."""


def add_station(
    writer: Writer,
    code: str,
    name: str,
    kind: str,
    *,
    can_do: str = "",
    clean_every_hours: int = 0,
    idle_lock_seconds: int = 0,
) -> int:
    """Add a station: 'welder', 'tester', 'meter' or 'bench'. Intervals of 0: nothing is due."""
    row = {
        "code": checks.name(code, "Station code"),
        "name": checks.name(name, "Station name"),
        "kind": checks.one_of(kind, STATION_KINDS, "Kind of station"),
        "can_do": checks.prose(can_do, "What the station can do"),
        "clean_every_hours": checks.whole(clean_every_hours, "Cleaning interval in hours", least=0),
        "idle_lock_seconds": checks.whole(idle_lock_seconds, "Idle lock in seconds", least=0),
    }
    checks.new_name(writer, "station", f"Station {row['code']!r}", plant_id=writer.plant_id, code=row["code"])
    return writer.insert("station", row, act="station added")


def add_clamp_tool(writer: Writer, code: str, glass: str = "") -> int:
    """Add a clamp tool with its glass or lens."""
    row = {"code": checks.name(code, "Clamp tool"), "glass": checks.line(glass, "Glass")}
    checks.new_name(
        writer, "clamp_tool", f"Clamp tool {row['code']!r}", plant_id=writer.plant_id, code=row["code"]
    )
    return writer.insert("clamp_tool", row, act="clamp tool added")


def add_gauge(
    writer: Writer,
    code: str,
    name: str,
    family: str,
    *,
    unit: str = "",
    resolution: float | None = None,
    interval_days: int = 365,
    verified_low: float | None = None,
    verified_high: float | None = None,
    uncertainty: float | None = None,
    place: str = "",
) -> int:
    """Add a gauge. `verified_low` and `verified_high`: the range that its calibration covers, in its unit."""
    row = {
        "code": checks.name(code, "Gauge code"),
        "name": checks.name(name, "Gauge name"),
        "family": checks.name(family, "Gauge family"),
        "unit": checks.line(unit, "Unit"),
        "resolution": checks.number_or_none(resolution, "Resolution", above=0),
        "interval_days": checks.whole(interval_days, "Calibration interval in days", least=1),
        "verified_low": checks.number_or_none(verified_low, "Lower end of the verified range"),
        "verified_high": checks.number_or_none(verified_high, "Upper end of the verified range"),
        "uncertainty": checks.number_or_none(uncertainty, "Uncertainty", least=0),
        "place": checks.line(place, "Place"),
    }
    checks.not_crossed(verified_low, verified_high, "Verified range")
    checks.new_name(writer, "gauge", f"Gauge {row['code']!r}", plant_id=writer.plant_id, code=row["code"])
    return writer.insert("gauge", row, act="gauge added")


def set_gauge_state(writer: Writer, gauge_id: int, state: str, *, why: str) -> None:
    """Take a gauge into use, mark it found bad, or withdraw it."""
    chosen = checks.one_of(state, GAUGE_STATES, "State of the gauge")
    reason = checks.prose(why, "The reason", filled=True)
    checks.row(writer, "gauge", gauge_id, "gauge")
    writer.update("gauge", gauge_id, {"state": chosen}, act=f"gauge {chosen}", why=reason)


def add_calibration(
    writer: Writer,
    gauge_id: int,
    at_us: int,
    *,
    verdict: str,
    due_us: int | None = None,
    as_found: float | None = None,
    as_left: float | None = None,
    certificate: str = "",
    standard: str = "",
) -> int:
    """Record a calibration; due again after the gauge's interval unless said otherwise.

    A bad one marks the gauge as found bad; a good one takes it back into use, unless it is withdrawn.
    """
    done = checks.moment(at_us, "Moment of the calibration")
    row: dict[str, Any] = {
        "gauge_id": gauge_id,
        "at_us": done,
        "verdict": checks.one_of(verdict, ("good", "bad"), "Verdict"),
        "as_found": checks.number_or_none(as_found, "As found"),
        "as_left": checks.number_or_none(as_left, "As left"),
        "certificate": checks.line(certificate, "Certificate"),
        "standard": checks.prose(standard, "Standard"),
        "person_id": writer.actor.person_id,
    }
    due = checks.moment_or_none(due_us, "Due again")
    if due is not None and due <= done:
        raise UsageError("The next calibration is due before this one.", "Mend one of the moments.")
    gauge = checks.row(writer, "gauge", gauge_id, "gauge")
    row["due_us"] = done + gauge.interval_days * DAY_US if due is None else due
    calibration_id = writer.insert("calibration", row, act="gauge calibrated")
    state = "found bad" if verdict == "bad" else "in use"
    if gauge.state != "withdrawn":
        writer.update("gauge", gauge_id, {"state": state}, act=f"gauge {state}", why="calibration")
    return calibration_id


def add_gauge_check(
    writer: Writer,
    gauge_id: int,
    at_us: int,
    *,
    reference: float,
    found: float,
    tolerance: float,
    remark: str = "",
) -> int:
    """Record a check between calibrations; the id is also a subject for readings.

    Good where |found - reference| <= tolerance (a rounding of 1e-9 of the tolerance allowed); a bad one marks the gauge.
    """
    row = {
        "gauge_id": gauge_id,
        "at_us": checks.moment(at_us, "Moment of the check"),
        "reference": checks.number(reference, "Reference value"),
        "found": checks.number(found, "Value found"),
        "tolerance": checks.number(tolerance, "Tolerance", above=0),
        "person_id": writer.actor.person_id,
        "remark": checks.prose(remark, "Remark"),
    }
    verdict = "good" if abs(found - reference) <= tolerance * (1 + 1e-9) else "bad"
    gauge = checks.row(writer, "gauge", gauge_id, "gauge")
    check_id = writer.new_subject("gauge check")
    writer.insert("gauge_check", {"id": check_id, **row, "verdict": verdict}, act="gauge checked")
    if verdict == "bad" and gauge.state == "in use":
        writer.update("gauge", gauge_id, {"state": "found bad"}, act="gauge found bad", why="check")
    return check_id


def get_or_add_condition(writer: Writer, condition: Condition | None = None, **stated: Any) -> int:
    """Id of the condition that states exactly this; added where it is new. Nothing stated: 0.

    Give a Condition, or its fields by name (gauge_id, geometry, wavelength_nm, ...). `id` and `gauge` of a Condition do not
    count: the gauge is named by its id.
    """
    checks.known_keys(stated, STATED, "Field of a condition")
    base = condition if condition is not None else Condition()
    row = _stated({**{name: getattr(base, name) for name in STATED}, **stated})
    if all(value is None or value == "" for value in row.values()):
        return NO_CONDITION
    checks.row_or_none(writer, "gauge", row["gauge_id"], "gauge")
    # Two plants may state the same; each keeps its own row, so that plants can be merged without renumbering.
    text = json.dumps([writer.plant_id, *(row[name] for name in STATED)], ensure_ascii=False)
    digest = hashlib.sha256(text.encode("utf-8")).hexdigest()
    k = metadata.tables["condition"]
    found = writer.conn.execute(select(k.c.id).where(k.c.digest == digest)).scalar()
    if found is not None:
        return int(found)
    full = {**row, "plant_id": writer.plant_id, "digest": digest}
    return writer.insert("condition", full, act="condition added")


def _stated(given: dict[str, Any]) -> dict[str, Any]:
    texts = ("geometry", "position", "fixture", "conditioning", "stop_mode")
    positive = ("wavelength_nm", "thickness_mm", "speed_mm_min")
    row: dict[str, Any] = {"gauge_id": given["gauge_id"]}
    row.update({name: checks.line(given[name], name) for name in texts})
    row.update({name: checks.number_or_none(given[name], name, above=0) for name in positive})
    row["temperature_c"] = checks.number_or_none(given["temperature_c"], "temperature_c", above=-273.15)
    row["humidity_pct"] = checks.number_or_none(given["humidity_pct"], "humidity_pct", least=0, most=100)
    return row


def add_event(
    writer: Writer,
    kind: str,
    at_us: int,
    *,
    station_id: int | None = None,
    lot_id: int | None = None,
    clamp_tool_id: int | None = None,
    remark: str = "",
) -> int:
    """Record an event of a station, lot or clamp tool. `kind`: a code of weld.trade_rules.event_kinds, or its word."""
    codes = {event.word: code for code, event in event_kinds().items()}
    chosen = kind if kind in event_kinds() else codes[checks.one_of(kind, tuple(codes), "Kind of event")]
    row = {
        "kind": chosen,
        "station_id": station_id,
        "lot_id": lot_id,
        "clamp_tool_id": clamp_tool_id,
        "at_us": checks.moment(at_us, "Moment of the event"),
        "entered_us": writer.now_us,
        "person_id": writer.actor.person_id,
        "remark": checks.prose(remark, "Remark"),
    }
    if station_id is None and lot_id is None and clamp_tool_id is None:
        raise UsageError("It is not said where the event happened.", "Give a station, a lot or a clamp tool.")
    checks.row_or_none(writer, "station", station_id, "station")
    checks.row_or_none(writer, "lot", lot_id, "lot")
    checks.row_or_none(writer, "clamp_tool", clamp_tool_id, "clamp tool")
    if at_us > writer.now_us + DAY_US:
        raise Refused("The event lies in the future.", "Give the moment when it happened.")
    return writer.insert("event", row, act="event logged")
