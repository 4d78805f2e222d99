"""People: who works here, with which roles, what they may test. Lies over a place; an administrator changes it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar, cast

from textual.app import ComposeResult
from textual.binding import BindingType

from qualrec.tui.actions import bindings_of
from qualrec.tui.labels import Tone
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.base import PlaceScreen
from qualrec.tui.screens.people_text import SeenPeople, people_lines
from qualrec.tui.screens.record_sheets import AskSheet, refusal
from qualrec.tui.widgets.forms import Choice, Field, Option, Row
from qualrec.tui.widgets.pick_list import Picks

if TYPE_CHECKING:
    from qualrec.records.lookups import Person
    from qualrec.work.passwords import Kind
    from qualrec.work.session import Session

ROLES = (
    Option("t", "technician", "technician"),
    Option("p", "process engineer", "process engineer"),
    Option("q", "quality engineer", "quality engineer"),
    Option("a", "auditor", "auditor", "Reads everything, changes nothing."),
    Option("x", "administrator", "administrator", "Manages people; touches no record."),
)
GIVE = (Option("g", "give", "give"), Option("t", "take", "take away"))


class PeopleScreen(PlaceScreen):
    PLACE: ClassVar[str] = "people"
    BINDINGS: ClassVar[list[BindingType]] = [
        *bindings_of("people"),
        ("escape", "app.back", "Back"),
    ]

    def __init__(self) -> None:
        super().__init__()
        self.seen: SeenPeople | None = None

    def compose_body(self) -> ComposeResult:
        yield Picks(id="people")

    @property
    def picks(self) -> Picks:
        return self.query_one(Picks)

    def load(self) -> None:
        self.load_and("")

    def load_and(self, told: str) -> None:
        """Read the people and say something then."""

        def use(session: Session) -> SeenPeople:
            from qualrec.records import lookups
            from qualrec.work.authorisations import leaves

            with session.store.read() as conn:
                people = lookups.persons(conn, plant_id=session.plant.id)
            return SeenPeople(session, people, leaves(session), session.store.clock())

        def then(seen: SeenPeople) -> None:
            self.seen = seen
            self.picks.show(people_lines(seen))
            self.picks.list.focus()
            if told:
                self.say(told, Tone.GOOD)

        self.read("people", use, then)

    def _person(self) -> Person | None:
        found = None if self.seen is None else self.seen.person(self.picks.key)
        if found is None:
            self.say("Put the cursor on a person first.", Tone.LOOK)
        return found

    def _ask(
        self, title: str, rows: tuple[Row, ...], lead: str, write: Callable[[Session, dict[str, str]], str]
    ) -> None:
        """A sheet whose answers are written; a refusal is shown in full."""

        def refused(trouble: Trouble) -> None:
            if trouble.lost:
                self.failed("people", trouble)
            else:
                self.app.push_screen(refusal("Not changed", trouble))

        def use(given: dict[str, str] | None) -> None:
            if given:
                self.write("people", lambda session: write(session, given), self.load_and, refused)

        self.app.push_screen(AskSheet(title, rows, lead=lead), use)

    def action_add(self) -> None:
        """Add a person."""

        def write(session: Session, given: dict[str, str]) -> str:
            from qualrec.work.people import add_person

            return add_person(session, given["badge"], given["name"], [given["role"]])

        rows = (
            Field("Badge", id="badge", placeholder="scan it, or type it"),
            Field("Name", id="name"),
            Choice("Role", ROLES, id="role"),
        )
        self._ask("Add a person", rows, "Who is added once is never removed; a leaver is disabled.", write)

    def action_roles(self) -> None:
        """Give the person under the cursor a role, or take one away."""
        person = self._person()
        if person is None:
            return
        badge = person.badge

        def write(session: Session, given: dict[str, str]) -> str:
            from qualrec.work.people import change_person

            role, reason = [given["role"]], given["reason"]
            if given["act"] == "give":
                return change_person(session, badge, give=role, reason=reason)
            return change_person(session, badge, take=role, reason=reason)

        rows = (Choice("Act", GIVE, id="act"), Choice("Role", ROLES, id="role"), Field("Reason", id="reason"))
        lead = f"Now: {', '.join(sorted(person.roles)) or 'no role'}."
        self._ask(f"Roles of {person.name}", rows, lead, write)

    def action_pin(self) -> None:
        self._secret("PIN")

    def action_password(self) -> None:
        self._secret("password")

    def _secret(self, kind: str) -> None:
        """Set a password or PIN; the own one is changed by who gives the present password."""
        person = self._person()
        if person is None:
            return
        badge = person.badge
        own = self.desk.badge == badge and not self.program.status.no_accounts

        def write(session: Session, given: dict[str, str]) -> str:
            from qualrec.errors import Refused
            from qualrec.work.people import set_secret

            if given["first"] != given["again"]:
                raise Refused(f"The two are not the same; no {kind} was set.", "Try again.")
            return set_secret(
                session, badge, cast("Kind", kind), given["first"], current=given.get("current")
            )

        now = (Field("Your password now", id="current", secret=True),) if own else ()
        rows = (
            *now,
            Field(f"New {kind}", id="first", secret=True),
            Field("Once more", id="again", secret=True),
        )
        self._ask(
            f"{kind.capitalize() if kind != 'PIN' else kind} of {person.name}", rows, _rule(kind), write
        )

    def action_authorise(self) -> None:
        """Authorise the person under the cursor for a test."""
        person = self._person()
        if person is None:
            return
        badge = person.badge

        def write(session: Session, given: dict[str, str]) -> str:
            from qualrec.work.authorisations import authorise

            return authorise(session, badge, given["test"], given["until"])

        rows = (
            Field("Test", id="test", placeholder="characteristic or gauge family"),
            Field("Last day", id="until", required=False, placeholder="2026-11-30, or empty: without an end"),
        )
        lead = "As soon as the plant keeps one authorisation, every reading that a person logs needs one."
        self._ask(f"Authorise {person.name}", rows, lead, write)

    def action_take_back(self) -> None:
        """Take back an authorisation of the person under the cursor."""
        person = self._person()
        if person is None or self.seen is None:
            return
        badge = person.badge
        held = ", ".join(dict.fromkeys(one.authorisation.test for one in self.seen.of(person)))

        def write(session: Session, given: dict[str, str]) -> str:
            from qualrec.work.authorisations import take_back

            return take_back(session, badge, given["test"], reason=given["reason"])

        rows = (Field("Test", id="test"), Field("Reason", id="reason"))
        self._ask(f"Take back from {person.name}", rows, f"Held: {held or 'nothing'}.", write)

    def action_state(self) -> None:
        """Disable a leaver, or take the person back."""
        person = self._person()
        if person is None:
            return
        badge, wanted = person.badge, "disabled" if person.state == "active" else "active"

        def write(session: Session, given: dict[str, str]) -> str:
            from qualrec.work.people import change_person

            return change_person(session, badge, state=wanted, reason=given["reason"])

        title = f"{'Disable' if wanted == 'disabled' else 'Take back'} {person.name}"
        lead = "Who is disabled cannot act at any station; all records keep the name."
        self._ask(title, (Field("Reason", id="reason"),), lead, write)

    def action_unlock(self) -> None:
        """End the lock of the person under the cursor."""
        person = self._person()
        if person is None:
            return
        badge = person.badge

        def write(session: Session, given: dict[str, str]) -> str:
            from qualrec.work.people import unlock

            return unlock(session, badge, reason=given["reason"])

        lead = "Ask the person first whether the failed sign-ons were their own."
        self._ask(f"Unlock {person.name}", (Field("Reason", id="reason"),), lead, write)


def _rule(kind: str) -> str:
    from qualrec.work import passwords as p

    if kind == "PIN":
        return f"{p.SHORTEST_PIN} to {p.LONGEST_PIN} digits. A PIN signs on; it never signs."
    return f"At least {p.SHORTEST_PASSWORD} signs; several words are good. Signing asks for it."
