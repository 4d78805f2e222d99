"""Live formulas give our figures, and native charts draw them: both read from the file alone."""

from __future__ import annotations

import math
import re
import statistics
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from openpyxl import load_workbook
from openpyxl.utils import range_boundaries
from openpyxl.workbook.workbook import Workbook

from qualrec.export.charts import axis_range
from qualrec.export.pack import Pack
from qualrec.export.workbook import write_workbook

Build = dict[str, Callable[..., object]]
RANGE = re.compile(r"(?:'((?:[^']|'')+)'!)?(\$?[A-Z]{1,2}\$?\d+(?::\$?[A-Z]{1,2}\$?\d+)?)")


class Column(list[float]):
    """Values of a range, with the arithmetic that the formulas use."""

    def __sub__(self, other: object) -> Column:
        if isinstance(other, Column):
            return Column(a - b for a, b in zip(self, other, strict=True))
        return Column(a - float(other) for a in self)  # type: ignore[arg-type]

    def __abs__(self) -> Column:
        return Column(abs(a) for a in self)


class Sheets:
    """A few spreadsheet functions over the cells of a workbook, written apart from the product."""

    def __init__(self, book: Workbook) -> None:
        self.book = book
        self.names = {name: next(iter(defined.destinations)) for name, defined in book.defined_names.items()}

    def cell(self, title: str, address: str) -> object:
        value = self.book[title][address.replace("$", "")].value
        if isinstance(value, str) and value.startswith("="):
            return self.run(title, value)
        return value

    def area(self, title: str, area: str) -> object:
        if ":" not in area:
            return self.cell(title, area)
        left, top, right, bottom = range_boundaries(area.replace("$", ""))
        found = Column()
        for row in range(top, bottom + 1):
            for column in range(left, right + 1):
                value = self.cell(title, self.book[title].cell(row, column).coordinate)
                if isinstance(value, (int, float)):
                    found.append(value)
        return found

    def run(self, title: str, formula: str) -> object:
        parts: list[object] = []

        def keep(value: object) -> str:
            parts.append(value)
            return f"_p[{len(parts) - 1}]"

        code = formula[1:]
        texts = re.findall(r'"[^"]*"', code)
        for text in texts:
            code = code.replace(text, keep(text[1:-1]), 1)
        for name in sorted(self.names, key=len, reverse=True):
            code = re.sub(rf"\b{name}\b", lambda _, n=name: keep(self.area(*self.names[n])), code)
        code = RANGE.sub(
            lambda m: keep(self.area((m[1] or title).replace("''", "'"), m[2])) if "_p" not in m[0] else m[0],
            code,
        )
        code = code.replace("IF(", "_if(").replace("<=", "<= ")
        return eval(code, {"__builtins__": {}, **FUNCTIONS, "_p": parts})


def sumproduct(*columns: Column) -> float:
    return math.fsum(math.prod(row) for row in zip(*columns, strict=True))


FUNCTIONS = {
    "AVERAGE": statistics.fmean,
    "STDEV": lambda x: statistics.stdev(x) if len(x) > 1 else math.nan,
    "SQRT": math.sqrt,
    "EXP": math.exp,
    "GAMMALN": math.lgamma,
    "SUM": math.fsum,
    "COUNT": len,
    "MIN": min,
    "ABS": abs,
    "PI": lambda: math.pi,
    "SUMPRODUCT": sumproduct,
    "_if": lambda test, yes, no: yes if test else no,
}


def checks(book: Workbook, title: str) -> dict[str, tuple[float, str, str]]:
    """Label -> (our figure, formula, formula of agreement) of the check table."""
    rows = list(book[title].iter_rows(values_only=True))
    at = next(i for i, row in enumerate(rows) if row[2] == "From the records")
    found = {}
    for row in rows[at + 1 :]:
        if not isinstance(row[4], str) or not row[4].startswith("="):
            break
        found[row[0]] = (row[2], row[4], row[6])
    return found


def test_formulas_agree_to_1e9_with_our_figures(written: Path, pack: Pack) -> None:
    book = load_workbook(written)
    sheets = Sheets(book)
    for one in pack.characteristics:
        title = one.characteristic.code
        found = checks(book, title)
        assert one.figures is not None
        plain = {i.name for i in one.figures.indices} - {"Cpm"}
        assert plain <= set(found)
        assert len(found) == len(plain) + 3
        for label, (ours, formula, agreement) in found.items():
            live = sheets.run(title, formula)
            assert live == pytest.approx(ours, rel=1e-9), label
            assert sheets.run(title, agreement) == "agrees"


def test_a_changed_value_makes_the_formulas_differ(written: Path) -> None:
    """The check is a check: one reading changed and the words turn."""
    book = load_workbook(written)
    book["Raw data"]["I4"].value += 0.5
    found = checks(book, "PULL")
    said = {label: Sheets(book).run("PULL", agreement) for label, (_, _, agreement) in found.items()}
    assert set(said.values()) == {"DIFFERS"}


def test_lots_of_one_value_use_the_moving_range(tmp_path: Path, build: Build) -> None:
    one = build["sheet"](build["characteristic"](1, "PULL"), 9, 1, seed=3)
    write_workbook(build["pack"]((one,)), tmp_path / "p.xlsx")
    book = load_workbook(tmp_path / "p.xlsx")
    found = checks(book, "PULL")
    assert any("within" in label for label in found)
    for label, (ours, formula, _) in found.items():
        assert Sheets(book).run("PULL", formula) == pytest.approx(ours, rel=1e-9), label


def test_lot_formulas_agree(written: Path, pack: Pack) -> None:
    book = load_workbook(written)
    sheets = Sheets(book)
    for one in pack.characteristics:
        title = one.characteristic.code
        rows = list(book[title].iter_rows(values_only=True))
        at = next(i for i, row in enumerate(rows) if row[0] == "Lot" and row[2] == "n")
        for row, point in zip(rows[at + 1 :], one.points, strict=False):
            assert sheets.run(title, row[7]) == pytest.approx(point.mean, rel=1e-12)
            assert sheets.run(title, row[8]) == pytest.approx(point.sd, rel=1e-9)


def drawn(book: Workbook, title: str) -> list[dict[str, list[float | None]]]:
    """Of each native chart: name of series -> values, read through the references."""
    charts = []
    for chart in book[title]._charts:
        series = {}
        for one in chart.series:
            name_ref = one.tx.strRef.f.split("!")[1].replace("$", "")
            area = one.val.numRef.f.split("!")[1].replace("$", "")
            assert one.val.numRef.f.split("!")[0].strip("'") == title
            cells = [cell.value for row in book[title][area] for cell in row]
            series[book[title][name_ref].value] = cells
        charts.append(series)
    return charts


def test_charts_draw_points_limits_and_signals(written: Path, pack: Pack) -> None:
    book = load_workbook(written)
    for one in pack.characteristics:
        charts = drawn(book, one.characteristic.code)
        assert len(charts) == len(one.series) == 3
        for chart, series in zip(charts, one.series, strict=True):
            named = list(chart)
            assert chart[named[0]] == pytest.approx([float(v) for v in series.values])
            wanted = [float(v) if f else None for v, f in zip(series.values, series.flagged, strict=True)]
            assert chart[named[-1]] == wanted
            assert "signal" in named[-1]
            upper = next(values for name, values in chart.items() if "upper control limit" in name)
            assert upper == pytest.approx([float(v) for v in series.upper])
        specs = [n for n in charts[0] if "specification" in n]
        limits = [x for x in (one.characteristic.lsl, one.characteristic.usl) if x is not None]
        assert [charts[0][n][0] for n in specs] == limits
    assert any(any(v is not None for v in chart[list(chart)[-1]]) for chart in drawn(book, "PULL"))


def test_charts_tell_by_pattern_not_by_colour(written: Path) -> None:
    for chart in load_workbook(written)["PULL"]._charts:
        dashes = [s.graphicalProperties.line.prstDash for s in chart.series if s.marker.symbol is None]
        assert "dash" in dashes
        colours = {
            s.graphicalProperties.line.solidFill.srgbClr for s in chart.series if s.marker.symbol is None
        }
        assert colours <= {"000000", "7F7F7F"}
        assert chart.series[0].marker.symbol == "circle"
        assert chart.series[-1].marker.symbol == "diamond"
        assert chart.series[-1].graphicalProperties.line.noFill
        assert chart.x_axis.delete is False
        assert chart.y_axis.title is not None


def test_charts_stand_inside_the_print_area(written: Path) -> None:
    """A chart outside the print area does not print."""
    book = load_workbook(written)
    for title in ("PULL", "COL"):
        for chart in book[title]._charts:
            assert chart.anchor._from.row < book[title].max_row
            assert chart.anchor._from.col == 0


@pytest.mark.parametrize(
    "low, high",
    ((0.0, 1.0), (349.0, 871.0), (0.2, 0.36), (-5e-7, 3e-7), (1e6, 1e6 + 1), (5.0, 5.0), (0.0, 0.0)),
)
def test_axes_hold_what_is_drawn(low: float, high: float) -> None:
    first, last, step = axis_range(low, high)
    assert first <= low
    assert last >= high
    assert last > first
    assert 2 <= round((last - first) / step) <= 11


def test_no_formula_without_raw_data(tmp_path: Path, pack: Pack) -> None:
    """At a level that keeps the process studies back there is nothing to check against, and no formula."""
    write_workbook(replace(pack, families=("specification", "lots", "raw")), tmp_path / "p.xlsx")
    book = load_workbook(tmp_path / "p.xlsx")
    assert not any(c.data_type == "f" for sheet in book for row in sheet.iter_rows() for c in row)
