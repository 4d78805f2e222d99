"""The line that always says who is at work, on which plant's records, and what must not be overlooked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from textual.reactive import reactive

from qualrec.tui.widgets.parts_line import Part, PartsLine

Connection = Literal["opening", "open", "lost"]


@dataclass(frozen=True, slots=True)
class Status:
    """What the status line tells. `database` is a name without a password; `lock` says who holds the records, if anyone."""

    person: str = ""
    station: str = ""
    plant: str = ""
    database: str = ""
    connection: Connection = "opening"
    lock: str = ""
    no_accounts: bool = False
    invented: bool = False
    decimal_style: str = ""
    idle_lock_s: int = 0
    """After so many seconds without a key the person is asked again; 0: never."""


class StatusLine(PartsLine):
    """Shows a `Status`. In little room the database's name goes first, then the station; the marks stay."""

    status: reactive[Status] = reactive(Status)

    def parts(self) -> list[Part]:
        status = self.status
        found = [Part(status.person or "nobody signed in", "strong" if status.person else "look", rank=2)]
        if status.station:
            found.append(Part(f"at {status.station}", rank=6))
        if status.plant:
            found.append(Part(f"plant {status.plant}", rank=4))
        if status.invented:
            found.append(Part("INVENTED DATA", "look", rank=0))
        if status.no_accounts:
            found.append(Part("NO ACCOUNTS", "look", rank=1))
        if status.lock:
            found.append(Part(status.lock, "bad", rank=3))
        if status.connection == "lost":
            found.append(Part("! records not reachable", "bad", rank=0))
        elif status.connection == "opening":
            found.append(Part("opening the records", "quiet", rank=5))
        if status.database:
            found.append(Part(f"records {status.database}", "quiet", rank=7))
        return found
