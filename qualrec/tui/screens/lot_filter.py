"""Which lots the list shows: state, part, text, flags, period; as a sheet, as a saved view, as a question to the records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING, Any

from qualrec.tui.screens.lot_sheets import ANY_STATE, day
from qualrec.tui.screens.record_sheets import AskSheet
from qualrec.tui.widgets.forms import Choice, Field, Option

if TYPE_CHECKING:
    from qualrec.values import LotRow
    from qualrec.work.session import Session

FLAGS = (
    Option("a", "all", "all lots"),
    Option("h", "H", "holding flag"),
    Option("r", "R", "flag to review"),
    Option("i", "I", "note"),
    Option("f", "any", "any flag"),
    Option("n", "none", "no flag"),
)
FLAG_WORDS = {option.value: option.word for option in FLAGS}


@dataclass(frozen=True, slots=True)
class Filter:
    """Which lots the list shows; empty: all. `since` and `until` are days, both included."""

    state: str = ""
    part: str = ""
    text: str = ""
    flags: str = ""
    since: str = ""
    until: str = ""

    @property
    def words(self) -> str:
        said = [f"state {self.state or 'any'}"]
        if self.part:
            said.append(f"part {self.part}")
        if self.text:
            said.append(f"text '{self.text}'")
        if self.flags:
            said.append(f"with {FLAG_WORDS.get(self.flags, self.flags)}")
        if self.since:
            said.append(f"from {self.since}")
        if self.until:
            said.append(f"to {self.until}")
        return ", ".join(said)

    def fields(self) -> dict[str, str]:
        """What a saved view holds."""
        return {name: value for name, value in asdict(self).items() if value}

    @classmethod
    def of(cls, view: Mapping[str, str]) -> Filter:
        """The filter of a saved view; fields that it does not know are left out."""
        names = {f.name for f in fields(cls)}
        return cls(**{name: value for name, value in view.items() if name in names})


def filter_sheet(now: Filter) -> AskSheet:
    return AskSheet(
        "Which lots?",
        (
            Choice("State", ANY_STATE, id="state", required=False),
            Field("Part number", id="part", required=False, placeholder="empty: all parts"),
            Field("Text", id="text", required=False, placeholder="in lot number, part number or part name"),
            Choice("Flags", FLAGS, id="flags", required=False),
            Field(
                "Welded from", id="since", required=False, understand=day, placeholder="2026-11-01, or empty"
            ),
            Field(
                "Welded to", id="until", required=False, understand=day, placeholder="2026-11-30, or empty"
            ),
        ),
        filled={"part": now.part, "text": now.text, "since": now.since, "until": now.until},
    )


def given_filter(now: Filter, given: Mapping[str, str]) -> Filter:
    """The filter that a sheet asks for; a choice that was passed over stays as it is."""
    state = {"": now.state, "any": ""}.get(given["state"], given["state"])
    flags = {"": now.flags, "all": ""}.get(given["flags"], given["flags"])
    return Filter(state, given["part"], given["text"], flags, given["since"], given["until"])


def _bounds(session: Session, asked: Filter) -> dict[str, Any]:
    from qualrec.work.days import end_of_day, moment_of

    return {
        "flags": asked.flags or None,
        "from_us": moment_of(session, asked.since) if asked.since else None,
        "until_us": end_of_day(session, asked.until) if asked.until else None,
    }


def page_of(session: Session, asked: Filter, after: object | None, limit: int) -> tuple[LotRow, ...]:
    """A page of the list; `after` as `lookups.lots_page`."""
    from qualrec.records import lookups

    with session.store.read() as conn:
        return lookups.lots_page(
            conn,
            asked.state or None,
            asked.part or None,
            asked.text or None,
            after=after,  # type: ignore[arg-type]
            limit=limit,
            **_bounds(session, asked),
        )


def count_of(session: Session, asked: Filter) -> int:
    """How many lots the list holds."""
    from qualrec.records import lookups

    with session.store.read() as conn:
        return lookups.count_lots(
            conn, asked.state or None, asked.part or None, asked.text or None, **_bounds(session, asked)
        )
