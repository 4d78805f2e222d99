"""Files that are written for people: whole or not at all, and never over a file that is there without being told."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from qualrec.errors import Refused, UsageError
from qualrec.export.document import Document

BOOK, PAPER = ".xlsx", ".pdf"


@dataclass(frozen=True, slots=True)
class Made:
    """A file that was written. `digest`: its SHA-256."""

    path: Path
    digest: str
    trail_seq: int
    trail_digest: str
    sentences: tuple[str, ...]


def check_place(to: Path, endings: Sequence[str], *, replace: bool) -> None:
    """Raises UsageError or Refused where a file cannot or must not be written there."""
    if to.suffix.lower() not in endings:
        said = " or ".join(endings)
        raise UsageError(
            f"{to}: the name must end in {said}.", f"Give a name as {to.stem or 'file'}{endings[0]}."
        )
    if not to.parent.is_dir():
        raise UsageError(f"{to.parent}: there is no such folder.", "Make it first, or choose another.")
    if to.is_dir():
        raise UsageError(f"{to} is a folder.", "Give the name of a file.")
    if to.exists() and not replace:
        raise Refused(
            f"{to} is already there; nothing was written.", "Choose another name, or say --replace."
        )


def put(to: Path, write: Callable[[Path], None], endings: Sequence[str], *, replace: bool = False) -> str:
    """Let `write` write beside, then put the file in place in one step; returns its SHA-256.

    On any failure the place is as it was. Raises Refused where it cannot be written.
    """
    check_place(to, endings, replace=replace)
    try:
        handle, name = tempfile.mkstemp(prefix=f".{to.stem[:60]}.", suffix=to.suffix, dir=to.parent)
    except OSError as error:
        raise _not_written(to, error) from error
    os.close(handle)
    part = Path(name)
    try:
        write(part)
        digest = sha256(part.read_bytes()).hexdigest()
        check_place(to, endings, replace=replace)
        _readable_as_usual(part)
        os.replace(part, to)
    except OSError as error:
        raise _not_written(to, error) from error
    finally:
        part.unlink(missing_ok=True)
    return digest


def put_document(document: Document, to: Path, *, replace: bool = False) -> str:
    """Write a document as a workbook or a PDF file, by the ending of the name; returns the SHA-256 of the file."""

    def write(part: Path) -> None:
        if to.suffix.lower() == BOOK:
            from qualrec.export.document_book import write_book

            write_book(document, part)
        else:
            from qualrec.export.pdf import write_pdf

            write_pdf(document, part)

    return put(to, write, (BOOK, PAPER), replace=replace)


def _readable_as_usual(path: Path) -> None:
    """A temporary file is for its owner only; this one gets the permissions of any new file."""
    if os.name == "posix":
        mask = os.umask(0)
        os.umask(mask)
        path.chmod(0o666 & ~mask)


def _not_written(to: Path, error: OSError) -> Refused:
    return Refused(
        f"{to} was not written: {error.strerror or error}.",
        "Close the file where it is open, and check the folder's rights and the room on the disk.",
    )
