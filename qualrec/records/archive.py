"""The records as plain files that are readable without this program: one CSV file per table, a manifest, a text that explains.

A cell is text in UTF-8. An empty cell: nothing stated. A text that a spreadsheet program would take for a formula (it begins
with =, +, -, @, a tab or a carriage return), or that begins with an apostrophe, has an apostrophe before it. Control
characters other than line feed and tab stand as <U+001B>. Digests of passwords and PINs are left out.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, select

import qualrec
from qualrec.errors import DatabaseError, Refused, UsageError
from qualrec.records import migrate
from qualrec.records.backup import heads_out
from qualrec.records.database import Store
from qualrec.records.lookups.people import plants
from qualrec.records.lookups.readings import readings_of_subjects
from qualrec.records.models import metadata
from qualrec.records.trail import Head
from qualrec.values import ReadingRow

Progress = Callable[[str, int, int], None]
WHAT = "archive of records of qualrec"
LEFT_OUT = {"person": ("password_hash", "pin_hash", "failed", "locked_until_us")}
PLAIN = "readings_in_words.csv"
EXPLAINED = "README.txt"
MANIFEST = "manifest.json"
FORMULA = ("=", "+", "-", "@", "\t", "\r", "'")
SUBJECTS_AT_ONCE = 200
ROWS_AT_ONCE = 5_000
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_NUMBER = re.compile(r"-?\d+(\.\d+)?(e[-+]?\d+)?")
PLAIN_HEADS = (
    "lot_or_moulding_lot",
    "serial",
    "characteristic",
    "stream",
    "sample",
    "value_that_counts",
    "unit",
    "value_as_entered",
    "text_as_entered",
    "failure_mode",
    "measured_utc",
    "entered_utc",
    "person",
    "gauge",
    "source",
    "file",
    "void",
    "corrected",
    "correction_reason",
    "corrected_by",
    "late",
)

HOW_TO_READ = (
    "How to read them",
    "- UTF-8, separated by commas, a head line with the names of the columns, texts in quotes where needed.",
    "- An empty cell: nothing stated. 1 and 0 in yes-or-no columns are yes and no.",
    "- A column ending in _us is a moment in microseconds since 1970-01-01 00:00 UTC.",
    "- A column ending in _id points to the id of the table of that name (upper_id, lower_id: component_part).",
    "- A text that begins with an apostrophe: take the apostrophe away. It stands before texts that a",
    "  spreadsheet program would take for a formula.",
    "- <U+001B> and the like stand for a control character in a text.",
    "- Passwords and PINs are left out.",
    "",
)
HOW_TO_CHECK = (
    "How to check them",
    "- manifest.json holds the SHA-256 and the number of rows of every file (any SHA-256 tool computes them)",
    "  and the head of each chain. Compare the SHA-256 of manifest.json and the heads with those written down",
    "  outside when the archive was made.",
    "- Each trail entry: SHA-256, in lower-case hex, over the UTF-8 JSON list",
    "  [plant_id, seq, at_us, person_id, station_id, act, what_table, what_id, content, previous],",
    "  separators ',' and ':' without spaces, characters beyond ASCII not escaped, null for nothing, content as",
    "  text, previous the digest of the entry before (64 zeros for the first).",
    "",
)


@dataclass(frozen=True, slots=True)
class Archive:
    """A written archive. `files`: rows by file name."""

    folder: Path
    files: Mapping[str, int]
    heads: tuple[Head, ...]
    manifest_sha256: str


@dataclass(frozen=True, slots=True)
class ArchiveVerdict:
    """What checking an archive found; `faults` name the file."""

    files: int
    rows: int
    heads: tuple[Head, ...]
    faults: tuple[str, ...]

    @property
    def ok(self) -> bool:
        return not self.faults


def write_archive(store: Store, folder: Path, progress: Progress | None = None) -> Archive:
    """Write all tables at one moment into a new or empty folder. Raises UsageError, Refused where files are there."""
    tell: Progress = progress or (lambda step, done, total: None)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise Refused(f"{folder} is there already and is not an empty folder.", "Choose a new folder.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{folder} cannot be made ({error.strerror}).", "Choose another place.") from error
    files: dict[str, dict[str, Any]] = {}
    try:
        with store.read() as conn:
            heads = heads_of(conn)
            alone = [plant.code for plant in plants(conn) if plant.single_user]
            names = sorted(metadata.tables)
            for place, name in enumerate(names):
                tell("tables", place, len(names))
                files[f"{name}.csv"] = write_table(
                    folder / f"{name}.csv", columns_of(name), _rows(conn, name)
                )
            files[PLAIN] = write_table(folder / PLAIN, PLAIN_HEADS, _plain(conn, tell))
        files[EXPLAINED] = write_text(folder / EXPLAINED, explain(files, alone))
        content = {
            "what": WHAT,
            "made": datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            "program": qualrec.__version__,
            "revision": migrate.head(),
            "heads": heads_out(heads),
            "files": files,
        }
        told = write_text(folder / MANIFEST, json.dumps(content, indent=1, ensure_ascii=False) + "\n")
    except OSError as error:
        raise DatabaseError(
            f"{folder} cannot be written ({error.strerror}).",
            "The archive is not whole; remove it and write it elsewhere.",
        ) from error
    counts = {name: int(told.get("rows", 0)) for name, told in files.items() if name.endswith(".csv")}
    return Archive(folder, counts, heads, str(told["sha256"]))


def check_archive(folder: Path) -> ArchiveVerdict:
    """Compare the files of an archive with its manifest: names, digests, rows. Raises Refused where it is none."""
    try:
        told = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        if told["what"] != WHAT:
            raise ValueError("another kind of manifest")
        wanted = {str(n): (str(f["sha256"]), f.get("rows")) for n, f in told["files"].items()}
        heads = tuple(Head(int(h["plant"]), int(h["seq"]), str(h["digest"])) for h in told["heads"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise Refused(
            f"{folder} is no archive: its {MANIFEST} is missing or no manifest.", "Give the folder."
        ) from error
    there = {path.name for path in folder.iterdir()} - {MANIFEST}
    faults = [f"{name} is not one of the archive's files." for name in sorted(there - wanted.keys())]
    rows = 0
    for name, (digest, count) in sorted(wanted.items()):
        if name not in there:
            faults.append(f"{name} is missing.")
            continue
        with (folder / name).open("rb") as file:
            if hashlib.file_digest(file, "sha256").hexdigest() != digest:
                faults.append(f"{name} was changed: its digest differs.")
                continue
        if count is not None:
            with (folder / name).open(encoding="utf-8", newline="") as text:
                found = sum(1 for _ in csv.reader(text)) - 1
            rows += found
            if found != count:
                faults.append(f"{name} holds {found} rows, the manifest says {count}.")
    return ArchiveVerdict(len(wanted), rows, heads, tuple(faults))


def cell(value: Any) -> str:
    """A value as a cell."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "1" if value else "0"
    if not isinstance(value, str):
        return repr(value) if isinstance(value, float) else str(value)
    text = _CONTROL.sub(lambda found: f"<U+{ord(found.group()):04X}>", value)
    if value.startswith(FORMULA) and not _NUMBER.fullmatch(value):
        return f"'{text}"
    return text


def heads_of(conn: Connection) -> tuple[Head, ...]:
    """The head of each chain."""
    t = metadata.tables["trail_head"]
    return tuple(
        Head(*row) for row in conn.execute(select(t.c.plant_id, t.c.seq, t.c.digest).order_by(t.c.plant_id))
    )


def columns_of(name: str) -> tuple[str, ...]:
    """Columns of a table that leave the database."""
    return tuple(c.name for c in metadata.tables[name].c if c.name not in LEFT_OUT.get(name, ()))


def _rows(conn: Connection, name: str) -> Iterator[Sequence[Any]]:
    table = metadata.tables[name]
    asked = select(*(table.c[column] for column in columns_of(name))).order_by(*table.primary_key.columns)
    with conn.execute(asked, execution_options={"stream_results": True, "yield_per": ROWS_AT_ONCE}) as result:
        for row in result:
            yield tuple(row)


def _plain(conn: Connection, tell: Progress) -> Iterator[Sequence[Any]]:
    """Every accepted reading in words, subject by subject."""
    r = metadata.tables["reading"]
    subjects = list(conn.execute(select(r.c.subject_id).distinct().order_by(r.c.subject_id)).scalars())
    for begin in range(0, len(subjects), SUBJECTS_AT_ONCE):
        tell("readings", begin, len(subjects))
        for row in readings_of_subjects(conn, subjects[begin : begin + SUBJECTS_AT_ONCE]):
            yield in_words(row)


def in_words(row: ReadingRow) -> Sequence[Any]:
    """A reading as a row under `PLAIN_HEADS`."""
    return (
        row.lot_number,
        row.serial,
        row.code,
        row.stream,
        row.key.sample,
        row.value,
        row.unit,
        row.original,
        row.entered_text,
        "" if row.pull is None else row.pull.mode,
        _utc(row.at_us),
        _utc(row.entered_us),
        row.person,
        row.gauge,
        row.source,
        row.file_name,
        row.void,
        row.corrected,
        row.correction_reason,
        row.corrected_by,
        row.late,
    )


def _utc(at_us: int | None) -> str:
    if at_us is None:
        return ""
    return datetime.fromtimestamp(at_us / 1_000_000, UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def write_table(path: Path, heads: Sequence[str], rows: Iterator[Sequence[Any]]) -> dict[str, Any]:
    """Write a CSV file; its rows, bytes and digest."""
    digest, size, count = hashlib.sha256(), 0, 0
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\n")
    with path.open("xb") as file:

        def put() -> None:
            nonlocal size
            data = buffer.getvalue().encode("utf-8")
            file.write(data)
            digest.update(data)
            size += len(data)
            buffer.seek(0)
            buffer.truncate()

        writer.writerow(heads)
        for row in rows:
            writer.writerow([cell(value) for value in row])
            count += 1
            if count % ROWS_AT_ONCE == 0:
                put()
        put()
    return {"rows": count, "bytes": size, "sha256": digest.hexdigest()}


def write_text(path: Path, text: str) -> dict[str, Any]:
    """Write a text file; its bytes and digest."""
    data = text.encode("utf-8")
    with path.open("xb") as file:
        file.write(data)
    return {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}


def explain(files: Mapping[str, Mapping[str, Any]], alone: Sequence[str] = ()) -> str:
    """The text that goes with an archive: what the files are and how to read them without this program.

    `alone`: codes of the plants that keep no accounts.
    """
    lines = [
        "Quality records of laser-transmission-welded plastic parts, as plain files.",
        *(f"Plant {code} keeps NO ACCOUNTS: one person, whose name entries carry." for code in alone),
        "",
        "readings_in_words.csv holds every accepted reading in words: lot, serial number, characteristic, value,",
        "failure mode, when, who, gauge, and what a correction made of it. It is the file to begin with.",
        "Every other .csv file is one table of the database, all rows, all columns, ordered by its key.",
        "",
        *HOW_TO_READ,
        "How the tables hang together",
        "- lot > lot_segment > reading (subject_id is the id of the segment, moulding lot or check).",
        "- reading holds what was entered and is never changed; correction says what counts instead;",
        "  reading_entry how it was typed; pull the failure mode; welded_unit the serial numbers.",
        "- batch says how readings came in; only readings of batches in state 'accepted' count.",
        "- delivery > moulding_parent > moulding_lot > lot_segment: which material went into what.",
        "- flag, flag_finding, flag_action, disposition, concession, shipment, containment: what was found and decided.",
        "- trail: who did what, when; each entry carries the digest of the one before.",
        "",
        *HOW_TO_CHECK,
        "Rows by file",
    ]
    lines += [f"  {name}: {told['rows']}" for name, told in sorted(files.items()) if "rows" in told]
    return "\n".join(lines) + "\n"
