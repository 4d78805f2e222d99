"""One sheet per characteristic: conclusion, our figures beside live formulas, charts, figures by lot."""

from __future__ import annotations

import math
from dataclasses import dataclass

from qualrec.export import charts
from qualrec.export.book import ROW_POINTS, Book, Formula, Look, Sheet, Value
from qualrec.export.charts import CENTRE, FLAGGED, LIMIT, POINT, SPECIFICATION, Drawn
from qualrec.export.pack import CapabilityFigures, CharacteristicSheet, Pack, Series
from qualrec.export.plan import RAW_INDEX_COLUMN, Places, Plan
from qualrec.export.styles import DATE_TIME, decimals

COLUMNS = 18
WIDTHS = (14, 16, *[9] * (COLUMNS - 2))
POINT_HEADS = ("p.at", "p.n", "p.mean", "p.sd", "p.low", "p.high", "p.check_mean", "p.check_sd", "p.remark")
AGREEMENT = "0.000000001"
SECTION_ROWS = 2
"""A heading with the empty row above it."""
POOLED, MOVING_RANGE = "pooled s/c4", "mean moving range/d2"


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows of the table of lots on this sheet: heads, last row."""

    head: int
    last: int


def write_characteristic(book: Book, pack: Pack, plan: Plan, one: CharacteristicSheet) -> None:
    """The sheet of one characteristic; a characteristic without readings says so."""
    words, c = book.words, one.characteristic
    places = plan.places[c.code]
    sheet = book.sheet(places.title, WIDTHS)
    sheet.title_row(f"{c.code}  {c.name}" + (f"  ({c.unit})" if c.unit else ""))
    sheet.note(". ".join(part.rstrip(".") for part in (c.definition, c.method) if part) or c.name, "text")
    sheet.note(f"{words('k.verdict')}: {words.word(one.answer)}. {one.sentence}", "strong")
    if not one.points:
        sheet.note(one.refusal or words("p.none"))
        return
    drawn = _columns(book, one)
    rows = _plan_rows(sheet.rows, one, places)
    if one.figures is not None:
        _check(book, sheet, one, places, rows)
    _charts(book, sheet, one, drawn, rows.last + 3)
    _signals(book, sheet, one)
    sheet.page_break()
    _lots(book, sheet, one, plan, rows)
    _chart_columns(book, sheet, one, drawn)


def _plan_rows(written: int, one: CharacteristicSheet, places: Places) -> Rows:
    """Where the table of lots will stand, below check, charts and signals."""
    points = len(one.points)
    head = written + SECTION_ROWS + 1
    if one.figures is not None:
        head += SECTION_ROWS + 1 + len(_figures(one, places, Rows(0, points)))
    head += 2 + charts.ROWS * sum(1 for series in one.series if len(series))
    if one.signals:
        head += SECTION_ROWS + len(one.signals)
    return Rows(head, head + points)


@dataclass(frozen=True, slots=True)
class _Figure:
    label: str
    ours: float
    formula: str


def _figures(one: CharacteristicSheet, places: Places, rows: Rows) -> list[_Figure]:
    """Our plain figures with their formulas; one that a formula cannot give is left out."""
    f = one.figures
    assert f is not None
    mean, overall = f"AVERAGE({places.values})", f"STDEV({places.values})"
    within = _within_formula(f, rows)
    found = [_Figure("f.mean", f.mean, mean), _Figure("f.sd", f.sd_overall, overall)]
    if within and math.isfinite(f.sd_within):
        found.append(_Figure("f.within", f.sd_within, within))
    for index in f.indices:
        sigma = overall if index.name.startswith("P") else within
        formula = _index_formula(index.name, mean, sigma, places.lsl, places.usl)
        if formula:
            found.append(_Figure(index.name, index.value, formula))
    return found


def _within_formula(figures: CapabilityFigures, rows: Rows) -> str:
    """Sigma within lots from the table of lots: pooled S over c4 of its degrees of freedom, or moving range over d2(2)."""
    first, last = rows.head + 1, rows.last
    n, mean, sd = (f"${col}${first}:${col}${last}" for col in ("C", "H", "I"))
    if figures.within_estimator == POOLED:
        df = f"(SUM({n})-COUNT({n}))"
        c4 = f"SQRT(2/{df})*EXP(GAMMALN(({df}+1)/2)-GAMMALN({df}/2))"
        return f"SQRT(SUMPRODUCT({n}-1,{sd},{sd})/{df})/({c4})"
    if figures.within_estimator == MOVING_RANGE and last > first:
        later, earlier = f"$H${first + 1}:$H${last}", f"$H${first}:$H${last - 1}"
        return f"SUMPRODUCT(ABS({later}-{earlier}))/(COUNT({mean})-1)*SQRT(PI())/2"
    return ""


def _index_formula(name: str, mean: str, sigma: str, lsl: str, usl: str) -> str:
    if not sigma or name == "Cpm":
        return ""
    low = f"({mean}-{lsl})/(3*{sigma})" if lsl else ""
    high = f"({usl}-{mean})/(3*{sigma})" if usl else ""
    if name in ("Cp", "Pp"):
        return f"({usl}-{lsl})/(6*{sigma})" if lsl and usl else ""
    if name.endswith("k"):
        return f"MIN({low},{high})" if low and high else low or high
    return low if name.endswith("l") else high


def _check(book: Book, sheet: Sheet, one: CharacteristicSheet, places: Places, rows: Rows) -> None:
    words, unit = book.words, one.characteristic.unit
    sheet.section(words("title.check"))
    at = sheet.heads(
        [words("f.figure"), "", words("f.ours"), "", words("f.live"), "", words("f.agrees"), ""], (2, 4), 18
    )
    _merge(sheet, at)
    places_of = decimals(one.characteristic.decimals + 2)
    for item in _figures(one, places, rows):
        at = sheet.rows + 1
        plain = item.label.startswith("f.")
        label = words.with_unit(item.label, unit) if plain else item.label
        look: Look = ("number", places_of if plain else "0.0000")
        agrees = f'=IF(ABS(C{at}-E{at})<={AGREEMENT}*ABS(C{at}),"{words("f.yes")}","{words("f.no")}")'
        sheet.row(
            [label, None, item.ours, None, Formula(f"={item.formula}"), None, Formula(agrees), None],
            ["label", "label", look, look, look, look, "text", "text"],
            15,
        )
        _merge(sheet, at)


def _merge(sheet: Sheet, at: int) -> None:
    for pair in ("A{0}:B{0}", "C{0}:D{0}", "E{0}:F{0}", "G{0}:H{0}"):
        sheet.ws.merged_cells.add(pair.format(at))


def _columns(book: Book, one: CharacteristicSheet) -> list[list[Drawn]]:
    """Columns of each series on the table of chart figures, in order from column B."""
    found: list[list[Drawn]] = []
    column = 2
    for series in one.series:
        drawn: list[Drawn] = []
        for role in _roles(one, series):
            drawn.append(Drawn(column, role[0]))
            column += 1
        found.append(drawn)
    return found


def _roles(one: CharacteristicSheet, series: Series) -> list[tuple[str, str]]:
    """(role, what) of each column of a series; sides without a limit have none."""
    c = one.characteristic
    found = [(POINT, "values"), (CENTRE, "centre")]
    found += [
        (LIMIT, side) for side in ("lower", "upper") if any(math.isfinite(x) for x in getattr(series, side))
    ]
    if not any(math.isfinite(x) for x in series.centre):
        found.remove((CENTRE, "centre"))
    if series.spec_limits:
        found += [(SPECIFICATION, side) for side in ("lsl", "usl") if getattr(c, side) is not None]
    return [*found, (FLAGGED, "flagged")]


def _charts(book: Book, sheet: Sheet, one: CharacteristicSheet, drawn: list[list[Drawn]], head: int) -> None:
    words, c = book.words, one.characteristic
    sheet.blank()
    sheet.note(f"{words('chart.method')}: {one.chart_method}. {words('chart.version')}: {one.limits_version}")
    for at, (series, columns) in enumerate(zip(one.series, drawn, strict=True)):
        if not len(series):
            continue
        named = words.series(series.name)
        title = f"{c.code}  {named}"
        axis = f"{named} ({c.unit})" if c.unit and c.kind == "measured" else named
        form = decimals(_places(one, c.decimals))
        chart = charts.line_chart(
            sheet, title, axis, columns, (head, head + len(series)), _span(one, series), form
        )
        sheet.chart(chart, charts.ROWS)
        if at == 0:
            sheet.page_break()


def _places(one: CharacteristicSheet, measured: int) -> int:
    """Decimals of figures: as given where values are measured; shares and mean counts need more than their counts."""
    return measured if one.characteristic.kind == "measured" else 4


def _span(one: CharacteristicSheet, series: Series) -> tuple[float, float]:
    """Smallest and largest figure that a chart draws."""
    drawn = [x for _, what in _roles(one, series) for x in _column(one, series, what)]
    found = [x for x in drawn if x is not None and math.isfinite(x)]
    return (min(found), max(found)) if found else (0.0, 1.0)


def _signals(book: Book, sheet: Sheet, one: CharacteristicSheet) -> None:
    if one.signals:
        sheet.section(book.words("title.signals"))
        for signal in one.signals:
            sheet.note(signal, "text")


def _lots(book: Book, sheet: Sheet, one: CharacteristicSheet, plan: Plan, rows: Rows) -> None:
    words, c = book.words, one.characteristic
    spans, raw = plan.places[c.code].spans, plan.titles["raw"].replace("'", "''")
    sheet.section(words("title.points"))
    first = words("p.lot" if c.hangs_on == "lot" else "p.moulding")
    heads = [first, *(_head(book, key, c.unit) for key in POINT_HEADS)]
    at = sheet.heads(heads, range(2, 9))
    if at != rows.head:
        raise AssertionError(
            f"sheet {sheet.title}: the table of lots stands in row {at}, planned was {rows.head}"
        )
    number = ("number", decimals(_places(one, c.decimals + 1)))
    for point in one.points:
        start, end = spans.get(point.number, (0, 0))
        mean: Value = None
        sd: Value = None
        if start:
            area = f"'{raw}'!${RAW_INDEX_COLUMN}${start}:${RAW_INDEX_COLUMN}${end}"
            mean = Formula(f"=AVERAGE({area})")
            sd = Formula(f"=IF(COUNT({area})<2,0,STDEV({area}))")
        sheet.row(
            [
                point.number, book.when(point.at_us), point.n, point.mean, point.sd, point.low, point.high, mean, sd,
                point.remark,
            ],
            ["text", ("date", DATE_TIME), ("number", "0"), *[number] * 6, "overflow"],
            ROW_POINTS,
        )  # fmt: skip


def _head(book: Book, key: str, unit: str) -> str:
    if key == "p.at":
        return book.in_zone(key)
    return book.words(key) if key in ("p.n", "p.remark") else book.words.with_unit(key, unit)


def _chart_columns(book: Book, sheet: Sheet, one: CharacteristicSheet, drawn: list[list[Drawn]]) -> None:
    """The figures that the charts draw, two rows below the table of lots."""
    words, c = book.words, one.characteristic
    sheet.blank(2)
    sheet.page_break()
    heads = [words("p.lot" if c.hangs_on == "lot" else "p.moulding")]
    columns: list[list[float | None]] = []
    for series in one.series:
        for role, what in _roles(one, series):
            heads.append(_series_head(book, series, role, what))
            columns.append(_column(one, series, what))
    sheet.heads(heads, range(1, len(heads)))
    number = ("number", decimals(_places(one, c.decimals + 1)))
    for at, point in enumerate(one.points):
        sheet.row([point.number, *(column[at] for column in columns)], ["text", *[number] * len(columns)])


def _series_head(book: Book, series: Series, role: str, what: str) -> str:
    words, named = book.words, book.words.series(series.name)
    if role == POINT:
        return named
    if role == SPECIFICATION:
        return words(f"p.{what}")
    return f"{named}: {words(f'p.{what}')}"


def _column(one: CharacteristicSheet, series: Series, what: str) -> list[float | None]:
    if what in ("lsl", "usl"):
        return [getattr(one.characteristic, what)] * len(series)
    if what == "flagged":
        return [float(v) if flag else None for v, flag in zip(series.values, series.flagged, strict=True)]
    return [float(v) for v in getattr(series, what)]
