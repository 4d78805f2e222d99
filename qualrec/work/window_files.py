"""Files of a window study: the run sheet to take to the welder, and the workbook with result, runs and maps."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from qualrec import __version__
from qualrec.export.document import Column, Document, Facts, Figure, Grid, Notes, Page, Signs
from qualrec.records import trail
from qualrec.weld.cautions import find_caution
from qualrec.weld.window import RegionMap
from qualrec.work import outfile
from qualrec.work.session import Session
from qualrec.work.window_picture import BOTH, INTERFACIAL, WEAK, report_lines
from qualrec.work.window_plan import JOINT_ENERGY, SECTION, TRANSMISSION, WindowRun, WindowStudy, window_study
from qualrec.work.window_study import WindowReport

if TYPE_CHECKING:
    from qualrec.export.window_book import MapSheet

SHEET_CAUTIONS = ("no_laser_control", "laser_class", "fume", "pull_tester", "estimate")
BOOK_CAUTIONS = ("estimate", "small_sample", "records_support", "decision_of_person", "no_laser_control")
MAP_COLUMNS, MAP_ROWS = 21, 21
CSV = ".csv"


def shown_settings(study: WindowStudy) -> tuple[str, ...]:
    """Settings that differ between the runs, in the order of the factors; power too where the energy is set by it."""
    names = [f.name for f in study.factors if f.name not in (TRANSMISSION, JOINT_ENERGY)]
    if any(f.name == JOINT_ENERGY for f in study.factors) and "power" not in names:
        names.append("power")
    return tuple(names)


def sheet_heads(study: WindowStudy) -> tuple[str, ...]:
    """Heads of the run sheet. Strength, mode and what follows are written by hand and come back as a file."""
    units = {s.name: s.unit for s in study.revision.settings} | {f.name: f.unit for f in study.factors}
    settings = [f"{name.replace('_', ' ')} {units.get(name, '')}".strip() for name in shown_settings(study)]
    return ("run", *settings, "T %", "joint J/mm²", "strength", "mode")


def sheet_rows(study: WindowStudy) -> list[tuple[str | float | int | None, ...]]:
    return [_sheet_row(study, run) for run in study.runs]


def _sheet_row(study: WindowStudy, run: WindowRun) -> tuple[str | float | int | None, ...]:
    settings = [_four(run.settings[name]) for name in shown_settings(study)]
    energy = None if run.joint_energy is None else _four(run.joint_energy)
    light = None if run.transmission_pct is None else _four(run.transmission_pct)
    return (run.position, *settings, light, energy, run.strength, run.mode)


def _four(value: float) -> float:
    return float(f"{value:.4g}")


def write_sheet(session: Session, number: str, to: Path, *, replace: bool = False) -> str:
    """Write the run sheet: a workbook or PDF to print, or a CSV file with empty columns to fill and give back.

    Returns the sentence about it. Raises UnknownRecord, UsageError, Refused.
    """
    study = window_study(session, number)
    if to.suffix.lower() == CSV:

        def write(part: Path) -> None:
            part.write_text(_csv(study), encoding="utf-8", newline="")

        outfile.put(to, write, (CSV,), replace=replace)
    else:
        outfile.put_document(_document(session, study), to, replace=replace)
    return f"{to}: {len(study.runs)} runs of study {number} in random order."


def _csv(study: WindowStudy) -> str:
    heads = (
        "run",
        *shown_settings(study),
        "strength",
        "mode",
        "shares",
        *(n.replace("_", " ") for n in SECTION),
    )
    lines = [";".join(heads)]
    for run in study.runs:
        settings = (f"{_four(run.settings[name]):g}" for name in shown_settings(study))
        strength = "" if run.strength is None else f"{run.strength:g}"
        section = (f"{run.section[name]:g}" if name in run.section else "" for name in SECTION)
        lines.append(";".join((str(run.position), *settings, strength, run.mode, run.shares, *section)))
    return "\r\n".join(lines) + "\r\n"


def _document(session: Session, study: WindowStudy) -> Document:
    head = trail.head(session.store, session.plant.id)
    heads = sheet_heads(study)
    kinds: Sequence[Column] = [
        Column(h, number=h not in ("mode", "strength"), strong=at == 0) for at, h in enumerate(heads)
    ]
    rows = [tuple(Figure(v) if isinstance(v, float) else v for v in row) for row in sheet_rows(study)]
    held = [
        (s.name.replace("_", " "), f"{s.value:g} {s.unit}")
        for s in study.revision.settings
        if s.name not in shown_settings(study)
    ]
    facts = Facts(
        "Study",
        (
            ("part", f"{study.part.number} {study.part.name}"),
            ("recipe", f"{study.revision.code} revision {study.revision.revision}, {study.revision.process}"),
            ("design", f"{study.design}, seed {study.study.plan.get('seed')}"),
            (
                "pulled",
                f"{study.characteristic.code} {study.characteristic.name} ({study.characteristic.unit})",
            ),
            *held,
        ),
    )
    grid = Grid("Runs, in this order", tuple(kinds), tuple(rows))
    notes = Notes("Cautions", tuple(find_caution(one).text for one in SHEET_CAUTIONS))
    signs = Signs("", ("welded by", "pulled by", "day"))
    widths = (6.0, *(13.0 for _ in heads[1:-2]), 14.0, 22.0)
    page = Page("run sheet", widths, (facts, grid, signs, notes))
    return Document(
        plant=session.plant,
        language="en",
        title=f"Run sheet {study.study.number}",
        subject=study.study.title,
        marks=("INVENTED DATA",) if session.plant.invented else (),
        notes=("Make the runs in the order given. Weld each at its own settings and write down every pull.",),
        pages=(page,),
        made_us=session.store.clock(),
        program_version=__version__,
        head_seq=head.seq,
        head_digest=head.digest,
    )


def write_book(session: Session, report: WindowReport, to: Path, *, replace: bool = False) -> str:
    """Write result, runs and maps as a workbook. Raises UsageError, Refused."""
    from qualrec.export.window_book import write_window_book

    study = report.study
    title = f"{study.study.number}  {study.study.title}" + (
        "  (INVENTED DATA)" if session.plant.invented else ""
    )
    facts = [
        ("part", f"{study.part.number} {study.part.name}"),
        ("recipe", f"{study.revision.code} revision {study.revision.revision}"),
        ("design", study.design),
        ("runs", f"{study.done} of {len(study.runs)}"),
        ("state", study.study.state),
        ("made", f"{session.moment(session.store.clock())}, qualrec {__version__}"),
    ]
    heads = (*sheet_heads(study), "shares", *(n.replace("_", " ") for n in SECTION), "by", "when")
    rows = [
        (*row, run.shares, *(run.section.get(n) for n in SECTION), run.person, session.moment(run.done_us))
        for row, run in zip(sheet_rows(study), study.runs, strict=True)
    ]
    legend = (
        f"Numbers: {100 * report.rule.level:g} % lower bound of strength in {study.characteristic.unit}.",
        f"Blue, bold: meets the rule. Grey: strength bound under {report.rule.min_strength:g}. "
        f"Orange: interfacial failure more likely than {100 * report.rule.max_interfacial:g} %.",
        "Thick frame: set point.",
    )
    cautions = tuple(find_caution(one).text for one in BOOK_CAUTIONS)
    maps = [_map_sheet(report, region) for region in report.maps]

    def write(part: Path) -> None:
        write_window_book(part, title, facts, report_lines(report), heads, rows, maps, legend, cautions)

    outfile.put(to, write, (outfile.BOOK,), replace=replace)
    return f"{to}: result, {len(rows)} runs and {len(maps)} maps of study {study.study.number}."


def _map_sheet(report: WindowReport, region: RegionMap) -> MapSheet:
    from qualrec.export.window_book import MapSheet

    rows = np.linspace(region.y_values.size - 1, 0, MAP_ROWS).round().astype(int)
    columns = np.linspace(0, region.x_values.size - 1, MAP_COLUMNS).round().astype(int)
    weak = region.strength_lower < report.rule.min_strength
    cells = []
    for y in rows:
        line = []
        for x in columns:
            sign = "" if region.inside[y, x] else WEAK if weak[y, x] else INTERFACIAL
            if sign == WEAK and region.interfacial[y, x] > report.rule.max_interfacial:
                sign = BOTH
            line.append((float(region.strength_lower[y, x]), sign))
        cells.append(line)
    place = None
    if report.point is not None:
        across, up = (f.coded(report.point.values[f.name]) for f in (region.x, region.y))
        place = (
            int(np.argmin(np.abs(np.linspace(1.0, -1.0, MAP_ROWS) - up))),
            int(np.argmin(np.abs(np.linspace(-1.0, 1.0, MAP_COLUMNS) - across))),
        )
    held = ", ".join(f"{k.replace('_', ' ')} {v:.4g}" for k, v in region.held.items())
    x_name, y_name = (f"{f.name.replace('_', ' ')}, {f.unit}" for f in (region.x, region.y))
    title = f"{y_name} by {x_name}" + (f"; held: {held}" if held else "")
    return MapSheet(
        title, x_name, y_name, region.x_values[columns].tolist(), region.y_values[rows].tolist(), cells, place
    )
