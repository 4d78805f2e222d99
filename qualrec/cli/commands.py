"""The commands of `qualrec`: a table, so that the help and the start load none of their modules.

A test compares the table with the modules.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from importlib import import_module
from typing import Any

import typer
from typer.core import TyperGroup
from typer.main import get_group

COMMANDS: dict[str, dict[str, str]] = {
    "plant": {
        "demo": "Write the invented sample plant into a new database...",
        "define": "Add materials, parts, characteristics, recipes...",
    },
    "opening": {
        "receive": "Enter a delivery of a material.",
        "mould": "Enter a moulding lot of an upper or lower part, with...",
        "weld": "Open a lot of welded parts; it then owes its samples.",
        "go-on": "Go on in a lot with another moulding lot, recipe...",
        "end": "End the welding of a lot.",
        "supplies": "List moulding lots with the deliveries that went in...",
        "supply": "Accept, hold or refuse a moulding lot or delivery.",
    },
    "bench": {
        "hand-over": "Page of this shift for the next one.",
        "settings": "Settings of this machine.",
    },
    "lots": {
        "lots": "List lots, newest first.",
        "lot": "Show one lot.",
        "log": "Log readings of a lot.",
        "correct": "Correct or void one reading.",
        "import": "Take a file in: all of it or nothing.",
        "flags": "List flags with their figures, rule, source and...",
        "close-flag": "Close a flag with the action taken.",
        "dispose": "Decide about a lot.",
        "event": "Log an event of a station or lot.",
    },
    "lot_life": {
        "concession": "Record a customer's concession for a lot, signed.",
        "ship": "Record that parts of a released lot leave the house.",
        "containment": "Places where suspect parts may lie, and what was...",
    },
    "machines": {
        "watch": "Take finished files in as they land in a folder, none...",
        "listen": "Take readings of an instrument as it sends them.",
    },
    "profiles": {
        "profiles": "List the import profiles with revision, kind and columns.",
        "profile": "Import profiles.",
    },
    "charts": {
        "chart": "Show the chart of lot means with its limits, their...",
        "limits": "Work out trial limits from the lots there are.",
        "capability": "Show how far an index may be quoted.",
    },
    "registers": {
        "parts": "List part numbers with their characteristics and limits.",
        "recipes": "List recipe revisions with state, approval and settings.",
        "approve": "Approve a draft recipe revision.",
        "gauges": "List gauges by the day on which they are due, with...",
        "gauge": "Show a gauge with calibrations, checks, studies and...",
        "in-doubt": "List the lots measured while a gauge was in doubt...",
    },
    "weld_materials": {
        "materials": "List materials with polymer, filler, colour, infrared...",
        "material": "Add a grade of your own, or change one.",
        "polymers": "List polymers with melt range and surface energy...",
        "polymer": "Add or change a polymer of your own, with its source.",
        "rate-pair": "Rate a pair of polymers from your own trials.",
        "pair": "Check the two materials of a part.",
        "pairs": "Matrix of pairs, upper part down and lower part...",
    },
    "weld_recipes": {
        "recipe": "One recipe revision.",
        "draft": "Draft a new revision from one (the one in force if...",
        "temporary": "Temporary changes of a recipe.",
    },
    "weld_window": {
        "window": "Window studies.",
        "parent": "Unwelded specimens, which the weld factor is taken...",
    },
    "studies": {
        "gauge-study": "Studies of gauges and of people who judge.",
    },
    "plan": {
        "control-plan": "Control plans.",
    },
    "people": {
        "gauge-check": "Record a check of a gauge against a reference.",
        "calibration": "Record a calibration of a gauge.",
        "persons": "List persons with badge, state and roles.",
        "person": "Add a person (with --name), give or take roles...",
        "secret": "Set a password, or a PIN with --pin.",
        "unlock": "End the lock of a person after failed sign-ons...",
        "accounts": "Say whether the plant keeps accounts.",
        "authorise": "Authorise a person for a test until a day.",
        "authorisations": "List who may perform which test, those that end first...",
        "idle-lock": "Have the screens at a station ask again who it is...",
        "signatures": "List signatures, newest first, and whether what was...",
    },
    "trail": {
        "trail": "Show and verify who did what.",
    },
    "trace": {
        "trace": "Trace one thing both ways.",
    },
    "audit": {
        "archive": "Write all records as plain files that are readable...",
        "archive-check": "Compare an archive with its manifest; needs no database.",
        "audit-sample": "Draw a random sample of records for an auditor, with...",
        "clauses": "List clauses of the standards with the evidence that...",
        "integrity": "Count corrections, values typed twice, entries not...",
        "retention": "How long records are kept; refuses an early purge.",
    },
    "packs": {
        "submission": "What a customer gets.",
    },
    "customers": {
        "customers": "List customers with their index requirements.",
        "requalification": "List when each part is to be qualified again.",
        "equivalence": "Show whether before and after a change are equal...",
        "customer": "What a customer asks.",
        "notice": "Changes that a customer is told of, step by step.",
    },
    "documents": {
        "certificate": "The certificate of a released lot.",
        "label": "The status label of a lot for its container.",
        "audit-pack": "Everything on one lot with its trail.",
        "review": "The weekly quality review.",
    },
    "problems": {
        "problem": "Problem reports by eight disciplines, linked to lots...",
    },
    "database": {
        "db": "Create, upgrade, copy, take back and look at the...",
    },
    "calc": {
        "calc": "Work out figures from values typed or from a file...",
    },
    "selfcheck": {
        "selfcheck": "Run the packaged published cases and show the...",
    },
    "serve": {
        "serve": "Offer the screens in a browser, on this machine.",
    },
}
"""Module, then commands with how their help begins, in the order of the help."""

MODULE_OF = {name: module for module, held in COMMANDS.items() for name in held}


@cache
def commands_of(module: str) -> dict[str, Any]:
    """The commands of one module, ready to be called."""
    app = typer.Typer(rich_markup_mode=None)
    app.callback()(_nothing)
    import_module(f"qualrec.cli.{module}").add_to(app)
    return dict(get_group(app).commands)


def _nothing() -> None:
    """Nothing is done before the command itself."""


class _Lazy(dict[str, Any]):
    """Commands by name; each is loaded when it is asked for."""

    def __init__(self) -> None:
        super().__init__(dict.fromkeys(MODULE_OF))

    def __getitem__(self, name: str) -> Any:
        return commands_of(MODULE_OF[name])[name]

    def get(self, name: str, default: Any = None) -> Any:
        return self[name] if name in MODULE_OF else default

    def items(self) -> Iterator[tuple[str, Any]]:  # type: ignore[override]
        return ((name, self[name]) for name in self)

    def values(self) -> Iterator[Any]:  # type: ignore[override]
        return (self[name] for name in self)


class Commands(TyperGroup):
    """The group of all commands."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**given)
        self.commands = _Lazy()

    def list_commands(self, ctx: Any) -> list[str]:
        return list(MODULE_OF)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([line for held in COMMANDS.values() for line in held.items()])
