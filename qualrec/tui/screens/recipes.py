"""Recipes: what are we running, what changed, who approved it, how much energy reaches the joint?"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType

from qualrec.tui.actions import bindings_of
from qualrec.tui.labels import Tone
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.people_sheets import password_row
from qualrec.tui.screens.recipe_joint import JointActions
from qualrec.tui.screens.recipe_text import (
    Seen,
    asked_for,
    changed_settings,
    echo_setting,
    list_lines,
    revision_detail,
    typed_setting,
)
from qualrec.tui.screens.record_sheets import AskSheet, refusal
from qualrec.tui.widgets.forms import Field, Understood
from qualrec.tui.widgets.pick_list import Picks

if TYPE_CHECKING:
    from qualrec.values import RecipeRevision
    from qualrec.weld.settings import Setting
    from qualrec.work.recipes import RecipePage
    from qualrec.work.session import Session

TEACH = (
    "Enter a part number with its two component parts: qualrec define FILE",
    "Write the recipe of its weld in the same file: process, settings with their units and ranges.",
    "Have it approved here by somebody else than its author.",
)


class RecipesScreen(JointActions):
    PLACE: ClassVar[str] = "recipes"
    BINDINGS: ClassVar[list[BindingType]] = [*bindings_of("recipes")]
    DEFAULT_CSS = "RecipesScreen Picks.-wide > DetailPane { width: 3fr; }"

    def __init__(self) -> None:
        super().__init__()
        self.seen: Seen | None = None
        self.pages: dict[int, RecipePage] = {}
        self.marked: int | None = None
        """The revision that others are compared with; None: each with the one before it."""

    def compose_body(self) -> ComposeResult:
        yield Picks(id="recipes")

    @property
    def picks(self) -> Picks:
        return self.query_one(Picks)

    def first_steps(self) -> tuple[str, ...]:
        return TEACH

    def load(self) -> None:
        self.load_and("")

    def load_and(self, told: str) -> None:
        """Read the recipes and say something then."""

        def use(session: Session) -> Seen:
            from qualrec.work.recipes import recipes_page

            return Seen(session, *recipes_page(session), session.store.clock())

        def then(seen: Seen) -> None:
            self.seen = seen
            self.pages = {}
            self.set_empty(not seen.revisions, "No recipe is on record yet.")
            self._show()
            if self.focused is None:
                self.picks.list.focus()
            if told:
                self.say(told, Tone.GOOD)

        self.read("recipes", use, then)

    def _show(self) -> None:
        if self.seen is not None:
            self.picks.show(list_lines(self.seen, self.marked))
            self._tell()

    def on_picks_moved(self, message: Picks.Moved) -> None:
        self._tell()

    def _tell(self) -> None:
        """Details of the revision under the cursor; what takes time is put in when it is there."""
        revision = self._revision()
        if revision is None or self.seen is None:
            return
        page = self.pages.get(revision.id)
        self.picks.detail(
            revision_detail(self.seen, revision, self._base(revision), page, self.decimal_style)
        )
        if page is not None:
            return
        wanted = revision.id

        def use(session: Session) -> RecipePage:
            from qualrec.work.recipes import recipe_page

            return recipe_page(session, wanted)

        def then(found: RecipePage) -> None:
            self.pages[wanted] = found
            self._tell()

        self.read("recipe", use, then)

    def _revision(self) -> RecipeRevision | None:
        return None if self.seen is None else self.seen.revision(self.picks.key)

    def _base(self, revision: RecipeRevision) -> RecipeRevision | None:
        assert self.seen is not None
        marked = self.seen.revision(f"rev:{self.marked}")
        if marked is not None and marked.recipe_id == revision.recipe_id and marked.id != revision.id:
            return marked
        return self.seen.before(revision)

    def _chosen(self) -> RecipeRevision | None:
        revision = self._revision()
        if revision is None:
            self.say("Put the cursor on a revision first.", Tone.LOOK)
        return revision

    def _do(self, title: str, use: Callable[[Session], str]) -> None:
        def refused(trouble: Trouble) -> None:
            if trouble.lost:
                self.failed("recipes", trouble)
            else:
                self.app.push_screen(refusal(title, trouble))

        self.write("recipes", use, self.load_and, refused)

    # Actions.

    def action_compare(self) -> None:
        """Compare the others of this recipe with the revision under the cursor; again: each with the one before."""
        revision = self._chosen()
        if revision is not None:
            self.marked = None if self.marked == revision.id else revision.id
            self._show()

    def action_approve(self) -> None:
        revision = self._chosen()
        if revision is None or self.seen is None:
            return
        code, number_of = revision.code, revision.revision
        actor = self.seen.session.actor
        lead = (
            f"Approved revisions never change. The one in force now is superseded at once.\n"
            f"Signed by {actor.name} ({actor.badge}); drafted by {revision.author or 'nobody named'}."
        )
        page = self.pages.get(revision.id)
        if page is not None and page.triggers:
            lead += f"\nThe change from revision {page.compared} asks for: {asked_for(page.triggers)}."

        def use(given: dict[str, str] | None) -> None:
            if given:
                self._do("Not approved", lambda session: _approve(session, code, number_of, given))

        title = f"Approve {code} revision {number_of}"
        rows = (Field("Reason", id="reason"), *password_row(self.program.status.no_accounts))
        self.app.push_screen(AskSheet(title, rows, lead=lead), use)

    def action_draft(self) -> None:
        """A new draft from the revision under the cursor."""
        revision = self._chosen()
        if revision is None:
            return
        from qualrec.weld.settings import SETTINGS, find_process

        settings = SETTINGS[find_process(revision.process)]
        held = {s.name: s for s in revision.settings}
        style = self.decimal_style
        filled = {s.name: typed_setting(held.get(s.name), style) for s in settings}
        fields = [
            Field(s.label, id=s.name, unit=s.unit, required=s.required, understand=self._reader(s))
            for s in settings
        ]
        code, number_of = revision.code, revision.revision

        def use(given: dict[str, str] | None) -> None:
            if not given:
                return

            def write(session: Session) -> str:
                from qualrec.work.recipes import draft_revision

                changes = changed_settings(settings, filled, given)
                made = draft_revision(session, code, number_of, changes, given["reason"])
                return f"{code} revision {made.revision} drafted. Somebody else has to approve it."

            self._do("Not drafted", write)

        lead = "Write a value, and where the machine allows a range: 200 from 190 to 210. Empty: not set."
        sheet = AskSheet(
            f"New draft from {code} revision {number_of}",
            (*fields, Field("Reason", id="reason")),
            lead=lead,
            filled=filled,
        )
        self.app.push_screen(sheet, use)

    def _reader(self, setting: Setting) -> Callable[[str], Understood]:
        return lambda text: echo_setting(setting, text, self.decimal_style)

    def action_withdraw(self) -> None:
        revision = self._chosen()
        if revision is None:
            return
        code, number_of = revision.code, revision.revision

        def use(given: dict[str, str] | None) -> None:
            if given:
                self._do(
                    "Not withdrawn", lambda session: _withdraw(session, code, number_of, given["reason"])
                )

        lead = "From now on no lot may be welded with it. It stays readable."
        title = f"Withdraw {code} revision {number_of}"
        self.app.push_screen(AskSheet(title, (Field("Reason", id="reason"),), lead=lead), use)

    def action_change(self) -> None:
        """Begin a temporary change of the revision under the cursor, or end the one under the cursor."""
        change = None if self.seen is None else self.seen.change(self.picks.key)
        if change is not None:
            self._end_change(change.id, change.what)
            return
        revision = self._chosen()
        if revision is None:
            return
        code, number_of = revision.code, revision.revision

        def use(given: dict[str, str] | None) -> None:
            if not given:
                return

            def write(session: Session) -> str:
                from qualrec.work.recipes import begin_change

                return begin_change(
                    session,
                    code,
                    number_of,
                    what=given["what"],
                    extra_checks=given["checks"],
                    until=given["until"],
                    password=given.get("password"),
                )

            self._do("Not recorded", write)

        rows = (
            Field("Change", id="what", placeholder="what is done otherwise, and why"),
            Field("Extra checks", id="checks", placeholder="what is tested more while it lasts"),
            Field("Last day", id="until", placeholder="as 2026-11-30"),
            *password_row(self.program.status.no_accounts),
        )
        self.app.push_screen(AskSheet(f"Temporary change of {code} revision {number_of}", rows), use)

    def _end_change(self, change: int, what: str) -> None:
        def use(given: dict[str, str] | None) -> None:
            if given:
                self._do("Not ended", lambda session: _end(session, change, given["reason"]))

        rows = (Field("Reason", id="reason"),)
        self.app.push_screen(AskSheet("End the temporary change", rows, lead=what), use)


def _approve(session: Session, code: str, revision: int, given: dict[str, str]) -> str:
    from qualrec.work.review import approve_recipe

    return approve_recipe(session, code, revision, reason=given["reason"], password=given.get("password"))


def _withdraw(session: Session, code: str, revision: int, reason: str) -> str:
    from qualrec.work.recipes import withdraw_recipe

    return withdraw_recipe(session, code, revision, reason=reason)


def _end(session: Session, change: int, reason: str) -> str:
    from qualrec.work.recipes import end_change

    return end_change(session, change, why=reason)
