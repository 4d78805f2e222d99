"""The customer's workbook of one part number: gathered in one snapshot, written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from qualrec.errors import Refused, UsageError
from qualrec.export.messages import Words
from qualrec.export.pack import FAMILIES, MISSING, Element, Pack
from qualrec.export.submission_elements import ELEMENTS, check_level
from qualrec.work import rights
from qualrec.work.session import Session
from qualrec.work.submission_pack import gather

SUFFIX = ".xlsx"
Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Made:
    """A workbook that was written. `digest` is the SHA-256 of the file, `sheets` holds (title, digest) of each sheet."""

    path: Path
    digest: str
    level: str
    sentences: tuple[str, ...]
    elements: tuple[Element, ...]
    sheets: tuple[tuple[str, str], ...]
    trail_seq: int
    trail_digest: str


def make(
    session: Session,
    part_number: str,
    to: Path,
    *,
    level: str = "3",
    with_recipe: bool = False,
    replace: bool = False,
    progress: Progress | None = None,
) -> Made:
    """Write the workbook of a part to `to`; the records are only read.

    `level` '1' to '5' or 'agreed'. `with_recipe`: recipe settings and qualified ranges go with it. `progress` is told what
    is being written. The file appears at once and whole: it is written beside under another name first. Raises Refused
    where the file is there and `replace` is not given, where it cannot be written, and for a person without the right;
    UsageError for a level, a folder or a name that does not fit; UnknownRecord for an unknown part.
    """
    rights.require(session.actor, "make submissions")
    level = check_level(level)
    check_place(to, replace=replace)
    pack = gather(session, part_number, level=level, with_recipe=with_recipe)
    sheets = write_whole(pack, to, replace=replace, progress=progress)
    digest = sha256(to.read_bytes()).hexdigest()
    return Made(
        path=to,
        digest=digest,
        level=level,
        sentences=_sentences(pack, to, digest),
        elements=pack.elements,
        sheets=sheets,
        trail_seq=pack.cover.trail_seq,
        trail_digest=pack.cover.trail_digest,
    )


def check_place(to: Path, *, replace: bool) -> None:
    """Raises UsageError or Refused where a file cannot or must not be written there."""
    if to.suffix.lower() != SUFFIX:
        raise UsageError(
            f"{to}: a workbook ends in {SUFFIX}.", f"Give a name as {to.stem or 'pack'}{SUFFIX}."
        )
    if not to.parent.is_dir():
        raise UsageError(f"{to.parent}: there is no such folder.", "Make it first, or choose another.")
    if to.is_dir():
        raise UsageError(f"{to} is a folder.", "Give the name of a file.")
    if to.exists() and not replace:
        raise Refused(
            f"{to} is already there; nothing was written.", "Choose another name, or say --replace."
        )


def write_whole(
    pack: Pack, to: Path, *, replace: bool, progress: Progress | None = None
) -> tuple[tuple[str, str], ...]:
    """Write beside, then put in place in one step; on any failure the place is as it was."""
    from qualrec.export.workbook import write_workbook

    try:
        handle, name = tempfile.mkstemp(prefix=f".{to.stem}.", suffix=".part", dir=to.parent)
    except OSError as error:
        raise _not_written(to, error) from error
    os.close(handle)
    part = Path(name)
    try:
        sheets = write_workbook(pack, part, progress)
        check_place(to, replace=replace)
        _readable_as_usual(part)
        os.replace(part, to)
    except OSError as error:
        raise _not_written(to, error) from error
    finally:
        part.unlink(missing_ok=True)
    return sheets


def _readable_as_usual(path: Path) -> None:
    """A temporary file is for its owner only; the workbook gets the permissions of any new file."""
    if os.name == "posix":
        mask = os.umask(0)
        os.umask(mask)
        path.chmod(0o666 & ~mask)


def _not_written(to: Path, error: OSError) -> Refused:
    return Refused(
        f"{to} was not written: {error.strerror or error}.",
        "Close the file where it is open, and check the folder's rights and the room on the disk.",
    )


def _sentences(pack: Pack, to: Path, digest: str) -> tuple[str, ...]:
    cover, words = pack.cover, Words()
    missing = [e for e in pack.elements if e.state == MISSING]
    readings = sum(len(s.readings) for s in pack.characteristics)
    said = [
        f"{to} written: part {cover.part.number}, "
        f"{'agreed list' if cover.level == 'agreed' else f'level {cover.level}'}, "
        f"{len(pack.characteristics)} characteristics, {len(pack.lots)} lots, {readings} readings.",
        f"SHA-256 {digest}",
        f"Record chain: entry {cover.trail_seq}, {cover.trail_digest}",
    ]
    if cover.plant.invented:
        said.append("All of it is invented data and says so.")
    if set(pack.families) < set(FAMILIES):
        left = ", ".join(
            words(f"sheet.{f}") for f in FAMILIES if f not in pack.families and f != "characteristics"
        )
        said.append(f"Not in the file at this level: {left}.")
    if not pack.with_recipe and pack.shows("recipes"):
        said.append("Recipe settings are not in it; --with-recipe adds them.")
    if missing:
        names = "; ".join(f"{e.number} {ELEMENTS[e.number].english}" for e in missing)
        said.append(f"Missing elements, to be supplied before it is signed: {names}.")
    return tuple(said)
