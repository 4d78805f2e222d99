"""Sheets over the charts: why a lot is left out, and the signature that freezes limits."""

from __future__ import annotations

from collections.abc import Sequence

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.widgets import Static

from qualrec.tui.labels import plain
from qualrec.tui.screens.overlays import Sheet
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.forms import Field, Form


class ReasonSheet(Sheet):
    """The assigned cause for leaving a lot out of trial limits."""

    def __init__(self, lot: str) -> None:
        super().__init__()
        self.lot = lot

    def compose(self) -> ComposeResult:
        with Vertical(id="sheet"):
            yield Static(
                f"Leave {self.lot} out of the limits   (Esc: keep it in)", id="sheet-title", markup=False
            )
            yield Static(
                "Only with a cause that was found and removed. The lot stays on the chart and in every index.\n",
                markup=False,
            )
            with Form(id="leave-out"):
                yield Field("Reason", id="reason", placeholder="what was found, and what was done about it")

    def on_mount(self) -> None:
        self.query_one(Form).start()

    def on_form_complete(self, message: Form.Complete) -> None:
        message.stop()
        self.dismiss({"reason": str(message.values["reason"])})


class FreezeSheet(Sheet):
    """What is put in force, who signs it, and why; with `accounts` the signature asks for the password."""

    def __init__(self, lines: Sequence[str], person: str, accounts: bool = False) -> None:
        super().__init__()
        self.accounts = accounts
        self.lines = tuple(lines)
        self.person = person

    def compose(self) -> ComposeResult:
        text = "\n".join(self.lines)
        with Vertical(id="sheet"):
            yield Static("Freeze these limits   (Esc: do not)", id="sheet-title", markup=False)
            yield Static(plain(text) if is_ascii(self) else text, id="freeze-text", markup=False)
            with Form(id="freeze"):
                yield Field(
                    "Signed by badge", id="badge", required=False, placeholder=f"empty: {self.person}"
                )
                yield Field("Reason", id="reason", placeholder="why these limits, and why now")
                if self.accounts:
                    yield Field("Password", id="password", secret=True)

    def on_mount(self) -> None:
        self.query_one(Form).start()

    def on_form_complete(self, message: Form.Complete) -> None:
        message.stop()
        self.dismiss(
            {
                name: str(message.values[name] or "")
                for name in ("badge", "reason", "password")
                if name in message.values
            }
        )
