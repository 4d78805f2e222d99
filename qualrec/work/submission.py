"""The customer's workbook of one part number: gathered in one snapshot, written whole or not at all."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from qualrec.export.messages import Words
from qualrec.export.pack import Element, Pack
from qualrec.export.seal import Sealed
from qualrec.export.submission_elements import ELEMENTS, FAMILIES, check_level
from qualrec.work import outfile, rights
from qualrec.work.session import Session
from qualrec.work.submission_pack import gather
from qualrec.work.submission_state import missing_of

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
    outfile.check_place(to, (SUFFIX,), replace=replace)
    pack = gather(session, part_number, level=level, with_recipe=with_recipe)
    digest, sealed = write_whole(pack, to, replace=replace, progress=progress)
    return Made(
        path=to,
        digest=digest,
        level=level,
        sentences=sentences(pack, to, digest),
        elements=pack.elements,
        sheets=tuple((one.title, one.digest) for one in sealed),
        trail_seq=pack.cover.trail_seq,
        trail_digest=pack.cover.trail_digest,
    )


def write_whole(
    pack: Pack, to: Path, *, replace: bool, progress: Progress | None = None
) -> tuple[str, tuple[Sealed, ...]]:
    """Write the file whole or not at all; returns its digest and the sealed sheets."""
    sealed: list[Sealed] = []

    def write(part: Path) -> None:
        from qualrec.export.workbook import write_workbook

        sealed.extend(write_workbook(pack, part, progress))

    return outfile.put(to, write, (SUFFIX,), replace=replace), tuple(sealed)


def sentences(pack: Pack, to: Path, digest: str) -> tuple[str, ...]:
    cover, words = pack.cover, Words()
    missing = missing_of(pack.elements)
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
