"""The open records behind the screens: opened once, when first needed, in a thread; shared by all workers."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from threading import Lock
from typing import TYPE_CHECKING, TypeVar

from qualrec.config import Settings
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

    def store(self) -> Store:
        """The open database."""
        from qualrec.records.database import open_store

        with self._lock:
            if self._store is None:
                self._store = self._open.enter_context(open_store(self.settings.database_url))
            return self._store

    def session(self) -> Session:
        """The session of the person at work."""
        from qualrec.work.session import make_session

        store = self.store()
        with self._lock:
            if self._session is None:
                self._session = make_session(store, self.settings)
            return self._session

    def sign_on(self, badge: str) -> Session:
        """Go on as the person with this badge; on an error the person at work stays."""
        from qualrec.work.session import make_session

        session = make_session(self.store(), replace(self.settings, badge=badge))
        with self._lock:
            self._session = session
        return session

    def using(self, use: Callable[[Session], T]) -> Callable[[], T]:
        """`use` as work for `ask` or `save`."""
        return lambda: use(self.session())

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
            no_accounts=plant.single_user,
            invented=plant.invented,
            decimal_style=plant.decimal_style,
        )

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
