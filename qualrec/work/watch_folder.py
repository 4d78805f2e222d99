"""The files of a watched folder: which are there, whether one is still the same, moving one, the report beside a refused one.

No file is ever written over, links are never followed, and what is not a plain file is left alone.
"""

from __future__ import annotations

import os
import stat
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from qualrec.errors import FileRefused, QualrecError, UsageError

TAKEN, REFUSED = "taken", "refused"
"""Folders of a watch inside the watched folder."""
REPORT = ".report.txt"
UNFINISHED = (".tmp", ".temp", ".part", ".partial", ".crdownload", ".filepart", "~", REPORT)
"""Ends of names under which programs write what is not finished, and of our own reports."""
Kind = Literal["file", "link", "folder", "thing that is no file"]
COPY_BYTES = 1 << 20
LONGEST_NAME = 180


class Changed(Exception):
    """A file is not as it was."""


@dataclass(frozen=True, slots=True)
class Mark:
    """Size and time of a file."""

    size: int
    time_ns: int

    @classmethod
    def of(cls, path: Path) -> Mark:
        """Raises OSError where it is gone, is a link or no plain file."""
        found = os.stat(path, follow_symlinks=False)
        if not stat.S_ISREG(found.st_mode):
            raise FileNotFoundError(f"{path} is no plain file")
        return cls(found.st_size, found.st_mtime_ns)

    def still(self, path: Path) -> bool:
        """Whether the file is as it was."""
        try:
            return Mark.of(path) == self
        except OSError:
            return False


@dataclass(frozen=True, slots=True)
class Look:
    """A mark and since when (monotonic seconds) it has been the same."""

    mark: Mark
    since: float


def prepare(folder: Path, *, keep: bool) -> None:
    """Make the folders of the watch. Raises UsageError where one cannot be made or is a link."""
    for name in (REFUSED,) if keep else (TAKEN, REFUSED):
        path = folder / name
        try:
            path.mkdir(exist_ok=True)
        except OSError as error:
            raise UsageError(
                f"The folder {path} cannot be made ({error.strerror}).",
                "Give yourself the right to write there.",
            ) from error
        if path.is_symlink():
            raise UsageError(f"{path} is a link.", "Remove it; the watch makes a folder of its own.")


def candidates(folder: Path) -> list[tuple[str, Kind]]:
    """Names in the folder that may be files to take, with what they are, in order. Raises OSError."""
    found: list[tuple[str, Kind]] = []
    with os.scandir(folder) as entries:
        for entry in entries:
            name = entry.name
            if name.startswith((".", "~")) or name.casefold().endswith(UNFINISHED):
                continue
            kind = _kind(entry)
            if kind is not None and not (kind == "folder" and name in (TAKEN, REFUSED)):
                found.append((name, kind))
    return sorted(found)


def _kind(entry: os.DirEntry[str]) -> Kind | None:
    try:
        mode = os.stat(entry.path, follow_symlinks=False).st_mode
    except FileNotFoundError:
        return None
    except OSError:
        return "file"
    if stat.S_ISLNK(mode):
        return "link"
    if stat.S_ISDIR(mode):
        return "folder"
    return "file" if stat.S_ISREG(mode) else "thing that is no file"


def given_away(path: Path) -> bool:
    """Whether the system would let it be moved: Windows refuses while another program holds the file."""
    try:
        os.rename(path, path)
    except OSError:
        return False
    return True


def copy_of(path: Path, room: Path, mark: Mark) -> Path:
    """A copy under the same name in a room of its own. Raises Changed where the file changed meanwhile, OSError."""
    copy = room / path.name
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
    with open(os.open(path, flags), "rb") as source, copy.open("xb") as target:
        while piece := source.read(COPY_BYTES):
            target.write(piece)
            if target.tell() > mark.size:
                raise Changed
    if copy.stat().st_size != mark.size or not mark.still(path):
        raise Changed
    return copy


def put_into(path: Path, folder: Path) -> Path:
    """Move a file into a folder under its name, or with a number before the suffix where the name is taken. Raises OSError."""
    number = 1
    while True:
        name = path.name if number == 1 else f"{path.stem}-{number}{path.suffix}"
        target = folder / name
        try:
            # The name is held by an empty file of our own, so no other file is ever written over.
            os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
        except FileExistsError:
            number += 1
            continue
        try:
            os.replace(path, target)
        except OSError:
            target.unlink(missing_ok=True)
            raise
        return target


def report_text(name: str, moment: str, error: QualrecError) -> str:
    """Why a file was refused, in words."""
    lines = [f"{name} was refused on {moment}. Nothing of it was taken.", "", error.message]
    lines += [error.remedy] if error.remedy else []
    if isinstance(error, FileRefused) and error.problems:
        lines += ["", *(str(problem) for problem in error.problems)]
    lines += ["", "To have it taken: correct it and put it back into the watched folder."]
    return "".join(shown_name(line) + "\n" for line in lines)


def write_report(refused: Path, text: str) -> Path:
    """Write the report beside a refused file; its name is plain whatever the file's name is. Raises OSError."""
    stem = shown_name(refused.name)[:LONGEST_NAME]
    stem = "".join("_" if c in '\\/:*?"<>|\ufffd' else c for c in stem) or "file"
    number = 1
    while True:
        path = refused.with_name(f"{stem}{'' if number == 1 else f'-{number}'}{REPORT}")
        try:
            with path.open("x", encoding="utf-8") as out:
                out.write(text)
        except FileExistsError:
            number += 1
            continue
        return path


def shown_name(text: str) -> str:
    """A name or line that can be shown and kept: signs that are no text, steer or turn are replaced."""
    return "".join(
        c if unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Zl", "Zp") else "\ufffd" for c in text
    )
