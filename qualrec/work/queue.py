"""Entries on their way to the records, kept on disk until they are stored: one small file for each.

An entry is written before it is sent and taken away after it is stored, so neither a lost connection nor a killed program
loses it. Each has a key under which the records take it once, however often it is sent. The files lie in the user's
state folder, apart for each database; a file is whole or not there (written beside, then renamed).
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import threading
import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

FORM = 1
"""Form of the files; another one is left alone and told."""
OTHERS_S = 60.0
"""A file of another run of the program is taken over when it is older: that run may still be sending it."""
WAITING, REFUSED, PUT_AWAY = "waiting", "refused", "put away"


@dataclass(frozen=True, slots=True)
class Kept:
    """One entry as it was typed. `kind`: 'reading' or 'event'; `content` is what `work.sending` reads.

    `at_us` is the moment of the test or event; `badge` and `station` say who made it where. `words`: how it is shown.
    `refusal`: why the records did not take it.
    """

    key: str
    kind: str
    at_us: int
    badge: str
    station: str
    words: str
    content: Mapping[str, Any] = field(default_factory=dict)
    refusal: str = ""

    @property
    def lot(self) -> str:
        return str(self.content.get("lot") or "")


class EntryQueue:
    """The entries of one database. `folder` None: they are kept while the program runs. Threads may share it."""

    def __init__(self, folder: Path | None, run_mark: str) -> None:
        self.folder = folder
        self.run_mark = run_mark
        self.trouble = ""
        """Why entries cannot be kept on disk, in words; empty while they can."""
        self._lock = threading.Lock()
        self._waiting: dict[str, Kept] = {}
        self._refused: dict[str, Kept] = {}
        self._own: set[str] = set()
        """Keys of this run: they are there even where the disk took none of them."""
        self._strange: set[str] = set()
        self.read()

    def add(self, entry: Kept) -> None:
        """Keep an entry. It is on disk when this returns, or `trouble` says why not."""
        with self._lock:
            self._waiting[entry.key] = entry
            self._own.add(entry.key)
            self._write(WAITING, entry)

    def stored(self, entry: Kept) -> None:
        """The records took it, or it was given back to be typed anew."""
        with self._lock:
            self._waiting.pop(entry.key, None)
            self._remove(WAITING, entry)

    def refuse(self, entry: Kept, why: str) -> None:
        """The records did not take it: it is kept and shown as refused."""
        refused = replace(entry, refusal=why)
        with self._lock:
            self._refused[entry.key] = refused
            self._waiting.pop(entry.key, None)
            self._write(REFUSED, refused)
            self._remove(WAITING, entry)

    def put_away(self, entry: Kept) -> None:
        """A refused entry was seen and dealt with: its file stays, it is no longer shown."""
        with self._lock:
            self._refused.pop(entry.key, None)
            self._write(PUT_AWAY, entry)
            self._remove(REFUSED, entry)

    def waiting(self) -> tuple[Kept, ...]:
        """What waits, in the order in which it was made."""
        with self._lock:
            return tuple(sorted(self._waiting.values(), key=lambda e: (e.at_us, e.key)))

    def refused(self) -> tuple[Kept, ...]:
        with self._lock:
            return tuple(sorted(self._refused.values(), key=lambda e: (e.at_us, e.key)))

    @property
    def unreadable(self) -> tuple[str, ...]:
        """Names of files that are not of the known form; they are left as they are."""
        with self._lock:
            return tuple(sorted(self._strange))

    def read(self) -> None:
        """Look again at what is on disk: entries of earlier runs, and of others that ended."""
        with self._lock:
            for kind, held in ((WAITING, self._waiting), (REFUSED, self._refused)):
                found = self._files(kind)
                for key in [k for k in held if k not in found and k not in self._own]:
                    del held[key]  # another run of the program stored it
                held.update({k: v for k, v in found.items() if k not in self._own or k in held})

    # Files.

    def _files(self, kind: str) -> dict[str, Kept]:
        folder = None if self.folder is None else self.folder / kind
        found: dict[str, Kept] = {}
        if folder is None or not folder.is_dir():
            return found
        for path in sorted(folder.glob("*.json")):
            try:
                if kind == WAITING and not self._ours(path):
                    continue
                held = json.loads(path.read_text(encoding="utf-8"))
                if held.pop("form") != FORM:
                    raise ValueError
                entry = Kept(**held)
            except FileNotFoundError:
                continue  # stored by another run meanwhile
            except (OSError, ValueError, TypeError, KeyError, AttributeError):
                self._strange.add(path.name)
                continue
            found[entry.key] = entry
        return found

    def _ours(self, path: Path) -> bool:
        own = path.name.startswith(f"{_plain(self.run_mark)}-")
        return own or time.time() - path.stat().st_mtime > OTHERS_S

    def _path(self, kind: str, entry: Kept) -> Path | None:
        return None if self.folder is None else self.folder / kind / f"{_plain(entry.key)}.json"

    def _write(self, kind: str, entry: Kept) -> None:
        path = self._path(kind, entry)
        if path is None:
            return
        text = json.dumps({"form": FORM, **asdict(entry)}, ensure_ascii=False, indent=1)
        draft = path.with_suffix(".draft")
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with draft.open("w", encoding="utf-8") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            os.replace(draft, path)
            _sync_folder(path.parent)
            self.trouble = ""
        except OSError as error:
            self.trouble = (
                f"Entries cannot be kept at {path.parent}: {error.strerror or error}. They are lost if the program ends "
                "before the records take them."
            )

    def _remove(self, kind: str, entry: Kept) -> None:
        path = self._path(kind, entry)
        if path is not None:
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)


def queue_folder(state_dir: Path | None, database: str) -> Path | None:
    """Folder of the entries of a database, by its address without user and password."""
    if state_dir is None:
        return None
    place = re.sub(r"//[^/@]*@", "//", database)
    name = _plain(place.rsplit("/", 1)[-1].split("?", 1)[0])[:40]
    return state_dir / "entries" / f"{name}-{hashlib.sha256(place.encode()).hexdigest()[:12]}"


def _plain(text: str) -> str:
    """A text as a name of a file on every system."""
    return re.sub(r"[^A-Za-z0-9_.-]", "-", text).strip(".") or "x"


def _sync_folder(folder: Path) -> None:
    """Have the new name on the disk too, on systems where a folder can be opened."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        with contextlib.suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)
