"""Revisions of the schema: where the scripts lie, what a database has, and the upgrade with a copy first."""

from __future__ import annotations

import re
import sqlite3
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Connection, Engine, text

from qualrec.errors import DatabaseError, SchemaMismatch
from qualrec.records.driver_errors import translated
from qualrec.records.engine import begin, file_of, make_engine, run_raw, shown

PACKAGE = Path(__file__).resolve().parents[1]
UPGRADE_LOCK = 0x7175616C
"""Key of the advisory lock that PostgreSQL upgrades take, so that two programs do not upgrade at once."""


@dataclass(frozen=True, slots=True)
class UpgradeReport:
    """What an upgrade did, or would do. `steps` are revision ids in order; `copy` is the file put aside before."""

    before: str
    after: str
    steps: tuple[str, ...]
    copy: Path | None
    dry_run: bool
    remark: str = ""


def locate() -> Path:
    """Folder of the migration scripts: inside the installed package, else beside it in a checkout.

    Raises DatabaseError that names the places looked at.
    """
    places = (PACKAGE / "migrations", PACKAGE.parent / "migrations")
    for place in places:
        if (place / "env.py").is_file():
            return place
    raise DatabaseError(
        f"The migration scripts are missing; looked in {places[0]} and {places[1]}.", "Install qualrec again."
    )


def revisions() -> tuple[str, ...]:
    """Revision ids from the first to the newest, read from the scripts without loading alembic."""
    after: dict[str | None, str] = {}
    for file in sorted((locate() / "versions").glob("*.py")):
        source = file.read_text(encoding="utf-8")
        own = re.search(r'^revision = "([^"]+)"', source, re.MULTILINE)
        before = re.search(r'^down_revision = (?:"([^"]+)"|None)', source, re.MULTILINE)
        if own is None or before is None:
            raise DatabaseError(f"{file}: no revision in this script.", "Install qualrec again.")
        after[before.group(1)] = own.group(1)
    chain: list[str] = []
    step: str | None = None
    while step in after and after[step] not in chain:
        step = after[step]
        chain.append(step)
    return tuple(chain)


def head() -> str:
    """The revision that this program needs."""
    return revisions()[-1]


def current(url: str) -> str:
    """Revision of a database; empty where it has none. Raises the DatabaseError tree."""
    engine = make_engine(url)
    try:
        with translated(shown(url)), engine.connect() as connection:
            return revision_of(connection)
    finally:
        engine.dispose()


def revision_of(connection: Connection) -> str:
    """Revision of an open database; empty where it has none."""
    names = "SELECT name FROM sqlite_master WHERE type = 'table'"
    if connection.dialect.name == "postgresql":
        names = "SELECT tablename FROM pg_catalog.pg_tables WHERE schemaname = current_schema()"
    if "alembic_version" not in set(connection.execute(text(names)).scalars()):
        return ""
    found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    return "" if found is None else str(found)


def holds_tables(connection: Connection) -> bool:
    """True where the database holds any table of its own."""
    names = "SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
    if connection.dialect.name == "postgresql":
        names = "SELECT count(*) FROM pg_catalog.pg_tables WHERE schemaname = current_schema()"
    return bool(connection.execute(text(names)).scalar_one())


def upgrade(url: str, copy_first: bool = True, dry_run: bool = False) -> UpgradeReport:
    """Bring a database to the revision of this program, in one transaction.

    A SQLite file is copied beside itself first; on PostgreSQL the administrator's own dump is the copy, and the report
    says so. `dry_run` says which steps would run. Raises SchemaMismatch where the database is newer than the program.
    """
    engine = make_engine(url)
    try:
        with translated(shown(url)):
            with engine.connect() as connection:
                before = revision_of(connection)
                foreign = before == "" and holds_tables(connection)
            if foreign:
                raise DatabaseError(
                    f"{shown(url)} holds tables of another program.",
                    "Give an empty database or the right one.",
                )
            steps = missing(before)
            copy, remark = None, ""
            if steps and before and copy_first and not dry_run:
                copy, remark = _put_aside(url, before)
            if steps and not dry_run:
                run_scripts(engine)
    finally:
        engine.dispose()
    return UpgradeReport(before, head(), steps, copy, dry_run, remark)


def missing(found: str) -> tuple[str, ...]:
    """Revisions that a database at `found` still lacks. Raises SchemaMismatch for a revision that is not known here."""
    known = revisions()
    if not found:
        return known
    if found not in known:
        raise SchemaMismatch(
            found,
            head(),
            "The database is newer than this program. Run: pip install --upgrade qualrec",
        )
    return known[known.index(found) + 1 :]


def run_scripts(engine: Engine) -> None:
    """Run the missing scripts on an engine in one transaction that also holds the upgrade lock."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(locate()).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    sqlite = engine.dialect.name == "sqlite"
    connection = begin(engine, "IMMEDIATE", first="PRAGMA foreign_keys = OFF" if sqlite else "")
    try:
        if not sqlite:
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({UPGRADE_LOCK})")
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
        if sqlite:
            _check_keys(connection)
        connection.commit()
    finally:
        connection.rollback()
        if sqlite:
            run_raw(connection, "PRAGMA foreign_keys = ON")
        connection.close()


def _check_keys(connection: Connection) -> None:
    broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
    if broken:
        raise DatabaseError(
            f"The upgrade would leave {len(broken)} rows of {broken[0][0]} pointing nowhere; it was not done.",
            "Report this with the copy of the database.",
        )


def _put_aside(url: str, before: str) -> tuple[Path | None, str]:
    path = file_of(url)
    if path is None:
        return None, "No copy was made: dump the database on the server before an upgrade."
    moment = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    copy = path.with_name(f"{path.stem}.before-{before}-{moment}{path.suffix}")
    source, target = sqlite3.connect(path), sqlite3.connect(copy)
    try:
        source.backup(target)
    finally:
        source.close()
        target.close()
    return copy, ""
