"""`qualrec calc`: every figure the program prints, worked on typed figures or a file, without a database.

The commands of a family are loaded when they are called, so that `qualrec` itself starts quickly.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

import typer
from typer.core import TyperGroup
from typer.main import get_group

MODULES = {
    "describe": "summary",
    "constants": "summary",
    "spread": "summary",
    "normality": "summary",
    "outliers": "summary",
    "chart": "chart",
    "rules": "chart",
    "arl": "runs",
    "design": "runs",
    "drift": "runs",
    "capability": "capability",
    "distribution": "distribution",
    "strength": "strength",
    "tolerance": "strength",
    "proportion": "strength",
    "gauge": "gauge",
    "agreement": "agreement",
    "components": "compare",
    "compare": "compare",
    "regression": "regression",
    "sampling": "sampling",
    "optics": "weld",
    "energy": "weld",
    "pair": "weld",
    "melt": "weld",
    "heat": "weld",
    "window": "window",
}
"""Module `qualrec.cli.calc_…` of each command, in the order of the help."""


class _Families(TyperGroup):
    """A group whose commands stand in the modules of their families."""

    def list_commands(self, ctx: Any) -> list[str]:
        return list(MODULES)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        if cmd_name not in MODULES:
            return None
        family = import_module(f"qualrec.cli.calc_{MODULES[cmd_name]}")
        return get_group(family.app).commands[cmd_name]


calc = typer.Typer(
    name="calc",
    cls=_Families,
    help="Work out figures from values typed or from a file, without a database. The working is printed; "
    "--json gives full precision. Each command's help names its keys.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@calc.callback()
def _group() -> None:
    """Nothing is done before the command itself."""


def add_to(app: typer.Typer) -> None:
    app.add_typer(calc)
