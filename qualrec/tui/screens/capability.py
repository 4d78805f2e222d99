"""Capability: may I quote an index, which one, how sure, and what stands in the way?"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, isnan
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container, Vertical, VerticalScroll
from textual.events import Resize
from textual.widgets import ContentSwitcher, Static

from qualrec.tui.actions import bindings_of
from qualrec.tui.labels import Tone
from qualrec.tui.messages import Trouble
from qualrec.tui.screens import capability_text as words
from qualrec.tui.screens.capability_chain import EvidenceChain
from qualrec.tui.screens.capability_pictures import Pictures, pictures
from qualrec.tui.screens.capability_what_if import Known, WhatIfSheet
from qualrec.tui.screens.subject import Group, Subject, SubjectScreen, groups_of
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.histogram import Histogram, IndexBars, ProbabilityPaper

if TYPE_CHECKING:
    from qualrec.assess import CapabilityReport
    from qualrec.work.session import Session

WIDE, BESIDE_WIDTH = 110, 51
TEXT_VIEWS = ("weld", "figures")
MOST_VALUES = 5000
"""Most single values that a probability plot is made from."""


@dataclass(frozen=True, slots=True, eq=False)
class Loaded:
    """A report with its pictures."""

    subject: Subject
    report: CapabilityReport
    pictures: Pictures
    groups: tuple[Group, ...]
    mark: str
    """Digest of the newest entry of the trail: while it is the same, so is the report."""


class CapabilityScreen(SubjectScreen):
    PLACE: ClassVar[str] = "capability"
    BINDINGS: ClassVar[list[BindingType]] = [*bindings_of("capability")]
    DEFAULT_CSS = """
    CapabilityScreen #subject { height: 1; text-style: bold; }
    CapabilityScreen #verdict { height: 1; text-style: bold; }
    CapabilityScreen #how { height: 1; color: $tone-quiet; }
    CapabilityScreen #halves { height: 1fr; layout: vertical; }
    CapabilityScreen #evidence { height: auto; }
    CapabilityScreen #beside { display: none; }
    CapabilityScreen #view { height: 1fr; }
    CapabilityScreen #view > VerticalScroll { height: 1fr; }
    CapabilityScreen.-large #evidence { display: none; }
    CapabilityScreen.-wide #how { height: auto; max-height: 2; }
    CapabilityScreen.-wide #halves { layout: horizontal; }
    CapabilityScreen.-wide #evidence { width: 56; height: 1fr; padding: 1 2 0 0; }
    CapabilityScreen.-wide.-large #evidence { display: none; }
    CapabilityScreen.-wide #chain { margin: 0 0 1 0; }
    CapabilityScreen.-wide #view { padding: 1 0 0 0; }
    CapabilityScreen.-wide #beside { display: block; height: 1fr; margin: 1 0 0 0; }
    """

    def __init__(self) -> None:
        super().__init__()
        self.loaded: Loaded | None = None
        self.large = False

    # Layout.

    def compose_body(self) -> ComposeResult:
        yield Static(id="subject", markup=False)
        yield Static(id="verdict", markup=False)
        yield Static(id="how", markup=False)
        with Container(id="halves"):
            with Vertical(id="evidence"):
                yield EvidenceChain(id="chain")
                yield IndexBars(id="bars")
                with VerticalScroll(id="beside", can_focus=False):
                    yield Static(id="beside-text", markup=False)
            with ContentSwitcher(initial="distribution", id="view"):
                yield Histogram(id="distribution")
                yield ProbabilityPaper(id="paper")
                for name in TEXT_VIEWS:
                    with VerticalScroll(id=name):
                        yield Static(id=f"{name}-text", markup=False)

    def on_resize(self, event: Resize) -> None:
        self.set_class(event.size.width >= WIDE, "-wide")
        self.call_after_refresh(self._draw)

    @property
    def wide(self) -> bool:
        return self.has_class("-wide")

    @property
    def view(self) -> str:
        """Which picture or text is shown beside the chain."""
        return self.query_one("#view", ContentSwitcher).current or "distribution"

    def views(self) -> list[str]:
        """What there is to see for this characteristic."""
        strength = self.loaded is not None and self.loaded.report.characteristic.strength
        return ["distribution", "paper", *(["weld"] if strength else []), "figures"]

    # The records.

    def read_subject(self, subject: Subject, *, again: bool) -> None:
        if not again:
            self._empty_out()
        self._tell("#subject", f"{subject.words()}   computing ...")
        style = self.decimal_style
        before = self.loaded if self.loaded is not None and self.loaded.subject == subject else None

        def use(session: Session) -> Loaded:
            from qualrec import assess
            from qualrec.records import lookups

            with session.store.read() as conn:
                newest = lookups.trail_rows(conn, limit=1, plant_id=session.plant.id)
                mark = newest[0].digest if newest else ""
                if before is not None and before.mark == mark:
                    return before
                report = assess.capability_report(conn, subject.part, subject.code, **subject.asked)
                c, choice = report.characteristic, report.choice
                values = None
                if c.kind == "measured" and not (report.strength is not None and report.strength.fits):
                    values = lookups.values(
                        conn,
                        c.id,
                        limit=MOST_VALUES,
                        stream_id=choice.series_stream,
                        condition_ids=choice.condition_ids,
                    )
                groups = groups_of(conn, c)
            return Loaded(subject, report, pictures(report, values, style), groups, mark)

        self.read("subject", use, self._arrived, self.subject_failed)

    def _empty_out(self) -> None:
        """Nothing of the report before may pass for the one that is computed."""
        self.loaded = None
        for name in ("#verdict", "#how", "#beside-text", *(f"#{view}-text" for view in TEXT_VIEWS)):
            self._tell(name, "")
        self.query_one(EvidenceChain).show((), roomy=self.wide)
        self.query_one(IndexBars).show(())
        self._show_pictures(Pictures.without("computing ..."))

    def _arrived(self, found: Loaded) -> None:
        self.loaded, self.choice, self.groups = found, found.report.choice, found.groups
        if self.view not in self.views():
            self._show_view("distribution")
        self._draw()
        if not self.has_class("-large"):
            self.query_one(EvidenceChain).focus()

    def subject_failed(self, trouble: Trouble) -> None:
        if self.subject is not None:
            self._tell("#subject", f"{self.subject.words()}   not read")
        if self.loaded is None:
            self._show_pictures(Pictures.without("not read"))
        super().subject_failed(trouble)

    # The picture.

    def _draw(self) -> None:
        if self.loaded is None:
            return
        report, style, shown = self.loaded.report, self.decimal_style, self.loaded.pictures
        c = report.characteristic
        choice = self.choice_words()
        self._tell(
            "#subject", f"{report.part_number} {c.code}   {c.name}" + (f"   {choice}" if choice else "")
        )
        self._tell("#verdict", *words.verdict(report, style, is_ascii(self)))
        self._tell("#how", words.how(report))
        self.query_one(EvidenceChain).show(report.chain.links, roomy=self.wide)
        self.query_one(IndexBars).show(words.bars(report, style))
        self._show_pictures(shown)
        width = max(56, self.query_one("#view").size.width - 2)
        self._tell("#weld-text", "\n".join(words.strength_lines(report, style, width)))
        self._tell("#figures-text", "\n".join(words.figure_lines(report, style, width)))
        self._tell(
            "#beside-text", "\n".join(words.figure_lines(report, style, BESIDE_WIDTH)) if self.wide else ""
        )

    def _show_pictures(self, shown: Pictures) -> None:
        self.query_one(Histogram).show(shown.distribution, shown.distribution_heading)
        paper = self.query_one(ProbabilityPaper)
        paper.censored_word = "at least this much: the wall broke, the weld held"
        paper.show(shown.paper, shown.paper_heading)

    def _tell(self, where: str, text: str, tone: Tone | None = None) -> None:
        line = self.query_one(where, Static)
        line.update(self.text(text))
        for other in Tone:
            line.set_class(other is tone, f"tone-{other}")

    def _show_view(self, name: str) -> None:
        """Show a picture or a text; at 80 columns a text takes the room of the chain."""
        self.query_one("#view", ContentSwitcher).current = name
        self.set_class(self.large or (name in TEXT_VIEWS and not self.wide), "-large")
        if name in TEXT_VIEWS:
            self.query_one(f"#{name}", VerticalScroll).focus()
        elif not self.has_class("-large"):
            self.query_one(EvidenceChain).focus()

    # What the user can do.

    def action_picture(self) -> None:
        """The next picture or text: distribution, probability plot, weld strength, all figures."""
        views = self.views()
        at = views.index(self.view) if self.view in views else -1
        self._show_view(views[(at + 1) % len(views)])

    def action_large(self) -> None:
        """Give the picture all the room, or show the chain again."""
        self.large = not self.large
        self._show_view("distribution" if not self.large and self.view in TEXT_VIEWS else self.view)
        self.call_after_refresh(self._draw)

    def action_what_if(self) -> None:
        self._what_if("requirement")

    def _what_if(self, start: str) -> None:
        if self.loaded is None:
            return
        report = self.loaded.report
        if not isfinite(report.index.value) or report.index.value <= 0:
            reason = report.index.refusal or "The index is not above 0."
            self.say(f"There is no index to ask about: {reason}", Tone.LOOK)
            return
        self.app.push_screen(WhatIfSheet(known(report), self.decimal_style, start))

    async def action_chart(self) -> None:
        await self.hand_over("charts")

    async def on_evidence_chain_opened(self, message: EvidenceChain.Opened) -> None:
        """Go to what a link rests on."""
        message.stop()
        name = message.name
        if name == "stability":
            await self.hand_over("charts")
        elif name in ("data", "requirement"):
            self._what_if("readings" if name == "data" else "requirement")
        elif name == "shape":
            self._show_view("paper")
        elif name == "index":
            self._show_view("figures")
        elif any(place.id == "gauges" for place in self.program.places):
            await self.program.action_go("gauges")
        elif self.loaded is not None:
            link = self.loaded.report.chain.link(name)
            self.app.push_screen(TextSheet(link.question, [f"{link.answer}: {link.why}", link.source]))


def known(report: CapabilityReport) -> Known:
    """What the what-if starts from."""
    found = report.capability
    share = float("nan") if found is None else found.between_share
    ratio = None if isnan(share) or share >= 1.0 or report.lots < 2 else share / (1.0 - share)
    c = report.characteristic
    return Known(
        requirement=report.evidence.requirement,
        index=report.index.value,
        bound=report.index.bound,
        readings=report.readings,
        per_lot=max(1, round(report.readings / max(1, report.lots))),
        ratio=ratio,
        two_sided=c.lsl is not None and c.usl is not None,
    )
