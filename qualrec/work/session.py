"""An open plant and the person who acts: what every use case and every screen works with."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from qualrec.config import Settings
from qualrec.errors import UsageError
from qualrec.records import lookups
from qualrec.records.database import Store
from qualrec.records.database import open_store as open_records
from qualrec.values import Actor, Plant

COUNTER_MASK = (1 << 40) - 1
CLOCK_BEHIND_S = 60
"""Clocks of two stations may differ by so much."""
SAMPLE_BADGE = "Q-01"
"""Who acts on the command line of the sample plant when no badge is given."""


@dataclass(frozen=True, slots=True)
class Session:
    """A store with plant, person and settings. `remarks` are said once, before the answer of a command."""

    store: Store
    settings: Settings
    plant: Plant
    actor: Actor
    remarks: tuple[str, ...] = ()

    @property
    def style(self) -> str:
        """Decimal style of the display: the machine's where set, else the plant's."""
        return self.settings.decimal_style or self.plant.decimal_style

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.plant.zone)

    def moment(self, at_us: int | None) -> str:
        """A moment in the plant's zone, to the minute; empty for none."""
        if at_us is None:
            return ""
        return datetime.fromtimestamp(at_us / 1_000_000, UTC).astimezone(self.zone).strftime("%Y-%m-%d %H:%M")

    def offset_minutes(self, at_us: int) -> int:
        """Offset of the plant's clock from UTC at a moment."""
        offset = datetime.fromtimestamp(at_us / 1_000_000, UTC).astimezone(self.zone).utcoffset()
        return 0 if offset is None else int(offset.total_seconds() // 60)

    def short_id(self, record: int) -> int:
        """An id as people see it: its counter within the plant."""
        return record & COUNTER_MASK

    def full_id(self, number: int) -> int:
        """The id that a number typed by a person means."""
        return number if number > COUNTER_MASK else (self.plant.id << 40) | number

    def acting(self, actor: Actor) -> Session:
        """The same session with another person at the bench."""
        return replace(self, actor=actor)


@contextmanager
def open_session(settings: Settings) -> Iterator[Session]:
    """Open the database of the settings as the person whose badge they name.

    Without a badge: the only person of a single-user plant, or the sample quality engineer of the sample plant.
    Raises UsageError where the person must be named, UnknownRecord for an unknown badge, DatabaseError.
    """
    with open_records(settings.database_url) as store:
        yield make_session(store, settings)


def make_session(store: Store, settings: Settings) -> Session:
    """The session of an open store."""
    remarks: list[str] = []
    with store.read() as conn:
        plant = lookups.plant(conn)
        badge = settings.badge
        if not badge and plant.single_user:
            badge = min(lookups.persons(conn), key=lambda p: p.id).badge
            remarks.append(f"{plant.name}: one person without accounts.")
        elif not badge and plant.invented:
            badge = SAMPLE_BADGE
            remarks.append(f"{plant.name}: acting as {badge}; --badge names another person.")
        elif not badge:
            raise UsageError("Who acts is not known.", "Give --badge BADGE, or set QUALREC_BADGE.")
        actor = lookups.actor(conn, badge, settings.station or None)
        behind_s = (lookups.last_entry_us(conn, plant.id) - store.clock()) // 1_000_000
        if behind_s > CLOCK_BEHIND_S and not plant.invented:
            remarks.append(
                f"The clock of this machine is {behind_s // 60} min behind the last entry of the trail: set it right. "
                "Entries keep their order by their number."
            )
    return Session(store, settings, plant, actor, tuple(remarks))
