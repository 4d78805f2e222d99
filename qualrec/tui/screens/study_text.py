"""Studies in lines: the list, the plan with its progress, the analysis with its parts as bars and the verdict."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from qualrec.tui.labels import DecimalStyle, Label, Tone, count, number
from qualrec.tui.widgets.pick_list import PickLine, Text
from qualrec.tui.widgets.record_table import Cell

if TYPE_CHECKING:
    from qualrec.records.lookups import StudyRun
    from qualrec.stats.working import Working
    from qualrec.work.gauge_studies import StudyLine, StudyPage
    from qualrec.work.session import Session

VERDICTS = {
    "acceptable": Label("✓", "+", "acceptable", Tone.GOOD),
    "conditional": Label("»", ">", "conditional", Tone.LOOK),
    "not acceptable": Label("!", "!", "not acceptable", Tone.BAD),
}
STATES = {
    "planned": Label("·", "-", "planned", Tone.QUIET),
    "running": Label("»", ">", "running", Tone.LOOK),
    "analysed": Label("·", "-", "analysed", Tone.QUIET),
    "withdrawn": Label("×", "x", "withdrawn", Tone.QUIET),
}
BAR = 30
"""Cells of a bar of 100 %."""
WRITTEN_RUNS = 400
"""Most runs listed on the page; the run sheet holds all."""


def standing(line: StudyLine) -> Label:
    """The verdict of an analysed study, else its state."""
    study = line.study
    if study.state == "analysed":
        return VERDICTS.get(study.verdict, Label("?", "?", study.verdict or "no verdict", Tone.LOOK))
    return STATES[study.state]


def list_lines(lines: Sequence[StudyLine], session: Session) -> list[PickLine]:
    """Studies, newest first."""
    found = []
    for line in lines:
        label = standing(line)
        about = " ".join(x for x in (line.gauge, line.part, line.code) if x)
        runs = f"{line.entered}/{line.runs}" if line.runs else ""
        done = session.moment(line.study.done_us)[:10]
        parts = (
            f"{line.study.number:<8} {line.study.kind:<14} ",
            Cell(label.text().ljust(17), label.tone),
            f" {runs:>7}  {about:<20} {done}",
        )
        found.append(PickLine(f"study:{line.study.number}", parts))
    return found


def study_detail(page: StudyPage, session: Session, style: DecimalStyle, ascii_only: bool) -> list[Text]:
    """Everything about a study: the analysis where there is one, else the runs."""
    line, label = page.line, standing(page.line)
    study = line.study
    lines: list[Text] = [Cell(f"{label.text()}  {study.number} {study.title}", label.tone)]
    about = [f"gauge {line.gauge}"] if line.gauge else []
    about += [f"{line.part} {line.code}"] if line.code else []
    if page.plan is not None:
        about.append(f"{page.plan.design}, order by the seed '{page.plan.seed}'")
    lines.append(", ".join((*about, f"{line.entered} of {line.runs} runs entered")))
    if page.working is not None:
        lines += analysis_lines(page.working, ascii_only)
        done = session.moment(study.done_us)
        lines += ["", f"Worked out {done} by {study.person}, version {study.program_version}."]
    lines += [Cell(text, Tone.LOOK) for text in page.advice if page.working is None]
    if page.plan is not None:
        lines += ["", *_runs(page, style)]
    return lines


def analysis_lines(found: Working, ascii_only: bool) -> list[Text]:
    """Verdict, bars, figures, tables, conventions and notes of an analysis."""
    from qualrec.assess.gauge_study import bars_of

    word = str(found.data.get("verdict", ""))
    label = VERDICTS.get(word)
    lines: list[Text] = ["", found.title]
    if label is not None:
        lines.append(Cell(label.text(), label.tone))
        lines += [f"  {reason}" for reason in found.data.get("verdict_reasons", [])]
    bars = bars_of(found.data)
    if bars:
        lines.append("")
        wide = max(len(name) for name, _, _ in bars)
        lines += [f"  {name:<{wide}} {bar(share, ascii_only)} {words}" for name, share, words in bars]
        if "pct_ev" in found.data:
            lines.append("  in % of the study variation; the parts add up by their squares")
    lines.append("")
    wide = max((len(a) for a, b, _ in found.lines if b), default=0)
    for name, shown, how in found.lines:
        if name != "verdict":
            lines.append(f"  {name:<{wide}}  {shown}  {how}".rstrip() if name or shown else f"  {how}")
    for title, heads, rows in found.blocks:
        lines += ["", *([title] if title else []), *_table(heads, rows)]
    lines += ["", *(f"Convention: {text}" for text in found.conventions)]
    lines += [Cell(f"Note: {text}", Tone.QUIET) for text in found.notes]
    return [*lines, f"Source: {found.source}"]


def bar(share: float, ascii_only: bool) -> str:
    """A bar of 0 to 100 %; what is beyond fills it."""
    filled = round(BAR * min(max(share, 0.0), 100.0) / 100.0)
    full, rest = ("#", ".") if ascii_only else ("█", "░")
    return full * filled + rest * (BAR - filled)


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """A table narrow enough for 80 columns: heads cut where their column is narrower."""
    cells = [[str(c) for c in row] for row in rows]
    widths = [max(min(len(h), 14), *(len(r[i]) for r in cells)) for i, h in enumerate(heads)]

    def joined(row: Sequence[str]) -> str:
        first = row[0].ljust(widths[0])
        rest = (c[:w].rjust(w) for c, w in zip(row[1:], widths[1:], strict=True))
        return "  " + " ".join((first, *rest)).rstrip()

    return [joined(heads), *(joined(row) for row in cells)]


def _runs(page: StudyPage, style: DecimalStyle) -> list[Text]:
    assert page.plan is not None
    names = page.plan.factors
    found = "class" if page.plan.calls_classes else page.plan.unit or "value"
    lines: list[Text] = [f"Runs in their order: {', '.join(names)}, {found}"]
    lines += [f"  {run_words(run, names, style)}" for run in page.runs[:WRITTEN_RUNS]]
    if len(page.runs) > WRITTEN_RUNS:
        more = count(len(page.runs) - WRITTEN_RUNS, "further run", "further runs")
        lines.append(f"  and {more} on the run sheet")
    return lines


def run_words(run: StudyRun, names: Sequence[str], style: DecimalStyle) -> str:
    """'  7  part 4, person B, trial 1   25.3'."""
    factors = ", ".join(f"{name} {run.factors[name]}" for name in names)
    found = run.mode or ("" if run.value is None else number(run.value, None, style))
    return f"{run.position:>4}  {factors:<38} {found}".rstrip()
