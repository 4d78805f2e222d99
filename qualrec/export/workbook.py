"""The workbook of one part number for a customer, written from a pack in one pass."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from qualrec.export.back import write_copy, write_manifest, write_methods
from qualrec.export.book import Book
from qualrec.export.capability import write_capability
from qualrec.export.changes import write_changes, write_concessions
from qualrec.export.characteristic import write_characteristic
from qualrec.export.declaration import write_declaration, write_signatures
from qualrec.export.front import write_cover, write_elements
from qualrec.export.limits import write_limits
from qualrec.export.lots import write_decisions, write_flags, write_lots
from qualrec.export.masters import write_gauges, write_recipes
from qualrec.export.messages import Words
from qualrec.export.pack import Pack
from qualrec.export.plan import Plan, make_plan
from qualrec.export.proof import write_plan, write_studies
from qualrec.export.raw import write_raw
from qualrec.export.seal import Sealed
from qualrec.export.specification import write_specification
from qualrec.export.text import shown

Progress = Callable[[str], None]

_WRITERS: dict[str, Callable[[Book, Pack, Plan], None]] = {
    "cover": write_cover,
    "elements": write_elements,
    "declaration": write_declaration,
    "specification": write_specification,
    "capability": write_capability,
    "lots": write_lots,
    "decisions": write_decisions,
    "flags": write_flags,
    "concessions": write_concessions,
    "raw": write_raw,
    "recipes": write_recipes,
    "changes": write_changes,
    "limits": write_limits,
    "control plan": write_plan,
    "studies": write_studies,
    "gauges": write_gauges,
    "methods": write_methods,
    "signatures": write_signatures,
}


def write_workbook(pack: Pack, to: Path, progress: Progress | None = None) -> tuple[Sealed, ...]:
    """Write the workbook to `to` (replacing what is there); returns the sealed sheets in their order.

    A workbook of a recorded submission has its sealed sheets protected. `progress` is told the title of each sheet as it
    begins. The sheets of characteristics follow the capability sheet.
    Raises OSError where the file cannot be written.
    """
    cover = pack.cover
    words = Words(cover.language)
    invented = f" - {words('cover.invented')}" if cover.plant.invented else ""
    made = datetime.fromtimestamp(cover.made_us / 1e6, UTC).astimezone(ZoneInfo(cover.plant.zone))
    book = Book(
        words,
        cover.plant.zone,
        header=(f"{cover.plant.name}{invented}", f"{cover.part.number} {cover.part.revision}".strip()),
        footer=f"{made:%Y-%m-%d %H:%M} {cover.plant.zone}, qualrec {cover.program_version}, {cover.trail_digest[:16]}",
    )
    plan = make_plan(book, pack)
    _properties(book, pack, made)
    try:
        sealed = _sheets(book, pack, plan, progress)
        book.save(to)
    except BaseException:
        book.discard()
        raise
    return sealed


def _sheets(book: Book, pack: Pack, plan: Plan, progress: Progress | None) -> tuple[Sealed, ...]:
    for key, writer in _WRITERS.items():
        if key in plan.titles:
            _tell(progress, plan.titles[key])
            writer(book, pack, plan)
        if key == "capability" and pack.shows("characteristics"):
            for one in pack.characteristics:
                _tell(progress, plan.places[one.characteristic.code].title)
                write_characteristic(book, pack, plan, one)
    _tell(progress, plan.titles["manifest"])
    before = tuple(book.sheets)
    sealed = write_manifest(book, pack, plan)
    if pack.declaration is not None:
        for sheet in book.sheets:
            sheet.protect()
    _tell(progress, plan.titles["copy"])
    write_copy(book, plan, (*before, book.sheets[-1]))
    return sealed


def _tell(progress: Progress | None, title: str) -> None:
    if progress is not None:
        progress(title)


def _properties(book: Book, pack: Pack, made: datetime) -> None:
    found, cover = book.workbook.properties, pack.cover
    found.creator = found.lastModifiedBy = shown(cover.plant.name)
    found.title = shown(f"{cover.part.number} {cover.part.name}")
    found.subject = book.words("title.cover")
    found.description = book.words("cover.invented_text") if cover.plant.invented else ""
    found.keywords = shown(f"{cover.part.number}, {cover.level}")
    found.language = cover.language
    found.created = found.modified = made.astimezone(UTC).replace(tzinfo=None)
    found.identifier = cover.trail_digest
