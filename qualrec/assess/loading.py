"""What several assessments load: the revision that judges, the group of conditions, the stream, moments in plant time."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, TypeAlias
from zoneinfo import ZoneInfo

from qualrec.errors import UnknownRecord
from qualrec.judge.control_plan import with_plan
from qualrec.records import lookups
from qualrec.values import NO_CONDITION, NO_STREAM, Characteristic, LotSeries

Conn: TypeAlias = Any
"""A connection of `Store.read()`; its type is known to the room of records only."""


@dataclass(frozen=True, slots=True)
class Choice:
    """What a chart or report is about: stream and group of conditions, and which others there are."""

    stream_id: int
    stream: str
    streams: tuple[str, ...]
    condition_id: int
    condition: str
    others: tuple[str, ...]
    """Other groups of conditions with readings, in words with their counts; never mixed in."""
    condition_ids: tuple[int, ...] | None
    """Ids of all conditions in the group; None where nothing separates."""

    @property
    def series_stream(self) -> int | None:
        """The stream as series take it: None pools all."""
        return None if self.stream_id == NO_STREAM else self.stream_id


def choose(
    conn: Conn, characteristic: Characteristic, stream: str | None = None, condition: int | None = None
) -> Choice:
    """The stream of that label and the group of conditions: the one given, else the most used.

    Raises UnknownRecord for a stream without readings.
    """
    streams = [s for s in lookups.streams_of(conn, characteristic.id) if s.id != NO_STREAM]
    labels = tuple(s.label for s in streams)
    stream_id = NO_STREAM
    if stream:
        if stream not in labels:
            raise UnknownRecord(
                f"{characteristic.code} has no readings of stream {stream!r}.",
                f"Streams with readings: {', '.join(labels) or 'none'}.",
            )
        stream_id = streams[labels.index(stream)].id
    groups = lookups.conditions_of(conn, characteristic.id)
    chosen = groups[0] if groups else None
    if condition is not None and groups:
        chosen = next((g for g in groups if condition == g.id or condition in g.ids), None)
        if chosen is None:
            listed = "; ".join(f"{g.id}: {g.label}" for g in groups)
            raise UnknownRecord(f"{characteristic.code} has no readings under condition {condition}.", listed)
    others = tuple(
        f"{g.label} ({g.readings} readings)" for g in groups if chosen is not None and g.id != chosen.id
    )
    return Choice(
        stream_id=stream_id,
        stream=stream or "",
        streams=labels,
        condition_id=NO_CONDITION if chosen is None else chosen.id,
        condition="" if chosen is None else chosen.label,
        others=others,
        condition_ids=chosen.ids if chosen is not None and characteristic.separating else None,
    )


def series_of(
    conn: Conn, characteristic: Characteristic, choice: Choice, until_us: int | None = None
) -> LotSeries:
    """The running figures of a choice."""
    condition = choice.condition_id if characteristic.separating and choice.condition_id else None
    return lookups.lot_series(
        conn, characteristic.id, stream_id=choice.series_stream, condition_id=condition, until_us=until_us
    )


def revisions_at(
    conn: Conn, part_number: str, moments: Iterable[int]
) -> dict[int, dict[int, Characteristic]]:
    """For each moment the characteristics of a part by id, in the revision and under the control plan in force then.

    A characteristic that had no revision yet is judged by its first one.
    """
    every = lookups.characteristics(conn, part_number)
    ids = [c.id for c in every]
    held = lookups.load_revisions(conn, ids)
    plans = lookups.plan_rules(conn, every[0].part_id) if every else ()
    found: dict[int, dict[int, Characteristic]] = {}
    for moment in moments:
        rules = lookups.rules_at(plans, moment)
        found[moment] = {i: with_plan(lookups.in_force(held[i], moment) or held[i][0], rules) for i in ids}
    return found


def zone_of(conn: Conn, characteristic: Characteristic) -> str:
    """Time zone of the plant that the characteristic belongs to: the plant number is in its id."""
    plants = {p.id: p for p in lookups.plants(conn)}
    own = plants.get(characteristic.id >> 40)
    return own.zone if own is not None else "UTC"


def moment_text(moment_us: int, zone: str) -> str:
    """A moment in plant time to the minute."""
    moment = datetime.fromtimestamp(moment_us / 1e6, UTC).astimezone(ZoneInfo(zone))
    return moment.strftime("%Y-%m-%d %H:%M")
