"""Bytes of a database file are changed. Either the program says so in words, or what is stored is still what was entered.

Never a traceback, and never "in order" over records that differ.
"""

from __future__ import annotations

import random
import shutil
import sqlite3
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from qualrec.errors import QualrecError
from qualrec.records import trail
from qualrec.records.database import open_store

UNSEEN = ("alembic_version", "id_counter")
"""Tables that hold no records; a counter that is too low shows as a double id at the next write."""


@dataclass
class Tally:
    rounds: int = 0
    refused: int = 0
    faults: int = 0
    harmless: int = 0
    silent: list[str] = field(default_factory=list)
    tracebacks: list[str] = field(default_factory=list)

    @property
    def good(self) -> bool:
        return not self.silent and not self.tracebacks


def content(path: Path) -> dict[str, list[Any]] | None:
    """All rows of all tables (names are the same in any case) by full scans; None where the file cannot be read."""
    found: dict[str, list[Any]] = {}
    connection = sqlite3.connect(path)
    try:
        names = [
            r[0]
            for r in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")
        ]
        for name in names:
            if name not in UNSEEN:
                found[name.lower()] = connection.execute(f"SELECT * FROM {name} NOT INDEXED").fetchall()
    except (sqlite3.Error, UnicodeDecodeError):
        return None
    finally:
        connection.close()
    return found


def damage(source: bytes, chance: random.Random) -> bytes:
    """One of: a flipped bit, a byte, a run of zeros, a page of another place, the end cut off."""
    data = bytearray(source)
    at = chance.randrange(len(data))
    way = chance.randrange(5)
    if way == 0:
        data[at] ^= 1 << chance.randrange(8)
    elif way == 1:
        data[at] = chance.randrange(256)
    elif way == 2:
        data[at : at + 512] = bytes(len(data[at : at + 512]))
    elif way == 3:
        size = 4096
        one, two = (chance.randrange(len(data) // size) * size for _ in range(2))
        data[one : one + size] = data[two : two + size]
    else:
        del data[at:]
    return bytes(data)


def run(path: Path, folder: Path, rounds: int, seed: int = 1) -> Tally:
    """Damage copies of a closed, sound database and look at each."""
    tally, chance = Tally(), random.Random(seed)
    source, whole = path.read_bytes(), content(path)
    assert whole is not None
    for number in range(rounds):
        copy = folder / f"damaged-{number}.sqlite"
        copy.write_bytes(damage(source, chance))
        _look(copy, whole, tally)
        for left in folder.glob(f"{copy.name}*"):
            left.unlink()
    return tally


def _look(copy: Path, whole: dict[str, list[Any]], tally: Tally) -> None:
    tally.rounds += 1
    kept = copy.with_suffix(".kept")
    shutil.copyfile(copy, kept)
    try:
        with open_store(f"sqlite:///{copy}") as store:
            ok = trail.verify(store).ok
    except QualrecError as error:
        tally.refused += 1
        if not error.remedy:
            tally.tracebacks.append(f"no remedy: {error!r}")
        return
    except Exception as error:
        tally.tracebacks.append(repr(error))
        return
    finally:
        now = content(kept)
        kept.unlink()
    if not ok:
        tally.faults += 1
    elif now == whole:
        tally.harmless += 1
    else:
        differs = [name for name in whole if now is None or now.get(name) != whole[name]]
        tally.silent.append(f"{copy.name}: {', '.join(differs)}")
