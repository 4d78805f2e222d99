"""Setting a database up, and looking at the database as a whole."""

from __future__ import annotations

from dataclasses import dataclass

from qualrec import __version__
from qualrec.errors import DatabaseError
from qualrec.records import lookups, migrate, registry, trail
from qualrec.records.database import Store, open_store
from qualrec.values import Actor
from qualrec.work import passwords

PROGRAM = Actor(None, "qualrec")
"""The program itself, where no person acts yet."""
SINGLE_ROLES = ("technician", "process engineer", "quality engineer", "administrator")


def create(
    url: str,
    *,
    code: str,
    name: str,
    zone: str,
    decimal_style: str,
    person: str,
    badge: str = "1",
    password: str | None = None,
) -> str:
    """Make an empty database with one plant and its first person; says what was made.

    With a password the person is the first administrator and the plant keeps accounts; with None the plant has one
    person without accounts, which every screen and export says. Raises DatabaseError where the database already holds a
    plant, UsageError for a password against the rules.
    """
    if password is not None:
        passwords.check_rules("password", password, badge)
    with open_store(url, create=True) as store:
        _check_empty(store)
        with store.write(PROGRAM) as writer:
            alone = password is None
            registry.add_plant(writer, code, name, zone, decimal_style=decimal_style, single_user=alone)
            hashed = "" if password is None else passwords.hashed(password)
            roles = SINGLE_ROLES if alone else ("administrator",)
            registry.add_person(writer, person, badge, roles=roles, password_hash=hashed)
        if password is not None:
            return (
                f"Made {store.place}: plant {code}, first administrator {person} (badge {badge}). "
                f"Next: qualrec --badge {badge} person BADGE --name NAME --role ROLE"
            )
        return (
            f"Made {store.place}: plant {code}, one person ({person}) without accounts. "
            "Next: qualrec define FILE.toml"
        )


def check_empty(url: str) -> None:
    """Raises DatabaseError where a database already holds a plant; nothing where there is none or it cannot be opened yet."""
    try:
        store = open_store(url)
    except DatabaseError:
        return
    with store:
        _check_empty(store)


def _check_empty(store: Store) -> None:
    with store.read() as conn:
        held = lookups.plants(conn)
    if held:
        raise DatabaseError(f"{store.place} already holds plant {held[0].code}.", "Choose another path.")


@dataclass(frozen=True, slots=True)
class DatabaseStatus:
    """State of a database; `ready` where this program can work with it."""

    place: str
    revision: str
    wanted: str
    ready: bool
    plant: str
    counts: dict[str, int]
    trail_entries: int
    trail_head: str
    program: str

    @property
    def lines(self) -> tuple[tuple[str, str], ...]:
        head = self.trail_head[:16] + "…" if self.trail_head else ""
        return (
            ("database", self.place),
            ("revision", self.revision if self.ready else f"{self.revision or 'none'}, wanted {self.wanted}"),
            ("plant", self.plant),
            *((name, str(n)) for name, n in self.counts.items()),
            ("trail", f"{self.trail_entries} entries, head {head}"),
            ("program", f"qualrec {self.program}"),
        )


def status(url: str) -> DatabaseStatus:
    """Look at a database of any revision."""
    with open_store(url, check=False) as store:
        found, wanted = migrate.current(url), migrate.head()
        if found != wanted:
            return DatabaseStatus(store.place, found, wanted, False, "", {}, 0, "", __version__)
        with store.read() as conn:
            plants = lookups.plants(conn)
            if not plants:
                return DatabaseStatus(store.place, found, wanted, True, "none yet", {}, 0, "", __version__)
            plant = plants[0]
            counted = lookups.status_counts(conn, store.clock())
            counts = {
                "parts": counted.parts,
                "characteristics": counted.characteristics,
                "lots": sum(counted.lots.values()),
                "readings": counted.readings,
                "corrections": counted.corrections,
                "holding flags": counted.flags.get("H", 0),
                "review flags": counted.flags.get("R", 0),
                "informing flags": counted.flags.get("I", 0),
                "tests missing": counted.tests_missing,
            }
        head = trail.head(store, plant.id)
        mark = " (invented data)" if plant.invented and "invented" not in plant.name else ""
        return DatabaseStatus(
            store.place,
            found,
            wanted,
            True,
            f"{plant.code}, {plant.name}{mark}",
            counts,
            head.seq,
            head.digest,
            __version__,
        )
