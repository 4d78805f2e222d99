"""The open records behind the screens: opened once, when first needed, in a thread; shared by all workers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import replace
from threading import Lock
from typing import TYPE_CHECKING, TypeVar

from qualrec.config import Settings
from qualrec.errors import Refused
from qualrec.tui.widgets.status_line import Status

if TYPE_CHECKING:
    from qualrec.records.database import Store
    from qualrec.work.session import Session

T = TypeVar("T")


class Desk:
    """Opens the database of the settings and keeps the session of the person at work.

    Its methods are called in workers: they load the database libraries and may wait. Raises what `open_store` and
    `make_session` raise: the DatabaseError tree, UsageError where it is not known who acts, UnknownRecord.
    """

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self._lock = Lock()
        self._open = ExitStack()
        self._store: Store | None = None
        self._session: Session | None = None
        self._lead = ""
        self.missing = False
        """There was no database file when it was last looked for."""
        self.nobody = False
        """The plant keeps accounts and nobody is signed on."""

    def store(self) -> Store:
        """The open database."""
        from qualrec.records.database import open_store

        with self._lock:
            if self._store is None:
                self.missing = self._not_there()
                self._store = self._open.enter_context(open_store(self.settings.database_url))
            return self._store

    def _not_there(self) -> bool:
        from qualrec.records.engine import file_of

        path = file_of(self.settings.database_url)
        return path is not None and not path.exists()

    def first_start(self, given: Mapping[str, str]) -> str:
        """Make the database with its first person, who is at work from then on; says what was made.

        `given`: kind ('accounts', 'single'), code, name, zone, person, badge, password, again. Raises Refused where
        the two passwords differ, UsageError, DatabaseError.
        """
        from qualrec.work import set_up

        alone = given["kind"] == "single"
        if not alone and given["password"] != given["again"]:
            raise Refused("The two passwords are not the same; nothing was made.", "Try again.")
        badge = "1" if alone else given["badge"] or "ADMIN"
        said = set_up.create(
            self.settings.database_url,
            code=given["code"],
            name=given["name"],
            zone=given["zone"],
            decimal_style=self.settings.decimal_style or "point",
            person=given["person"],
            badge=badge,
            password=None if alone else given["password"],
        )
        self.sign_on(badge, given["password"])
        return said

    def session(self) -> Session:
        """The session of the person at work. Raises Refused where the plant keeps accounts and nobody is signed on."""
        from qualrec.work.session import opening_session

        store = self.store()
        with self._lock:
            if self._session is None:
                self._session = opening_session(store, self.settings)
                self.nobody = self._session is None
                self._lead = self._words(store)
            if self._session is None:
                raise Refused("Nobody is signed on.", "Sign on with badge and PIN or password.")
            return self._session

    @staticmethod
    def _words(store: Store) -> str:
        from qualrec.records import lookups
        from qualrec.work.accounts import SAMPLE_ACCOUNTS

        with store.read() as conn:
            plant = lookups.plant(conn)
        return f"{plant.name}. {SAMPLE_ACCOUNTS}" if plant.invented else plant.name

    def sign_on(self, badge: str, secret: str = "") -> Session:
        """Go on as the person with this badge, who proves it where the plant keeps accounts.

        On an error the person at work stays. Raises Refused, UnknownRecord.
        """
        from qualrec.work import accounts
        from qualrec.work.session import make_session

        store = self.store()
        session = make_session(store, replace(self.settings, badge=badge))
        if session.accounts:
            accounts.prove(store, session.plant, badge, secret)
        with self._lock:
            self._session, self.nobody = session, False
        return session

    @property
    def badge(self) -> str:
        """Badge of the person at work; empty while there is none."""
        return "" if self._session is None else self._session.actor.badge

    def using(self, use: Callable[[Session], T]) -> Callable[[], T]:
        """`use` as work for `ask`."""
        return lambda: use(self.session())

    def writing(self, use: Callable[[Session], T]) -> Callable[[], T]:
        """`use` as work for `save`: with the roles that the person holds now, not those of the sign-on."""

        def work() -> T:
            from qualrec.records import lookups

            session = self.session()
            if not session.actor.badge:
                return use(session)
            with session.store.read() as conn:
                now = lookups.actor(conn, session.actor.badge, session.settings.station or None)
            return use(session.acting(now))

        return work

    def status(self) -> Status:
        """What the status line tells."""
        session = self.session()
        plant = session.plant
        return Status(
            person=session.actor.name,
            station=session.settings.station,
            plant=plant.code,
            database=database_name(self.settings.database_url),
            connection="open",
            no_accounts=not session.accounts,
            invented=plant.invented,
            decimal_style=plant.decimal_style,
            idle_lock_s=self._idle_lock(session),
        )

    @staticmethod
    def _idle_lock(session: Session) -> int:
        from qualrec.records import lookups

        if not (session.accounts and session.settings.station):
            return 0
        with session.store.read() as conn:
            return lookups.station(conn, session.settings.station).idle_lock_seconds

    def lead(self) -> str:
        """What a sheet that asks for a badge says, where the records were opened: the sample plant prints its secrets."""
        return self._lead

    def close(self) -> None:
        """Give back the database's connections."""
        with self._lock:
            self._open.close()
            self._store = self._session = None


def database_name(url: str) -> str:
    """The database's name for the screen: the file's name, or host and name of a server without user and password."""
    scheme, _, rest = url.partition("://")
    if scheme.startswith("sqlite"):
        return rest.rstrip("/").replace("\\", "/").rsplit("/", 1)[-1] or "in memory"
    return rest.rsplit("@", 1)[-1].split("?", 1)[0]
