"""How a `calc` command is made: shared options of figures and files, and the answer as text or JSON."""

from __future__ import annotations

import inspect
import textwrap
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from functools import wraps
from typing import Annotated, Any

import typer

from qualrec.cli import output
from qualrec.cli.calc_input import FileOptions, Source, number, split_columns
from qualrec.stats.working import Working

WIDTH = 100
"""Columns of printed remarks."""


def _number(text: str | float) -> float:
    """The parser of number options; typer also passes their defaults through it."""
    from qualrec.errors import QualrecError

    if isinstance(text, int | float):
        return float(text)
    try:
        return number(text)
    except QualrecError as error:
        raise typer.BadParameter(f"{error.message} {error.remedy}") from error


def num(help_text: str, *names: str) -> Any:
    """An option that takes a number with decimal point or comma."""
    return typer.Option(*names, help=help_text, parser=_number, metavar="NUMBER")


Level = Annotated[float, num("Confidence level, as 0.95.", "--level")]
Lower = Annotated[float | None, num("Lower specification limit.", "--lsl")]
Upper = Annotated[float | None, num("Upper specification limit.", "--usl")]


@dataclass(slots=True)
class Answer(Working):
    """What a command has worked out. A bad answer gives exit code 1."""

    @classmethod
    def of(cls, found: Working) -> Answer:
        return cls(**{f.name: getattr(found, f.name) for f in fields(found)})

    def json(self) -> dict[str, Any]:
        return {
            **self.data,
            "conventions": self.conventions,
            "notes": self.notes,
            "source": self.source,
        }

    def print(self) -> None:
        _wrapped(self.title)
        if self.lines:
            output.line()
        wide = max((len(a) for a, b, _ in self.lines if b), default=0)
        figure = min(max((len(b) for _, b, _ in self.lines), default=0), 28)
        for label, shown, how in self.lines:
            if not label and not shown:
                output.line(how)
                continue
            output.line(f"{label:<{wide}}  {shown:<{figure}}  {how}".rstrip())
        for title, heads, rows in self.blocks:
            output.line()
            if title:
                output.line(title)
            output.table(heads, rows, right=[i for i in range(len(heads)) if _figures(rows, i)])
        for word, texts in (("Convention", self.conventions), ("Note", self.notes)):
            for i, text in enumerate(texts):
                if i == 0:
                    output.line()
                _wrapped(f"{word}: {text}")
        if self.source:
            output.line()
            _wrapped(f"Source: {self.source}")


def _figures(rows: Sequence[Sequence[object]], column: int) -> bool:
    """True where every cell of the column is a figure, or says that there is none."""
    cells = [str(row[column]) for row in rows]
    return bool(cells) and all(
        c[:1].isdigit() or c[:2] in ("", "no", "< ") or c[1:2].isdigit() for c in cells
    )


def _wrapped(text: str) -> None:
    for line in textwrap.wrap(text, WIDTH, subsequent_indent="  "):
        output.line(line)


_JSON = ("as_json", Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")], False)
_DATA: list[tuple[str, Any, Any]] = [
    (
        "values",
        Annotated[
            list[str] | None,
            typer.Argument(metavar="[VALUE… | FILE]", help="Figures, or one file (.csv, .txt, .xlsx)."),
        ],
        None,
    ),
    (
        "column",
        Annotated[
            list[str] | None, typer.Option("--column", help="Column of the values, by name or number.")
        ],
        None,
    ),
]
_FILE: list[tuple[str, Any, Any]] = [
    (
        "only",
        Annotated[
            list[str] | None, typer.Option("--only", metavar="COLUMN=VALUE", help="Take only such rows.")
        ],
        None,
    ),
    (
        "missing",
        Annotated[
            str, typer.Option("--missing", help="Empty cells: 'refuse', or 'count' (leave the row out).")
        ],
        "refuse",
    ),
    (
        "decimal",
        Annotated[str | None, typer.Option("--decimal", help="Decimal sign: point or comma.")],
        None,
    ),
    (
        "separator",
        Annotated[str | None, typer.Option("--separator", help="comma, semicolon, tab or bar.")],
        None,
    ),
    (
        "header_row",
        Annotated[int | None, typer.Option("--header-row", help="Row of the column names; 0: none.")],
        None,
    ),
    ("sheet", Annotated[str, typer.Option("--sheet", help="Sheet of a workbook.")], ""),
]


def command(app: typer.Typer, name: str, *, data: bool = True) -> Callable[[Callable[..., Answer]], Any]:
    """Register a function as command `name`. With `data` its first parameter is a `Source`.

    The options of the figures and the file, and --json, are added to those of the function.
    """

    def register(function: Callable[..., Answer]) -> Callable[..., None]:
        signature = inspect.signature(function, eval_str=True)
        own = [p for p in signature.parameters.values() if p.name != "source"]
        head, tail = (_DATA, [*_FILE, _JSON]) if data else ([], [_JSON])

        @wraps(function)
        def run(**given: Any) -> None:
            as_json = given.pop("as_json")
            if data:
                given["source"] = _source(given)
            answer = function(**given)
            if data:
                answer.notes += given["source"].notes
            if as_json:
                output.json_out({"command": name, **answer.json()})
            else:
                answer.print()
            if answer.bad:
                raise typer.Exit(1)

        kind = inspect.Parameter.KEYWORD_ONLY
        made = [inspect.Parameter(n, kind, annotation=a, default=d) for n, a, d in head]
        made += [p.replace(kind=kind) for p in own]
        made += [inspect.Parameter(n, kind, annotation=a, default=d) for n, a, d in tail]
        run.__signature__ = signature.replace(parameters=made, return_annotation=None)  # type: ignore[attr-defined]
        run.__annotations__ = {p.name: p.annotation for p in made}
        del run.__wrapped__
        app.command(name, context_settings={"ignore_unknown_options": data})(run)
        return run

    return register


def family() -> typer.Typer:
    """The typer of one module of commands."""
    return typer.Typer(rich_markup_mode=None, pretty_exceptions_enable=False)


def _source(given: dict[str, Any]) -> Source:
    options = FileOptions(
        given.pop("decimal"),
        given.pop("header_row"),
        given.pop("separator"),
        given.pop("sheet"),
        tuple(given.pop("only") or ()),
        given.pop("missing"),
    )
    if options.missing not in ("refuse", "count"):
        raise typer.BadParameter("--missing takes 'refuse' or 'count'.")
    return Source(list(given.pop("values") or ()), split_columns(given.pop("column") or ()), options)


def chosen(name: str, value: str, known: Mapping[str, Any] | Sequence[str]) -> str:
    """`value` as one of the known words; blanks, hyphens and case do not count. Raises UsageError."""
    from qualrec.errors import UsageError

    plain = value.replace("_", "-").replace(" ", "-").casefold()
    for word in known:
        if word.replace("_", "-").replace(" ", "-").casefold() == plain:
            return word
    raise UsageError(f"{name} {value!r} is not known.", f"Choose one of: {', '.join(known)}.")
