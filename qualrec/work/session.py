"""An open plant and the person who acts: what every use case and every screen works with."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from qualrec.config import Settings
from qualrec.errors import Refused, UsageError
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
    accounts: bool = False
    """Whether people prove who they are; every screen and export says where not."""
    signs: bool = False
    """The password was given for this one act, so a signature asks for none again. Never so at a screen."""

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
        """The same session with another person at the bench, who signs with a password of their own."""
        return replace(self, actor=actor, signs=False)


Ask = Callable[[Actor], str]
"""Asks a person for password or PIN."""


@contextmanager
def open_session(settings: Settings, ask: Ask | None = None) -> Iterator[Session]:
    """Open the database of the settings as the person whose badge they name, who proves it where the plant keeps accounts.

    Without a badge: the only person of a single-user plant, or the sample quality engineer of the sample plant, whose
    printed sample password the program gives by itself.
    Raises UsageError where the person must be named, UnknownRecord for an unknown badge, Refused, DatabaseError.
    """
    with open_records(settings.database_url) as store:
        session = make_session(store, settings)
        yield prove_session(session, ask) if session.accounts else session


def prove_session(session: Session, ask: Ask | None) -> Session:
    """The session once the person has proved who they are; with the password it also signs."""
    from qualrec.work import accounts

    badge, sample = session.actor.badge, accounts.SAMPLE_PASSWORD
    if session.plant.invented and accounts.is_sample_secret(session.store, badge, sample):
        return replace(session, signs=True)
    if ask is None:
        raise Refused(f"{session.actor.name} has to prove who acts.", "Give the password or PIN.")
    by = accounts.prove(session.store, session.plant, badge, ask(session.actor))
    return replace(session, signs=by == "password")


def opening_session(store: Store, settings: Settings) -> Session | None:
    """The session with which the screens open; None where somebody has to sign on first.

    A plant without accounts opens as the settings say, and the sample plant as a sample person while the printed password is
    that person's.
    """
    from qualrec.work import accounts

    with store.read() as conn:
        plant = lookups.plant(conn)
        kept = not plant.single_user and lookups.accounts_kept(conn)
    if kept and not plant.invented:
        return None
    session = make_session(store, settings)
    fits = not kept or accounts.is_sample_secret(store, session.actor.badge, accounts.SAMPLE_PASSWORD)
    return session if fits else None


def make_session(store: Store, settings: Settings, *, signs: bool = False) -> Session:
    """The session of an open store. That the person is who the settings say is the caller's to prove (`open_session` does).

    Raises Refused for a person who is disabled or locked.
    """
    from qualrec.work import accounts

    remarks: list[str] = []
    with store.read() as conn:
        plant = lookups.plant(conn)
        kept = not plant.single_user and lookups.accounts_kept(conn)
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
        if kept and actor.person_id is not None:
            accounts.check_standing(lookups.person(conn, actor.person_id), store.clock(), plant.zone)
        behind_s = (lookups.last_entry_us(conn, plant.id) - store.clock()) // 1_000_000
        if behind_s > CLOCK_BEHIND_S and not plant.invented:
            remarks.append(
                f"The clock of this machine is {behind_s // 60} min behind the last entry of the trail: set it right. "
                "Entries keep their order by their number."
            )
    return Session(store, settings, plant, actor, tuple(remarks), accounts=kept, signs=signs)
