"""Import profiles drafted from a file of a machine that the plant has no profile for."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from qualrec.intake.file_look import look_at
from qualrec.intake.profile_draft import draft_text
from qualrec.records import lookups
from qualrec.values import Characteristic
from qualrec.work.outfile import put
from qualrec.work.session import Session


def draft_file(
    file: Path,
    to: Path,
    *,
    known: Iterable[Characteristic] | None = None,
    part: str = "",
    sheet: str = "",
    replace: bool = False,
) -> tuple[str, ...]:
    """Write the draft of a profile for a file; says how much of it is still to be filled in.

    Raises UsageError where the file cannot be opened, FileRefused where it holds no table, Refused where the draft cannot
    be written.
    """
    text = draft_text(look_at(file, sheet), known, part, sheet)
    put(to, lambda place: _write(place, text), (".toml",), replace=replace)
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    guesses = sum("# guess" in line for line in lines)
    left = [line.split(" = ")[0] for line in lines if "# fill in" in line]
    asked = (
        f"To be filled in: {', '.join(dict.fromkeys(left))}." if left else "Nothing is left to be filled in."
    )
    return (
        f"{to} written: a draft with {guesses} guesses; check each. {asked}",
        f"Then: qualrec import {file.name} --profile {to.name} --dry-run",
    )


def draft_for_part(
    session: Session, part: str, file: Path, to: Path, *, sheet: str = "", replace: bool = False
) -> tuple[str, ...]:
    """As `draft_file`, with the characteristics of a part looked for in the heads. Raises UnknownRecord for the part."""
    with session.store.read() as conn:
        known = lookups.characteristics(conn, part, plant_id=session.plant.id)
    return draft_file(file, to, known=known, part=part, sheet=sheet, replace=replace)


def _write(place: Path, text: str) -> None:
    place.write_text(text, encoding="utf-8", newline="\n")
