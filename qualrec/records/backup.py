"""Copies of a SQLite database while stations write to it, and taking one back.

A copy is one moment of the database (the online backup of SQLite inside one read transaction), a single file, and is looked at
again after writing: structure, row counts, heads of the chains. Beside it lies `NAME.manifest.json` with the digest of the
file, the counts and the heads: that is also a head written down outside. A copy never goes over a file that is there.

A database on a server is copied by the server's own tools; `SERVER_WAY` says how.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import sqlite3
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import qualrec
from qualrec.errors import DatabaseBusy, DatabaseError, Refused, UsageError
from qualrec.records import migrate, trail
from qualrec.records.database import Store, open_store
from qualrec.records.driver_errors import is_busy, translated
from qualrec.records.trail import Head, TrailVerdict
from qualrec.values import Actor

Progress = Callable[[str, int, int], None]
"""Step, done, total (0 where it is not known)."""
PAGES_A_STEP = 4096
PROGRAM = Actor(None, "qualrec")
WHAT = "copy of a database of qualrec"
SERVER_WAY = (
    "On the server: pg_dump --format=custom --file=COPY DATABASE. To take it back: createdb NEW, then "
    "pg_restore --dbname=NEW COPY, then qualrec --db postgresql://.../NEW db verify, and compare the head with the one "
    "of the day of the copy (qualrec trail anchor)."
)


@dataclass(frozen=True, slots=True)
class Contents:
    """What a database holds: revision, rows of every table, head of every chain."""

    revision: str
    counts: Mapping[str, int]
    heads: tuple[Head, ...]


@dataclass(frozen=True, slots=True)
class Backup:
    """A copy that was written and looked at again."""

    path: Path
    manifest: Path
    bytes: int
    sha256: str
    contents: Contents


@dataclass(frozen=True, slots=True)
class Restored:
    """A copy that was taken back. `aside`: where the database that was there before lies now."""

    path: Path
    contents: Contents
    verdict: TrailVerdict
    aside: Path | None
    checked_by_manifest: bool


def back_up(store: Store, to: Path, progress: Progress | None = None) -> Backup:
    """Write a copy and its manifest. Raises UsageError for a server, Refused where a file is there, DatabaseError tree."""
    if store.path is None:
        raise UsageError("The database is on a server; this program does not copy it.", SERVER_WAY)
    manifest = manifest_of(to)
    for path in (to, manifest):
        if path.exists():
            raise Refused(f"{path} is there already.", "Choose another name; a copy never goes over a file.")
    if not to.absolute().parent.is_dir():
        raise UsageError(f"There is no folder {to.absolute().parent}.", "Make it, or choose another one.")
    part = part_of(to)
    try:
        with translated(str(to)):
            before = _copy(store.path, part, progress or _quiet)
            after = look(part)
        if before != after:
            raise DatabaseError(f"{to}: the copy differs from the database.", "Copy again to another disk.")
        with part.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        made = Backup(to, manifest, part.stat().st_size, digest, after)
        publish(part, to)
    finally:
        remove_part(part)
    try:
        with manifest.open("x", encoding="utf-8") as out:
            out.write(json.dumps(_manifest(made), indent=1, ensure_ascii=False) + "\n")
    except OSError as error:
        to.unlink()
        raise DatabaseError(
            f"{manifest} cannot be written ({error.strerror}).", "Choose another folder."
        ) from error
    return made


def restore(
    source: Path,
    to: Path,
    *,
    replace: bool = False,
    without_manifest: bool = False,
    progress: Progress | None = None,
) -> Restored:
    """Take a copy back into a new file, after digest, counts, heads and `trail.verify` agree.

    A database at `to` stays unless `replace`: it is then moved aside, never removed. The restored chain gets an entry that says
    so. Raises Refused where something does not agree, DatabaseBusy where a program holds what is to be replaced.
    """
    if not source.is_file():
        raise UsageError(f"There is no file {source}.", "Give the path of a copy made by: qualrec db backup")
    if to.exists() and not replace:
        raise Refused(
            f"{to} is there already.", "Choose a new path, or say --replace: the old file is put aside."
        )
    if not to.absolute().parent.is_dir():
        raise UsageError(f"There is no folder {to.absolute().parent}.", "Make it, or choose another one.")
    wanted = _read_manifest(source, without_manifest)
    part = part_of(to)
    try:
        with translated(str(source)):
            shutil.copyfile(source, part)
            _check_file(source, part, wanted)
            found = look(part)
            _check_contents(source, found, wanted)
            verdict = _verify(part, found, source, progress)
        aside = _put_aside(to) if to.exists() else None
        publish(part, to)
    except OSError as error:
        raise DatabaseError(
            f"{to} cannot be written ({error.strerror}).", "Choose another folder."
        ) from error
    finally:
        remove_part(part)
    return Restored(to, found, verdict, aside, wanted is not None)


def look(path: Path) -> Contents:
    """What a closed database file holds; raises Refused where its structure is damaged."""
    with contextlib.closing(sqlite3.connect(path)) as connection:
        for (message,) in connection.execute("PRAGMA integrity_check(1)"):
            if message != "ok":
                raise Refused(f"{path} is damaged: {message}.", "Take another copy.")
        return _contents(connection)


def manifest_of(path: Path) -> Path:
    """Where the manifest of a copy lies."""
    return path.with_name(f"{path.name}.manifest.json")


def heads_in(manifest: Path) -> tuple[Head, ...]:
    """The heads that the manifest of a copy or an archive carries. Raises Refused where it holds none."""
    try:
        rows = json.loads(manifest.read_text(encoding="utf-8"))["heads"]
        return tuple(Head(int(row["plant"]), int(row["seq"]), str(row["digest"])) for row in rows)
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise Refused(
            f"{manifest} is no manifest of a copy or an archive.", "Give the right file."
        ) from error


def heads_out(heads: tuple[Head, ...]) -> list[dict[str, Any]]:
    """Heads as a manifest holds them."""
    return [{"plant": head.plant_id, "seq": head.seq, "digest": head.digest} for head in heads]


def publish(part: Path, to: Path) -> None:
    """Give a finished file its name; raises Refused where one has it, also where that came just now."""
    try:
        os.link(part, to)
    except FileExistsError as error:
        raise Refused(f"{to} is there already.", "Choose another name.") from error
    except OSError:
        if to.exists():
            raise
        part.rename(to)
    else:
        part.unlink()


def _quiet(step: str, done: int, total: int) -> None:
    return


def part_of(to: Path) -> Path:
    """Name under which a file is written before it is whole."""
    return to.with_name(f".{to.name}.{os.getpid()}.part")


def remove_part(part: Path) -> None:
    """Remove an unfinished database and what lies beside it."""
    for path in (part, *(part.with_name(part.name + end) for end in ("-wal", "-shm", "-journal"))):
        path.unlink(missing_ok=True)


def _copy(source: Path, part: Path, progress: Progress) -> Contents:
    """Copy one moment; the file gets no write-ahead log, so that it is whole by itself."""

    def tell(status: int, remaining: int, total: int) -> None:
        progress("copy", total - remaining, total)

    with (
        contextlib.closing(sqlite3.connect(source, isolation_level=None)) as origin,
        contextlib.closing(sqlite3.connect(part, isolation_level=None)) as target,
    ):
        origin.execute("BEGIN")
        contents = _contents(origin)
        origin.backup(target, pages=PAGES_A_STEP, progress=tell)
        origin.execute("ROLLBACK")
        target.execute("PRAGMA journal_mode = DELETE")
    return contents


def _contents(connection: sqlite3.Connection) -> Contents:
    query = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name"
    names = [str(name) for (name,) in connection.execute(query)]
    if "trail_head" not in names or "alembic_version" not in names:
        raise Refused("The file is not a database of this program.", "Give the path of the right file.")
    counts = {name: int(connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]) for name in names}
    revision = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    heads = connection.execute("SELECT plant_id, seq, digest FROM trail_head ORDER BY plant_id")
    return Contents("" if revision is None else str(revision[0]), counts, tuple(Head(*row) for row in heads))


def _manifest(made: Backup) -> dict[str, Any]:
    return {
        "what": WHAT,
        "made": datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "program": qualrec.__version__,
        "revision": made.contents.revision,
        "file": made.path.name,
        "bytes": made.bytes,
        "sha256": made.sha256,
        "tables": dict(made.contents.counts),
        "heads": heads_out(made.contents.heads),
    }


def _read_manifest(source: Path, without: bool) -> Mapping[str, Any] | None:
    path = manifest_of(source)
    if not path.exists():
        if without:
            return None
        raise Refused(
            f"There is no manifest {path.name} beside {source.name}.",
            "Bring it from where the copy was made, or say --without-manifest: then nothing shows which copy it is.",
        )
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        if found["what"] != WHAT:
            raise KeyError("what")
        return {name: found[name] for name in ("bytes", "sha256", "tables", "heads")}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise Refused(f"{path} is no manifest of a copy.", "Bring the right one.") from error


def _check_file(source: Path, part: Path, wanted: Mapping[str, Any] | None) -> None:
    if wanted is None:
        return
    with part.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    if (part.stat().st_size, digest) != (wanted["bytes"], wanted["sha256"]):
        raise Refused(f"{source} is not the copy that was made: its digest differs.", "Take another copy.")


def _check_contents(source: Path, found: Contents, wanted: Mapping[str, Any] | None) -> None:
    if wanted is None:
        return
    if dict(found.counts) != wanted["tables"] or heads_out(found.heads) != wanted["heads"]:
        raise Refused(f"{source}: counts or heads are not those of the manifest.", "Take another copy.")


def _verify(part: Path, found: Contents, source: Path, progress: Progress | None) -> TrailVerdict:
    """Verify the copied file by the program's own rules and note in its chain that it was taken back."""
    url = f"sqlite:///{part}"
    if found.revision != migrate.head():
        migrate.upgrade(url, copy_first=False)
    with open_store(url) as store:
        verdict = trail.verify(store, progress)
        if not verdict.ok:
            first = verdict.faults[0].message
            raise Refused(
                f"{source} is not sound: {verdict.fault_count} faults, first: {first}", "Take another copy."
            )
        for head in verdict.heads:
            content = {"from": source.name, "seq": head.seq, "digest": head.digest}
            with store.write(PROGRAM, head.plant_id) as writer:
                writer.note("restored from a copy", "plant", head.plant_id, content)
    with contextlib.closing(sqlite3.connect(part, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
    return verdict


def _put_aside(to: Path) -> Path:
    """Move a database out of the way, its log with it. Raises DatabaseBusy where another program has it open."""
    with contextlib.closing(sqlite3.connect(to, timeout=0, isolation_level=None)) as connection:
        try:
            connection.execute("PRAGMA journal_mode = DELETE")
        except sqlite3.Error as error:  # a damaged file is moved as it is
            if is_busy(error):
                raise DatabaseBusy(
                    f"{to} is open in another program.", "Close all stations, then restore again."
                ) from error
    moment = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    aside = to.with_name(f"{to.stem}.replaced-{moment}{to.suffix}")
    for end in ("", "-wal", "-shm"):
        path = to.with_name(to.name + end)
        if path.exists():
            path.rename(aside.with_name(aside.name + end))
    return aside
