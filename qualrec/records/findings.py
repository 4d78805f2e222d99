"""Storing what the judge found: flags with findings and actions, verdicts; control limits from `control_limits`.

Judging twice adds nothing: a finding is known by its `what` within its flag, and a flag by part, kind, lot (or moulding
lot) and characteristic.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import select

import qualrec
from qualrec.errors import Refused
from qualrec.judge.kinds import RULES_VERSION
from qualrec.records.control_limits import freeze_limits, store_limits
from qualrec.records.ids import counter_of
from qualrec.records.ledger import Writer
from qualrec.records.lookups.base import rows_for
from qualrec.records.models import metadata
from qualrec.records.registry import checks
from qualrec.values import NO_STREAM, Finding

__all__ = [
    "acknowledge",
    "add_action",
    "close_flag",
    "figures_text",
    "freeze_limits",
    "reopen_flag",
    "store_findings",
    "store_judgement",
    "store_limits",
]

LEVELS = ("H", "R", "I")
"""Highest first."""
SCOPES = ("reading", "lot", "process")
VERDICTS = ("pass", "fail", "incomplete", "unknown")
FlagKey = tuple[str, int | None, int | None, int | None]
"""Kind, lot, moulding lot where there is no lot, characteristic."""


def figures_text(figures: Mapping[str, Any]) -> str:
    """Figures as JSON; numbers that are not finite become null."""

    def plain(value: Any) -> Any:
        if value is None or isinstance(value, str | bool):
            return value
        if hasattr(value, "__index__"):
            return int(value)
        number = float(value)
        return number if math.isfinite(number) else None

    return json.dumps(
        {str(name): plain(value) for name, value in figures.items()}, sort_keys=True, ensure_ascii=False
    )


def store_findings(writer: Writer, part_id: int, findings: Sequence[Finding]) -> tuple[int, ...]:
    """Store what is new among findings of one part; returns the ids of flags opened or extended, in order.

    A finding that a flag of its key holds already, closed or not, adds nothing. A new one extends the flag that is not
    closed, else opens a new flag: what was closed stays closed. An acknowledged flag that is extended is open again; a
    flag takes the highest level of its findings.
    """
    for finding in findings:
        checks.one_of(finding.level, LEVELS, "Level")
        checks.one_of(finding.scope, SCOPES, "Scope")
        checks.name(finding.kind, "Kind of finding")
        checks.name(finding.what, "What was found")
    checks.row(writer, "part", part_id, "part")
    known, live = _known(writer, part_id, findings)
    touched: dict[int, None] = {}
    for finding in findings:
        key = _key(finding)
        if finding.what in known.setdefault(key, set()):
            continue
        known[key].add(finding.what)
        flag = live.get(key)
        if flag is None:
            flag = live[key] = _open(writer, part_id, finding)
        else:
            _extend(writer, flag, finding)
        row = {
            "flag_id": flag["id"],
            "what": finding.what,
            "figures": figures_text(finding.figures),
            "sentence": finding.sentence,
            "at_us": finding.at_us or writer.now_us,
        }
        writer.insert("flag_finding", row, act="finding added")
        touched[flag["id"]] = None
    return tuple(touched)


def _key(finding: Finding) -> FlagKey:
    moulding = finding.moulding_lot_id if finding.lot_id is None else None
    return (finding.kind, finding.lot_id, moulding, finding.characteristic_id)


def _known(
    writer: Writer, part_id: int, findings: Sequence[Finding]
) -> tuple[dict[FlagKey, set[str]], dict[FlagKey, dict[str, Any]]]:
    """What is known by key, and the flag of each key that is not closed."""
    f, x = metadata.tables["flag"], metadata.tables["flag_finding"]
    keys = {_key(finding) for finding in findings}
    asked = select(f).where(f.c.part_id == part_id, f.c.kind.in_({key[0] for key in keys})).order_by(f.c.id)
    lots = {key[1] for key in keys}
    if None not in lots:
        asked = asked.where(f.c.lot_id.in_(lots))
    live: dict[FlagKey, dict[str, Any]] = {}
    key_of: dict[int, FlagKey] = {}
    for row in writer.conn.execute(asked).mappings():
        key = (row["kind"], row["lot_id"], row["moulding_lot_id"] if row["lot_id"] is None else None)
        full: FlagKey = (*key, row["characteristic_id"])
        if full in keys:
            key_of[row["id"]] = full
            if row["state"] != "closed":
                live[full] = dict(row)
    known: dict[FlagKey, set[str]] = {}
    for found in rows_for(writer.conn, select(x.c.flag_id, x.c.what), x.c.flag_id, key_of):
        known.setdefault(key_of[found.flag_id], set()).add(found.what)
    return known, live


def _open(writer: Writer, part_id: int, finding: Finding) -> dict[str, Any]:
    row = {
        "kind": finding.kind,
        "level": finding.level,
        "scope": finding.scope,
        "state": "open",
        "part_id": part_id,
        "lot_id": finding.lot_id,
        "moulding_lot_id": finding.moulding_lot_id,
        "characteristic_id": finding.characteristic_id,
        "stream_id": finding.stream_id,
        "limits_id": finding.limits_id,
        "rule": finding.rule,
        "source": finding.source,
        "reaction_plan": json.dumps(list(finding.reaction_plan), ensure_ascii=False),
        "rules_version": RULES_VERSION,
        "program_version": qualrec.__version__,
        "opened_us": writer.now_us,
    }
    return {**row, "id": writer.insert("flag", row, act="flag opened")}


def _extend(writer: Writer, flag: dict[str, Any], finding: Finding) -> None:
    changes: dict[str, Any] = {}
    if LEVELS.index(finding.level) < LEVELS.index(flag["level"]):
        changes["level"] = finding.level
    if flag["stream_id"] != finding.stream_id and flag["stream_id"] != NO_STREAM:
        changes["stream_id"] = NO_STREAM
    if flag["state"] == "acknowledged":
        changes["state"] = "open"
        _act(writer, flag["id"], "reopened", f"A further finding: {finding.sentence}")
    if changes:
        writer.update("flag", flag["id"], changes, act="flag extended")
        flag.update(changes)


def _act(writer: Writer, flag_id: int, kind: str, text: str, signature_id: int | None = None) -> int:
    row = {
        "flag_id": flag_id,
        "kind": kind,
        "what": text,
        "at_us": writer.now_us,
        "person_id": writer.actor.person_id,
        "signature_id": signature_id,
    }
    return writer.insert("flag_action", row, act=f"flag: {kind}")


def _not_closed(writer: Writer, flag_id: int) -> Any:
    flag = checks.row(writer, "flag", flag_id, "flag")
    if flag.state == "closed":
        a, p = metadata.tables["flag_action"], metadata.tables["person"]
        asked = (
            select(p.c.name)
            .join(a, a.c.person_id == p.c.id)
            .where(a.c.flag_id == flag_id, a.c.kind == "closed")
            .order_by(a.c.at_us.desc(), a.c.id.desc())
            .limit(1)
        )
        by = writer.conn.execute(asked).scalar()
        raise Refused(
            f"Flag {counter_of(flag_id)} is closed{f' by {by}' if by else ''}; nothing was done.",
            "Look at the flag again; reopen it with a reason if it must be worked on.",
        )
    return flag


def acknowledge(writer: Writer, flag_id: int, text: str) -> int:
    """Take note of an open flag, in words; returns the id of the action. Raises Refused where it is closed."""
    words = checks.prose(text, "The note", filled=True)
    checks.person_acts(writer, "acknowledge a flag")
    flag = _not_closed(writer, flag_id)
    if flag.state == "open":
        writer.update("flag", flag_id, {"state": "acknowledged"}, act="flag acknowledged")
    return _act(writer, flag_id, "acknowledged", words)


def add_action(writer: Writer, flag_id: int, text: str, *, kind: str = "action") -> int:
    """Record what was done ('action') or seen ('note'); returns the id of the action. Raises Refused where it is closed."""
    words = checks.prose(text, "The action", filled=True)
    chosen = checks.one_of(kind, ("action", "note"), "Kind of action")
    checks.person_acts(writer, "act on a flag")
    _not_closed(writer, flag_id)
    return _act(writer, flag_id, chosen, words)


def close_flag(writer: Writer, flag_id: int, action_text: str, *, signature_id: int | None = None) -> int:
    """Close a flag with what was found and done; returns the id of the action.

    Raises UsageError for an empty action, Refused where no person acts or the flag is closed already.
    """
    words = checks.prose(action_text, "The action", filled=True)
    checks.person_acts(writer, "close a flag")
    _not_closed(writer, flag_id)
    checks.row_or_none(writer, "signature", signature_id, "signature")
    writer.update(
        "flag", flag_id, {"state": "closed", "closed_us": writer.now_us}, act="flag closed", why=words
    )
    return _act(writer, flag_id, "closed", words, signature_id)


def reopen_flag(writer: Writer, flag_id: int, reason: str) -> int:
    """Open a closed flag again, with a reason; returns the id of the action.

    Raises Refused where another flag of the same kind, lot and characteristic is not closed: work on that one.
    """
    words = checks.prose(reason, "The reason", filled=True)
    checks.person_acts(writer, "reopen a flag")
    flag = checks.row(writer, "flag", flag_id, "flag")
    if flag.state != "closed":
        raise Refused(f"Flag {counter_of(flag_id)} is not closed.", "Nothing has to be done.")
    f = metadata.tables["flag"]
    same = [
        f.c[name].is_not_distinct_from(getattr(flag, name))
        for name in ("lot_id", "moulding_lot_id", "characteristic_id")
    ]
    other = writer.conn.execute(
        select(f.c.id)
        .where(f.c.part_id == flag.part_id, f.c.kind == flag.kind, f.c.state != "closed", *same)
        .limit(1)
    ).scalar()
    if other is not None:
        raise Refused(f"Flag {counter_of(other)} on the same is not closed.", "Work on that one.")
    writer.update("flag", flag_id, {"state": "open", "closed_us": None}, act="flag reopened", why=words)
    return _act(writer, flag_id, "reopened", words)


def store_judgement(
    writer: Writer,
    lot_id: int,
    verdict: str,
    *,
    figures: Mapping[str, Any],
    characteristic_id: int | None = None,
    characteristic_revision_id: int | None = None,
    rejudged: str = "",
) -> int:
    """Store a verdict on a lot, or on one characteristic of it; returns its id. The same verdict again adds nothing.

    `rejudged`: the reason for judging by another revision of the characteristic than before. Raises Refused where the
    revision differs and no reason is given.
    """
    row = {
        "lot_id": lot_id,
        "characteristic_id": characteristic_id,
        "characteristic_revision_id": characteristic_revision_id,
        "verdict": checks.one_of(verdict, VERDICTS, "Verdict"),
        "figures": figures_text(figures),
        "rules_version": RULES_VERSION,
        "program_version": qualrec.__version__,
        "rejudged": checks.prose(rejudged, "The reason for judging again"),
    }
    lot = checks.row(writer, "lot", lot_id, "lot")
    j = metadata.tables["judgement"]
    before = (
        select(j)
        .where(j.c.lot_id == lot_id, j.c.characteristic_id.is_not_distinct_from(characteristic_id))
        .order_by(j.c.at_us.desc(), j.c.id.desc())
        .limit(1)
    )
    last = writer.conn.execute(before).mappings().first()
    if last is not None and not row["rejudged"]:
        if last["characteristic_revision_id"] != characteristic_revision_id:
            raise Refused(
                f"Lot {lot.number} was judged by another revision of the characteristic.",
                "Judging again is an act of its own: give the reason.",
            )
        if all(last[name] == row[name] for name in row if name != "rejudged"):
            return int(last["id"])
    return writer.insert(
        "judgement", {**row, "at_us": writer.now_us}, act="lot judged", why=str(row["rejudged"])
    )
