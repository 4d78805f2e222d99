"""Archives: all records as plain files, and checking such a folder."""

from __future__ import annotations

from pathlib import Path

from qualrec.records import archive, backup
from qualrec.records.archive import Archive, ArchiveVerdict
from qualrec.work.rights import require
from qualrec.work.safekeeping import Narrator, Say, anchor_text
from qualrec.work.session import Session


def write(session: Session, folder: Path, say: Say | None = None) -> Archive:
    """Write an archive, and note in the trail that it was made."""
    require(session.actor, "make an archive")
    made = archive.write_archive(session.store, folder, Narrator(say, "writing"))
    content = {"folder": folder.name, "manifest": made.manifest_sha256, "heads": backup.heads_out(made.heads)}
    with session.store.write(session.actor, session.plant.id) as writer:
        writer.note("archive made", "plant", session.plant.id, content)
    return made


def sentences(made: Archive) -> tuple[str, ...]:
    """An archive in words."""
    rows = sum(made.files.values())
    return (
        f"Archive {made.folder}: {len(made.files)} tables, {rows} rows, {archive.EXPLAINED} in words.",
        f"SHA-256 of {archive.MANIFEST}: {made.manifest_sha256}. Write it down outside.",
        *(anchor_text(head) for head in made.heads),
    )


def check(folder: Path) -> ArchiveVerdict:
    """Compare an archive with its manifest; needs no database."""
    return archive.check_archive(folder)
