"""Window studies over the recipes: the list of studies, and one study with its runs, its map and what it proves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.widgets import Static

from qualrec.tui.labels import Tone, number, plain
from qualrec.tui.screens.overlays import Overlay
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.pick_list import PickLine, Picks, Text
from qualrec.tui.widgets.record_table import Cell

if TYPE_CHECKING:
    from qualrec.tui.labels import DecimalStyle
    from qualrec.work.window_plan import WindowRun, WindowStudy
    from qualrec.work.window_study import WindowReport

TEACH = (
    "No window study is on record yet. Plan one with a new study (N) on the recipe under the cursor,",
    "or: qualrec window plan RECIPE --factor power=180..220 --factor clamp_force=400..700",
)
CHOOSE, NEW = "choose", "new"


class WindowsSheet(Overlay):
    """The studies. Answers with the number of the chosen one, or NEW."""

    BINDINGS: ClassVar[list[BindingType]] = [("n", "dismiss('new')", "New")]
    CSS = """
    WindowsSheet > #sheet { width: 118; height: 80%; }
    WindowsSheet Picks { height: 1fr; }
    """

    def __init__(self, studies: Sequence[WindowStudy]) -> None:
        super().__init__()
        self.studies = tuple(studies)

    def compose(self) -> ComposeResult:
        title = "Window studies   (Enter: open, N: new for the recipe, Esc: close)"
        with Vertical(id="sheet"):
            yield Static(plain(title) if is_ascii(self) else title, id="sheet-title", markup=False)
            yield Picks(id="studies")

    def on_mount(self) -> None:
        picks = self.query_one(Picks)
        lines = [_study_line(one) for one in self.studies]
        picks.show(lines or [PickLine("none", (TEACH[0],), TEACH)])
        picks.list.focus()

    def on_picks_chosen(self, message: Picks.Chosen) -> None:
        message.stop()
        if message.key != "none":
            self.dismiss(message.key)


def _study_line(one: WindowStudy) -> PickLine:
    s = one.study
    text = f"{s.number:<8} {one.revision.code} rev {one.revision.revision}   {one.done} of {len(one.runs)} runs   {s.state}"
    factors = ", ".join(f"{f.name.replace('_', ' ')} {f.low:g} to {f.high:g} {f.unit}" for f in one.factors)
    detail: list[Text] = [s.title, f"{one.part.number} {one.part.name}; {one.design}", factors, *one.notes]
    if s.verdict:
        detail.append(Cell(f"{s.verdict}, {s.person}", Tone.GOOD))
    return PickLine(s.number, (text,), detail)


class WindowSheet(Overlay):
    """One study: result and map first, then its runs. Answers with a run's number, or CHOOSE."""

    BINDINGS: ClassVar[list[BindingType]] = [("c", "dismiss('choose')", "Choose")]
    CSS = """
    WindowSheet > #sheet { width: 118; height: 95%; }
    WindowSheet Picks { height: 1fr; }
    """

    def __init__(
        self,
        study: WindowStudy,
        report: WindowReport | None,
        refusal: str,
        style: DecimalStyle,
        told: str = "",
    ) -> None:
        super().__init__()
        self.study, self.report, self.refusal, self.style, self.told = study, report, refusal, style, told

    def compose(self) -> ComposeResult:
        title = f"{self.study.study.number}   (Enter: run, C: choose the set point, Esc: close)"
        with Vertical(id="sheet"):
            yield Static(plain(title) if is_ascii(self) else title, id="sheet-title", markup=False)
            yield Picks(id="runs")

    def on_mount(self) -> None:
        picks = self.query_one(Picks)
        picks.show(self.lines())
        picks.list.focus()

    def lines(self) -> list[PickLine]:
        """Result, then the runs in their order."""
        study = self.study
        head = f"Result   {study.done} of {len(study.runs)} runs, {study.study.state}"
        lines = [PickLine("result", (Cell(head, Tone.GOOD),), self._result())]
        return [*lines, *(self._run_line(run) for run in study.runs)]

    def _result(self) -> list[Text]:
        lines: list[Text] = [Cell(self.told, Tone.GOOD)] if self.told else []
        if self.report is None:
            return [*lines, Cell(self.refusal, Tone.LOOK)]
        from qualrec.weld.cautions import find_caution
        from qualrec.work.window_picture import map_picture, report_lines

        for region in self.report.maps:
            picture = map_picture(self.report, region, rows=11, ascii_only=is_ascii(self))
            lines += [*picture.all_lines, ""]
        lines += report_lines(self.report)
        return [*lines, *(Cell(find_caution(name).text, Tone.QUIET) for name in ("estimate", "small_sample"))]

    def _run_line(self, run: WindowRun) -> PickLine:
        values = "  ".join(
            f"{f.name.replace('_', ' ')} {number(run.values[f.name], None, self.style)}"
            for f in self.study.factors
        )
        unit = self.study.characteristic.unit
        if run.done_us is None:
            gave: Text = Cell("open", Tone.LOOK)
        else:
            strength = "" if run.strength is None else f"{number(run.strength, None, self.style)} {unit}  "
            tone = Tone.BAD if run.mode == "interfacial" else None
            gave = Cell(f"{strength}{run.mode}", tone)
        settings = ", ".join(f"{k.replace('_', ' ')} {v:g}" for k, v in run.settings.items())
        energy = "" if run.joint_energy is None else f"joint energy {run.joint_energy:.3g} J/mm² (estimate)"
        section = ", ".join(f"{k.replace('_', ' ')} {v:g}" for k, v in run.section.items())
        detail = [f"run {run.position}, {run.kind}", f"settings: {settings}", energy]
        detail += [f"section: {section}"] if section else []
        detail += [f"by {run.person}"] if run.person else []
        return PickLine(f"run:{run.position}", (f"{run.position:>3}  {values}   ", gave), detail)

    def on_picks_chosen(self, message: Picks.Chosen) -> None:
        message.stop()
        if message.key.startswith("run:"):
            self.dismiss(message.key.removeprefix("run:"))
