"""The studies within the place of gauges: list, plan sheet, entry of runs, run sheets as files, analysis."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from qualrec.tui.labels import Tone
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.base import PlaceScreen
from qualrec.tui.screens.record_sheets import AskSheet, refusal
from qualrec.tui.screens.study_entry import StudyEntry
from qualrec.tui.screens.study_text import list_lines, study_detail
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.forms import Choice, Field, Option
from qualrec.tui.widgets.pick_list import Picks

if TYPE_CHECKING:
    from qualrec.work.gauge_studies import StudyLine, StudyPage
    from qualrec.work.session import Session

DESIGNS = (
    Option("c", "crossed", "crossed", "Everybody measures every part; by variances."),
    Option("r", "average-range", "averages", "The same, by averages and ranges."),
    Option("n", "nested", "nested", "Destructive: everybody pulls pieces of own batches."),
    Option("b", "bias", "bias", "One master of known value."),
    Option("l", "linearity", "linearity", "Masters over the range."),
    Option("s", "stability", "stability", "Masters on several occasions."),
    Option("a", "agreement", "agreement", "People call the class of the same parts."),
)
PLAN_LEAD = (
    "Empty: the usual size. Parts, masters or batches and people: 1-10, or names with commas (badges or letters, no names "
    "of persons). References: 1=25.02, 2=50.1"
)
TEACH = "No study is on record. New study plans one; its runs come in an order drawn from a seed."


class StudyView(PlaceScreen):
    """What the place does with studies; the place gives the list and says which view is open."""

    studies: tuple[StudyLine, ...] = ()
    studied: dict[str, StudyPage]
    fresh = False
    """A study was planned just now: the cursor goes to it."""

    @property
    def picks(self) -> Picks:
        return self.query_one(Picks)

    def open_view(self, view: str, told: str = "") -> None:
        """Show another view of the place."""
        raise NotImplementedError

    def load_and(self, told: str) -> None:
        raise NotImplementedError

    def gauge_code(self) -> str:
        """The code of the gauge that the cursor stood on last."""
        raise NotImplementedError

    def show_studies(self, told: str) -> None:
        """Read the list of studies and show it."""

        def use(session: Session) -> tuple[Session, tuple[StudyLine, ...]]:
            from qualrec.work.gauge_studies import study_lines

            return session, study_lines(session)

        def then(found: tuple[Session, tuple[StudyLine, ...]]) -> None:
            session, self.studies = found
            self.studied = {}
            self.picks.show(list_lines(self.studies, session))
            if self.fresh and self.studies:
                self.picks.go_to(f"study:{self.studies[0].study.number}")
                self.fresh = False
            self.tell_study()
            self.picks.list.focus()
            if told or not self.studies:
                self.say(told or TEACH, Tone.GOOD if told else Tone.LOOK)

        self.read("studies", use, then)

    def study_number(self) -> str:
        return self.picks.key.partition("study:")[2]

    def tell_study(self) -> None:
        """Details of the study under the cursor."""
        wanted = self.study_number()
        if not wanted:
            return
        page = self.studied.get(wanted)
        if page is not None:
            self._tell_page(page)
            return

        def use(session: Session) -> StudyPage:
            from qualrec.work.gauge_studies import study_page

            return study_page(session, wanted)

        def then(found: StudyPage) -> None:
            self.studied[wanted] = found
            if self.study_number() == wanted:
                self._tell_page(found)

        self.read("study", use, then)

    def _tell_page(self, page: StudyPage) -> None:
        session = self.desk.session()
        self.picks.detail(study_detail(page, session, self.decimal_style, is_ascii(self)))

    def _chosen_study(self) -> StudyPage | None:
        page = self.studied.get(self.study_number())
        if page is None:
            self.say("Put the cursor on a study first: Studies lists them.", Tone.LOOK)
        return page

    def _studied(self, title: str, use: Callable[[Session], str]) -> None:
        def refused(trouble: Trouble) -> None:
            self.fresh = False
            if trouble.lost:
                self.failed("studies", trouble)
            else:
                self.app.push_screen(refusal(title, trouble))

        self.write("studies", use, self.load_and, refused)

    # Actions.

    def action_new_study(self) -> None:
        """Plan a study of the gauge under the cursor."""
        self.open_view("studies")
        filled = {"gauge": self.gauge_code()}
        rows = (
            Choice("Study", DESIGNS, id="design"),
            Field("Gauge", id="gauge", required=False, placeholder="code; none for agreement"),
            Field("Part number", id="part", required=False),
            Field("Characteristic", id="code", required=False, placeholder="unit and limits come from it"),
            Field("Title", id="title", required=False),
            Field("Parts or masters", id="parts", required=False),
            Field("People", id="people", required=False),
            Field("Trials", id="trials", required=False),
            Field("Occasions", id="occasions", required=False, placeholder="stability only"),
            Field("References", id="references", required=False),
        )

        def use(given: dict[str, str] | None) -> None:
            if given:
                self.fresh = True
                self._studied("Not planned", lambda session: _plan(session, given))

        self.app.push_screen(AskSheet("New study", rows, lead=PLAN_LEAD, filled=filled), use)

    def action_enter_runs(self) -> None:
        """Enter the runs of the study under the cursor."""
        page = self._chosen_study()
        if page is None:
            return
        if page.plan is None or page.line.study.state not in ("planned", "running"):
            self.say(
                f"Study {page.line.study.number} takes no entries: it is {page.line.study.state}.", Tone.LOOK
            )
            return
        number = page.line.study.number

        def store(run: int, text: str) -> None:
            def use(session: Session) -> tuple[StudyPage, str]:
                from qualrec.work.gauge_studies import enter, study_page

                said = enter(session, number, {run: text})
                return study_page(session, number), said[0]

            def then(found: tuple[StudyPage, str]) -> None:
                self.studied[number] = found[0]
                if sheet.is_mounted:
                    sheet.refresh_page(*found)

            def refused(trouble: Trouble) -> None:
                sheet.refused(f"{trouble.message} {trouble.remedy}".rstrip())

            self.write("run", use, then, refused)

        sheet = StudyEntry(page, store, self.decimal_style)
        self.app.push_screen(sheet, lambda _: self.load_and(""))

    def action_run_sheet(self) -> None:
        """Write the run sheet of the study under the cursor to a file."""
        page = self._chosen_study()
        if page is None:
            return
        number = page.line.study.number

        def use(given: dict[str, str] | None) -> None:
            if given:
                self._studied("Not written", lambda session: _write_sheet(session, number, given["file"]))

        rows = (Field("File", id="file", placeholder="ends in .xlsx, .csv or .txt"),)
        sheet = AskSheet(f"Run sheet of {number}", rows, filled={"file": f"{number}.xlsx"})
        self.app.push_screen(sheet, use)

    def action_take_sheet(self) -> None:
        """Take a filled-in run sheet of the study under the cursor back."""
        page = self._chosen_study()
        if page is None:
            return
        number = page.line.study.number

        def use(given: dict[str, str] | None) -> None:
            if given:
                self._studied("Not taken", lambda session: _take_sheet(session, number, given["file"]))

        rows = (Field("File", id="file", placeholder="the filled-in .xlsx or .csv"),)
        sheet = AskSheet(f"Take the run sheet of {number} back", rows, filled={"file": f"{number}.xlsx"})
        self.app.push_screen(sheet, use)

    def action_analyse(self) -> None:
        """Work the study under the cursor out and keep the result."""
        page = self._chosen_study()
        if page is None:
            return
        number, left = page.line.study.number, len(page.open_runs)
        leave = Option("y", "yes", "leave out", f"Work out without the {left} open runs; they are counted.")
        rows = (Choice("Open runs", (leave,), id="leave"),)

        def use(given: dict[str, str] | None) -> None:
            if given:
                self._studied(
                    "Not worked out", lambda session: _work_out(session, number, leave_open=left > 0)
                )

        if left and page.line.study.state in ("planned", "running"):
            lead = f"{left} of {len(page.runs)} runs are open. The entries are closed by the analysis."
            self.app.push_screen(AskSheet(f"Work {number} out", rows, lead=lead), use)
        else:
            use({"leave": ""})

    def action_withdraw_study(self) -> None:
        """Withdraw the study under the cursor: it counts no longer."""
        page = self._chosen_study()
        if page is None:
            return
        number = page.line.study.number

        def use(given: dict[str, str] | None) -> None:
            if given:
                self._studied("Not withdrawn", lambda session: _withdraw(session, number, given["reason"]))

        self.app.push_screen(AskSheet(f"Withdraw study {number}", (Field("Reason", id="reason"),)), use)


def _plan(session: Session, given: dict[str, str]) -> str:
    from qualrec.errors import UsageError
    from qualrec.work.gauge_studies import plan_study
    from qualrec.work.study_plans import Wanted, blank, named

    usual = blank(given["design"])
    trials = given["trials"]
    if trials and not trials.isdigit():
        raise UsageError(f"{trials!r} is no number of trials.", "Write a whole number.")
    page = plan_study(
        session,
        Wanted(
            design=given["design"],
            title=given["title"],
            gauge=given["gauge"] if given["design"] != "agreement" else "",
            part=given["part"],
            code=given["code"],
            parts=named(given["parts"]) or usual.parts,
            people=named(given["people"]) or usual.people,
            trials=int(trials) if trials else usual.trials,
            occasions=named(given["occasions"]) or usual.occasions,
            references=_references(given["references"]),
        ),
    )
    advice = " ".join(page.advice)
    return f"Study {page.line.study.number} planned with {len(page.runs)} runs. {advice}".rstrip()


def _references(text: str) -> dict[str, str]:
    from qualrec.errors import UsageError

    found = {}
    for piece in (p.strip() for p in text.split(",") if p.strip()):
        name, sign, value = piece.partition("=")
        if not sign:
            raise UsageError(
                f"{piece!r} is not PART=VALUE.", "Write it as 1=25.02, 2=50.1, with decimal points."
            )
        found[name.strip()] = value.strip()
    return found


def _write_sheet(session: Session, number: str, file: str) -> str:
    from pathlib import Path

    from qualrec.work.gauge_studies import write_sheet

    return write_sheet(session, number, Path(file))


def _take_sheet(session: Session, number: str, file: str) -> str:
    from pathlib import Path

    from qualrec.errors import FileRefused
    from qualrec.work.gauge_studies import take_sheet

    try:
        return " ".join(take_sheet(session, number, Path(file)))
    except FileRefused as error:
        raise FileRefused(error.message, error.problems, _located(error.problems, error.remedy)) from error


def _located(problems: Sequence[object], remedy: str) -> str:
    """The first problems with their rows and columns, for the sheet of a refusal."""
    shown = [str(problem) for problem in problems[:12]]
    if len(problems) > len(shown):
        shown.append(f"and {len(problems) - len(shown)} more")
    return "\n".join((*shown, "", remedy))


def _work_out(session: Session, number: str, *, leave_open: bool) -> str:
    from qualrec.work.gauge_studies import work_out

    page = work_out(session, number, leave_open=leave_open)
    return f"Study {number} worked out: {page.line.study.verdict}."


def _withdraw(session: Session, number: str, reason: str) -> str:
    from qualrec.work.gauge_studies import withdraw

    return withdraw(session, number, reason=reason)
