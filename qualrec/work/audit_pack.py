"""The audit pack of one lot: everything on it with its trail, readable without the program, every file with its digest."""

from __future__ import annotations

import json
import shutil
import tempfile
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Any

import qualrec
from qualrec.errors import Refused, UsageError
from qualrec.export.audit_pack import PackContent, pack_document
from qualrec.records import archive, backup, lookups, migrate
from qualrec.records.dossier import Dossier, dossier
from qualrec.records.trail import Head
from qualrec.values import TrailRow
from qualrec.work import certificate, outfile, trace
from qualrec.work.lots import lot_page
from qualrec.work.rights import require
from qualrec.work.safekeeping import Say, anchor_text
from qualrec.work.session import Session

ZIP = ".zip"
BOOK, TRACE = "lot.xlsx", "trace.txt"


@dataclass(frozen=True, slots=True)
class AuditPack:
    """A written pack. `files`: rows of each table by file name. `manifest_sha256`: digest of its manifest."""

    path: Path
    lot: str
    files: Mapping[str, int]
    entries: int
    entries_wrong: tuple[int, ...]
    manifest_sha256: str
    heads: tuple[Head, ...]


def write(
    session: Session, number: str, to: Path, *, replace: bool = False, say: Say | None = None
) -> AuditPack:
    """Write the pack of a lot into a new folder, or into one file where the name ends in .zip; note it in the trail.

    Raises Refused where something is there already, UnknownRecord for an unknown lot.
    """
    require(session.actor, "make an archive")
    zipped = to.suffix.lower() == ZIP
    if zipped:
        outfile.check_place(to, (ZIP,), replace=replace)
        with tempfile.TemporaryDirectory(prefix="qualrec-") as temporary:
            folder = Path(temporary) / "pack"
            made = _write(session, number, folder, to, say)
            outfile.put(to, lambda part: _zip(folder, part), (ZIP,), replace=replace)
    else:
        _new_folder(to)
        made = _write(session, number, to, to, say)
    with session.store.read() as conn:
        lot_id = lookups.lot(conn, number).id
    content = {"file": to.name, "manifest": made.manifest_sha256, "heads": backup.heads_out(made.heads)}
    with session.store.write(session.actor, session.plant.id) as writer:
        writer.note("audit pack made", "lot", lot_id, content)
    return made


def sentences(made: AuditPack) -> tuple[str, ...]:
    """A pack in words."""
    rows = sum(made.files.values())
    wrong = ", ".join(map(str, made.entries_wrong))
    checked = (
        f"NOT SOUND: the digests of entries {wrong} differ."
        if wrong
        else "their digests were recomputed and agree."
    )
    return (
        f"Audit pack of lot {made.lot} in {made.path}: {len(made.files)} tables, {rows} rows, {BOOK} and {TRACE}.",
        f"{made.entries} trail entries; {checked}",
        f"SHA-256 of {archive.MANIFEST}: {made.manifest_sha256}. Write it down outside.",
        *(anchor_text(head) for head in made.heads),
        "'qualrec archive-check FOLDER' compares the files with the manifest.",
    )


def _new_folder(to: Path) -> None:
    if to.exists() and (not to.is_dir() or any(to.iterdir())):
        raise Refused(f"{to} is there already and is not an empty folder.", "Choose a new folder.")
    if not to.parent.is_dir():
        raise UsageError(f"{to.parent}: there is no such folder.", "Make it first, or choose another.")


def _write(session: Session, number: str, folder: Path, shown: Path, say: Say | None) -> AuditPack:
    def tell(words: str) -> None:
        if say is not None:
            say(words)

    tell("gathering")
    with session.store.read() as conn:
        lot = lookups.lot(conn, number)
        held = dossier(conn, lot.id, session.plant.id)
        heads = archive.heads_of(conn)
        plain = lookups.readings_of_subjects(conn, held.subjects)
    files: dict[str, dict[str, Any]] = {}
    try:
        folder.mkdir(parents=False, exist_ok=True)
        tell("writing tables")
        for name, rows in held.rows.items():
            columns = archive.columns_of(name)
            cells = (tuple(row[c] for c in columns) for row in rows)
            files[f"{name}.csv"] = archive.write_table(folder / f"{name}.csv", columns, cells)
        words = (archive.in_words(row) for row in plain)
        files[archive.PLAIN] = archive.write_table(folder / archive.PLAIN, archive.PLAIN_HEADS, words)
        tell("writing the workbook")
        lines = trace_lines(session, number)
        files[TRACE] = archive.write_text(folder / TRACE, "\n".join(lines) + "\n")
        files[BOOK] = _book(session, number, held, lines, folder / BOOK)
        files[archive.EXPLAINED] = archive.write_text(
            folder / archive.EXPLAINED, explain(session, number, files)
        )
        told = archive.write_text(folder / archive.MANIFEST, _manifest(session, number, files, heads))
    except BaseException as error:
        shutil.rmtree(folder, ignore_errors=True)
        if not isinstance(error, OSError):
            raise
        raise Refused(
            f"{shown} was not written: {error.strerror or error}.", "Nothing was kept; write it elsewhere."
        ) from error
    counts = {name: int(told["rows"]) for name, told in files.items() if "rows" in told}
    entries = len(held.rows.get("trail", ()))
    return AuditPack(shown, number, counts, entries, held.entries_wrong, str(told["sha256"]), heads)


def _manifest(session: Session, number: str, files: Mapping[str, Any], heads: tuple[Head, ...]) -> str:
    made = datetime.fromtimestamp(session.store.clock() // 1_000_000, UTC)
    content = {
        "what": archive.WHAT,
        "lot": number,
        "plant": session.plant.code,
        "invented": session.plant.invented,
        "made": made.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "program": qualrec.__version__,
        "revision": migrate.head(),
        "heads": backup.heads_out(heads),
        "files": files,
    }
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def _book(session: Session, number: str, held: Dossier, lines: Sequence[str], to: Path) -> dict[str, Any]:
    from qualrec.export.document_book import write_book

    page = lot_page(session, number)
    people = {row["id"]: row["name"] for row in held.rows.get("person", ())}
    content = PackContent(
        certificate=certificate.content(session, number),
        readings=(*page.readings, *page.moulding_readings),
        flags=page.flags,
        events=page.events,
        gauges=tuple(page.gauges[code] for code in sorted(page.gauges)),
        trail=tuple(_entry(row, people) for row in held.rows.get("trail", ())),
        trace=tuple(lines),
    )
    write_book(pack_document(content), to)
    data = to.read_bytes()
    return {"bytes": len(data), "sha256": sha256(data).hexdigest()}


def _entry(row: Mapping[str, Any], people: Mapping[int, str]) -> TrailRow:
    return TrailRow(
        plant_id=row["plant_id"],
        seq=row["seq"],
        at_us=row["at_us"],
        person=people.get(row["person_id"], ""),
        act=row["act"],
        what_table=row["what_table"],
        what_id=row["what_id"],
        content=row["content"],
        digest=row["digest"],
    )


def trace_lines(session: Session, number: str) -> list[str]:
    """Where a lot came from and what became of it, as indented lines."""
    found = trace.trace(session, trace.Asked("lot", number))

    def walk(nodes: Sequence[trace.Node], depth: int) -> Iterator[str]:
        for node in nodes:
            yield f"{'  ' * depth}{node.kind} {node.name}{': ' if node.text else ''}{node.text}"
            yield from walk(node.children, depth + 1)

    return [
        f"lot {found.thing.name}: {found.thing.text}",
        "came from",
        *walk(found.came_from, 1),
        "went to",
        *walk(found.went_to, 1),
        *found.sentences,
    ]


def explain(session: Session, number: str, files: Mapping[str, Mapping[str, Any]]) -> str:
    """The text that goes with a pack."""
    plant = session.plant
    lines = [
        f"Everything on lot {number}, with the trail of it, as plain files.",
        *(
            ["The plant, the parts, the persons and every figure are invented sample data."]
            if plant.invented
            else []
        ),
        *(["These records are kept by one person without accounts."] if plant.single_user else []),
        "",
        f"{BOOK} is for people: results and decisions, readings, flags, events, gauges, genealogy, trail.",
        f"{TRACE} tells where the lot came from and what became of it.",
        f"{archive.PLAIN} holds every accepted reading in words.",
        "Every other .csv file is one table of the database: the rows that hang on the lot, and all that these point to.",
        "trail.csv holds the entries of these rows. They are not all entries of the chain, so each can be checked by its own",
        "digest, and its place in the chain only in the whole database.",
        "",
        *archive.HOW_TO_READ,
        *archive.HOW_TO_CHECK,
        "Rows by file",
    ]
    lines += [f"  {name}: {told['rows']}" for name, told in sorted(files.items()) if "rows" in told]
    return "\n".join(lines) + "\n"


def _zip(folder: Path, to: Path) -> None:
    with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as packed:
        for file in sorted(folder.iterdir()):
            packed.write(file, f"{folder.name}/{file.name}")
