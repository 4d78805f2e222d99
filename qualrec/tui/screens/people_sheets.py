"""Sheets that ask who it is: signing on, changing the person at a shared bench, the lock of a bench left alone."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, cast

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Static

from qualrec.tui.labels import plain
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.record_sheets import AskSheet
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.forms import Choice, Field, Form, Option, Row
from qualrec.tui.workers import Asking

if TYPE_CHECKING:
    from qualrec.tui.app import QualrecApp


def password_row(no_accounts: bool) -> tuple[Row, ...]:
    """The row of a sheet that signs: the password again; none where the plant keeps no accounts.

    Its answer is `given["password"]`, to be handed on as `given.get("password")`.
    """
    return () if no_accounts else (Field("Your password", id="password", secret=True),)


def second_rows(no_accounts: bool) -> tuple[Row, ...]:
    """Who stands behind a correction that changes a verdict: the badge, with accounts also PIN or password.

    The answers are `given["second"]` and `given.get("second_secret")`.
    """
    badge = Field("Second badge", id="second", required=False, placeholder="where the verdict changes")
    if no_accounts:
        return (badge,)
    return badge, Field("PIN of the second", id="second_secret", secret=True, required=False)


def first_start_sheet(lead: str) -> AskSheet:
    """There is no database yet: the plant, and its first administrator or one person without accounts."""
    kinds = (
        Option("a", "accounts", "accounts", "The first person is the administrator, who adds the others."),
        Option("s", "single", "one person, no accounts", "Every screen and export says so."),
    )
    rows = (
        Choice("Who works here", kinds, id="kind"),
        Field("Plant code", id="code", placeholder="short, as P1"),
        Field("Plant name", id="name"),
        Field("Time zone", id="zone", placeholder="as Europe/Berlin"),
        Field("Your name", id="person"),
        Field("Your badge", id="badge", required=False, placeholder="empty: ADMIN"),
        Field("Password", id="password", secret=True, required=False, placeholder="with accounts"),
        Field("Once more", id="again", secret=True, required=False),
    )
    return AskSheet("First start", rows, lead=lead)


class ProofSheet(Asking, ModalScreen[bool]):
    """Badge and PIN or password. It stays until they are right; what lies below is untouched."""

    DEFAULT_CSS = """
    ProofSheet { align: center middle; background: $background 60%; }
    ProofSheet > #sheet {
        width: 76; max-width: 100%; height: auto; background: $surface; border: outer $tone-quiet; padding: 0 1;
    }
    ProofSheet #sheet-title { text-style: bold; }
    ProofSheet #sheet-lead { height: auto; padding: 0 0 1 0; }
    .-ascii ProofSheet > #sheet { border: ascii $tone-quiet; }
    """

    def __init__(self, title: str, lead: str, *, badge: str = "") -> None:
        super().__init__()
        self.sheet_title = title
        self.lead = lead
        self.badge = badge
        """Whose badge counts where the row is left empty."""

    @property
    def program(self) -> QualrecApp:
        return cast("QualrecApp", self.app)

    def compose(self) -> ComposeResult:
        with Vertical(id="sheet"):
            yield Static(self._words(self.sheet_title), id="sheet-title", markup=False)
            yield Static(self._words(self.lead), id="sheet-lead", markup=False)
            with Form(id="proof"):
                hint = f"empty: {self.badge}" if self.badge else "scan it, or type it"
                yield Field("Badge", id="badge", placeholder=hint, required=not self.badge)
                yield Field("PIN or password", id="secret", secret=True, required=False)

    def on_mount(self) -> None:
        first = "#secret" if self.badge else "#badge"
        self.query_one(first, Field).start()

    def on_form_complete(self, message: Form.Complete) -> None:
        message.stop()
        if self.waiting("sign-on"):
            return
        desk = self.program.desk
        badge = message.texts["badge"].strip() or self.badge
        secret = message.texts["secret"]
        if desk is not None:
            self.ask("sign-on", lambda: desk.sign_on(badge, secret), self._right, self._wrong)

    def _right(self, session: object) -> None:
        self.dismiss(True)

    def _wrong(self, trouble: Trouble) -> None:
        field = self.query_one("#secret", Field)
        field.clear()
        field.tell(f"{trouble.message} {trouble.remedy}".rstrip())
        field.start()

    def _words(self, text: str) -> str:
        return plain(text) if is_ascii(self) else text


class SignOnSheet(ProofSheet):
    """Asks at the start, where nobody is signed on yet; the program can be left."""


class PersonSheet(ProofSheet):
    """Another person goes on; Esc: the same person stays."""

    BINDINGS: ClassVar[list[BindingType]] = [("escape", "dismiss(False)", "Close")]


class LockSheet(ProofSheet):
    """A band at the bottom: the bench was left alone. What is half typed stays to be seen above it, and stays as it is.

    Nothing but badge and secret is taken: no way to other places, no leaving of the program.
    """

    DEFAULT_CSS = """
    LockSheet { align: center bottom; background: $background 0%; }
    LockSheet > #sheet { width: 100%; }
    """

    def stay(self) -> None:
        """Say why the program is not left now."""
        self.query_one("#secret", Field).tell("The bench is locked: sign on first, then leave.")
        self.app.bell()
