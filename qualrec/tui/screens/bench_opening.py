"""What the bench opens: a delivery, a moulding lot, a welded lot; how a lot goes on and ends."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from qualrec.errors import UsageError
from qualrec.tui.labels import Tone
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.base import PlaceScreen
from qualrec.tui.screens.record_sheets import AskSheet
from qualrec.tui.widgets.forms import Choice, Field, Option, Row, Understood

if TYPE_CHECKING:
    from qualrec.work.opening import Opened
    from qualrec.work.session import Session

WELD, MOULD, RECEIVE, GO_ON, OWE, END = "weld", "mould", "receive", "go-on", "owe", "end"
KINDS = (
    Option("w", WELD, "welded lot"),
    Option("m", MOULD, "moulding lot"),
    Option("d", RECEIVE, "delivery"),
)
ON_A_LOT = (
    Option("g", GO_ON, "this lot goes on with something else"),
    Option("o", OWE, "this lot owes more samples"),
    Option("e", END, "this lot has ended"),
)
NOW = "empty: now; or as 2026-11-30 07:30"


def kind_sheet(lot: str) -> AskSheet:
    """What is to be opened; with a lot on the bench also how it goes on."""
    lead = f"On the bench: {lot}." if lot else ""
    return AskSheet("New", (Choice("What", (*KINDS, *(ON_A_LOT if lot else ())), id="kind"),), lead=lead)


def rows_of(kind: str) -> tuple[Row, ...]:
    """The rows that one kind asks for."""
    sides: tuple[Row, ...] = (
        Field("Upper lot", id="upper", required=False, placeholder="moulding lot of the upper part"),
        Field("Lower lot", id="lower", required=False, placeholder="moulding lot of the lower part"),
    )
    parts = Field("Parts", id="parts", required=False, understand=_count, placeholder="how many, if known")
    rows: dict[str, tuple[Row, ...]] = {
        WELD: (
            Field("Lot", id="number", placeholder="number of the new lot"),
            Field("Part", id="part", placeholder="part number"),
            *sides,
            Field("Recipe", id="recipe", required=False, placeholder="empty: the approved one of the part"),
            Field("Welder", id="station", required=False, placeholder="code; empty where there is only one"),
            parts,
            Field("Began", id="moment", required=False, placeholder=NOW),
        ),
        MOULD: (
            Field("Moulding lot", id="number", placeholder="number on the label"),
            Field("Component", id="component", placeholder="number of the upper or lower part"),
            Field(
                "Deliveries", id="deliveries", required=False, placeholder="supplier lots: R-2701, R-2702=30"
            ),
            Field("Tool", id="tool", required=False, placeholder="code of the mould, if known"),
            Field("Moulded", id="moment", required=False, placeholder=NOW),
        ),
        RECEIVE: (
            Field("Supplier lot", id="number", placeholder="number on the label"),
            Field("Material", id="material", placeholder="code of the material"),
            Choice(
                "Kind",
                (
                    Option("r", "resin", "resin"),
                    Option("m", "masterbatch", "masterbatch"),
                    Option("g", "regrind", "regrind"),
                ),
                id="kind",
            ),
            Field("Good until", id="expires", required=False, placeholder="last day, as 2027-11-30"),
            Field("Received", id="moment", required=False, placeholder=NOW),
        ),
        GO_ON: (
            *sides,
            Field("Recipe", id="recipe", required=False, placeholder="empty: as before"),
            Field("Welder", id="station", required=False, placeholder="empty: as before"),
            Field("Since", id="moment", required=False, placeholder=NOW),
        ),
        OWE: (
            Field("Test", id="code", placeholder="code of the characteristic"),
            Field("Samples", id="parts", understand=_count, placeholder="how many more"),
            Field("Position", id="position", required=False, placeholder="as hourly 10:00, if it matters"),
            Field("Due", id="moment", required=False, placeholder="as 14:30 or 2026-11-30 07:30"),
        ),
        END: (parts, Field("Ended", id="moment", required=False, placeholder=NOW)),
    }
    return rows[kind]


TITLES = {
    WELD: "New welded lot",
    MOULD: "New moulding lot",
    RECEIVE: "New delivery",
    GO_ON: "The lot goes on with something else",
    OWE: "The lot owes more samples",
    END: "The lot has ended",
}


def _count(text: str) -> Understood:
    if not text.strip().isdigit() or int(text) < 1:
        raise UsageError(f"{text!r} is no number of parts.", "Give a whole number from 1.")
    return Understood(int(text))


class Opening(PlaceScreen):
    """The part of the bench that opens things. A refused sheet comes back as it was filled in, with what was wrong."""

    def on_the_bench(self) -> str:
        """Number of the lot on the bench; empty for none."""
        raise NotImplementedError

    def opened_lot(self, number: str) -> None:
        """A lot was opened or changed: show it."""
        raise NotImplementedError

    def action_new(self) -> None:
        def chosen(answers: dict[str, str] | None) -> None:
            if answers:
                self._ask(answers["kind"], {})

        self.app.push_screen(kind_sheet(self.on_the_bench()), chosen)

    def _ask(self, kind: str, filled: dict[str, str], wrong: str = "") -> None:
        lot = self.on_the_bench()
        title = TITLES[kind].replace("The lot", f"Lot {lot}")

        def given(answers: dict[str, str] | None) -> None:
            if answers:
                self._open_it(kind, lot, answers)

        self.app.push_screen(AskSheet(title, rows_of(kind), lead=wrong, filled=filled), given)

    def _open_it(self, kind: str, lot: str, answers: dict[str, str]) -> None:
        def refused(trouble: Trouble) -> None:
            if trouble.lost:
                self.failed("new", trouble)
            self._ask(kind, answers, f"! {trouble.message} {trouble.remedy}".rstrip())

        def done(said: Opened | str) -> None:
            if isinstance(said, str):
                if lot:
                    self.opened_lot(lot)
                self.say(said, Tone.GOOD)
                return
            self.opened_lot(said.lot)
            self.say(" ".join(said.sentences), Tone.BAD if said.held else Tone.GOOD)

        self.write("new", use_of(kind, lot, answers), done, refused)


def use_of(kind: str, lot: str, given: Mapping[str, str]) -> Callable[[Session], Opened | str]:
    """The work that a filled sheet asks for."""

    def use(session: Session) -> Opened | str:
        from qualrec.work import opening
        from qualrec.work.bench_facts import owe

        segment = {name: given.get(name, "") for name in ("recipe", "upper", "lower", "station")}
        parts = int(given["parts"]) if given.get("parts") else None
        if kind == WELD:
            return opening.weld(
                session, given["number"], given["part"], quantity=parts, began=given["moment"], **segment
            )
        if kind == GO_ON:
            return opening.change(session, lot, since=given["moment"], **segment)
        if kind == OWE:
            return owe(session, lot, given["code"], int(given["parts"]), given["position"], given["moment"])
        if kind == END:
            return opening.end(session, lot, quantity=parts, ended=given["moment"])
        if kind == MOULD:
            named = [name.strip() for name in given["deliveries"].split(",") if name.strip()]
            return opening.mould(
                session,
                given["number"],
                given["component"],
                deliveries=named,
                tool=given["tool"],
                moulded=given["moment"],
            )
        return opening.receive(
            session,
            given["number"],
            given["material"],
            kind=given["kind"],
            received=given["moment"],
            expires=given["expires"],
        )

    return use
