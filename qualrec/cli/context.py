"""What the options before the command set, and how a command opens its session."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from qualrec.cli import diagnostics

if TYPE_CHECKING:
    from qualrec.config import Settings
    from qualrec.work.session import Session


@dataclass(slots=True)
class Options:
    """Options before the command; None where not given."""

    db: str | None = None
    theme: str | None = None
    badge: str | None = None
    station: str | None = None
    ascii: bool | None = None

    def settings(self, db: str | None = None) -> Settings:
        from qualrec import config

        return config.load(
            db=db or self.db, theme=self.theme, badge=self.badge, station=self.station, ascii=self.ascii
        )


OPTIONS = Options()


@contextmanager
def session() -> Iterator[Session]:
    """The open plant as the person on the command line, who proves it; says on stderr whose name entries will carry."""
    from qualrec.cli import secret_entry
    from qualrec.work.session import open_session

    with open_session(OPTIONS.settings(), secret_entry.ask) as opened:
        for remark in opened.remarks:
            diagnostics.say(remark)
        yield opened
