"""Ways to look on the Charts place: another kind of chart, groups told apart, strips over one axis, views under a name.

None of them judges: the chart of record and its flags stay as they are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from qualrec.tui.labels import Tone
from qualrec.tui.screens.charts_limits import LimitsScreen
from qualrec.tui.screens.charts_pick import CodesSheet, Offer, PickSheet, ViewAsked, ViewsSheet
from qualrec.tui.screens.charts_text import Look
from qualrec.tui.screens.charts_ways import RECORD, Way
from qualrec.tui.screens.subject import Subject

if TYPE_CHECKING:
    from qualrec.assess import ChartView
    from qualrec.assess.chart_kinds import KindView
    from qualrec.assess.chart_strata import Strata
    from qualrec.assess.chart_strips import Strips
    from qualrec.work.session import Session


AS_IT_IS = Way()


@dataclass(frozen=True, slots=True, eq=False)
class Looked:
    """What a way to look gives; `way` is what of it could be done, `remark` says what could not."""

    way: Way = AS_IT_IS
    kind: KindView | None = None
    strata: Strata | None = None
    rows: Strips | None = None
    remark: str = ""


def look(session: Session, view: ChartView, way: Way) -> Looked:
    """Compute a way to look at a chart; what its data do not allow is left out and said."""
    from qualrec.assess.chart_kinds import kind_view
    from qualrec.assess.chart_strata import stratify
    from qualrec.assess.chart_strips import strips
    from qualrec.errors import ComputeError, UnknownRecord, UsageError

    found, said = Looked(way), []
    with session.store.read() as conn:
        if way.strips:
            try:
                found = replace(found, rows=strips(conn, view.part_number, way.codes))
            except (ComputeError, UsageError, UnknownRecord) as error:
                said.append(f"{error.message} {error.remedy}".strip())
                found = replace(found, way=replace(way, strips=False))
        if way.kind != RECORD:
            try:
                found = replace(found, kind=kind_view(view, way.kind))
            except (ComputeError, UsageError) as error:
                said.append(f"{error.message} {error.remedy}".strip())
                found = replace(found, way=replace(found.way, kind=RECORD))
        if way.by:
            try:
                found = replace(found, strata=stratify(conn, view, way.by))
            except UsageError as error:
                said.append(error.message)
                found = replace(found, way=replace(found.way, by=""))
    return replace(found, remark=" ".join(said))


class LookScreen(LimitsScreen):
    """The part of the place that chooses how to look. A subclass draws and gives `range_shown` and `show_range`."""

    def __init__(self) -> None:
        super().__init__()
        self.look = Look()
        self.way = AS_IT_IS
        self.looked = Looked()
        self.range_asked: tuple[str, str] | None = None
        """First and last lot to be shown once the chart is there; '' for an end."""

    def range_shown(self) -> tuple[str, str]:
        """The first and last lot in view; '' for an end that the whole chart has."""
        raise NotImplementedError

    def open_subject(self, subject: Subject, way: Way | None = None) -> None:
        """Show another subject; `way` None keeps how it is looked at for the same characteristic only."""
        same = self.subject is not None and (self.subject.part, self.subject.code) == (
            subject.part,
            subject.code,
        )
        self.way = way if way is not None else self.way if same else AS_IT_IS
        super().open_subject(subject)

    def go_way(self, way: Way) -> None:
        """Look another way at the same subject."""
        if self.loaded is None:
            return
        self.way = way
        view, subject = self.loaded.view, self.subject

        def take(found: Looked) -> None:
            if subject == self.subject:
                self.take_look(found)
                self.draw()

        self.read("look", lambda session: look(session, view, way), take)

    def take_look(self, found: Looked) -> None:
        self.looked, self.way = found, found.way
        if found.remark:
            self.say(f"? {found.remark}", Tone.LOOK)

    def step_back(self) -> bool:
        """Esc: from strips to the chart, from another kind to that of record, from groups to all together."""
        way = self.way
        if way.strips:
            self.go_way(replace(way, strips=False))
        elif way.kind != RECORD:
            self.go_way(replace(way, kind=RECORD))
        elif way.by:
            self.go_way(replace(way, by=""))
        else:
            return False
        return True

    def _one_chart(self, what: str) -> bool:
        """Whether one chart is on the screen; else it is said how to come back to it."""
        if self.loaded is None:
            return False
        if self.way.strips:
            self.say(f"{what} belongs to one chart: Esc leads back to it.", Tone.LOOK)
            return False
        return True

    def action_trial(self) -> None:
        if not self._one_chart("A trial of limits"):
            return
        if self.way.kind != RECORD:
            self.way, self.looked = replace(self.way, kind=RECORD), replace(self.looked, kind=None)
            self.look = replace(self.look, ewma=False)
        super().action_trial()

    def action_kind(self) -> None:
        """Choose another kind of chart to look at the same points."""
        if not self._one_chart("Another kind of chart") or self.loaded is None:
            return
        if self.trial is not None:
            self.say(f"First put the trial limits away ({self.key_of('charts.trial')}).", Tone.LOOK)
            return
        from qualrec.assess.chart_kinds import kinds_for

        c, series = self.loaded.view.characteristic, self.loaded.view.series
        offers = [Offer(RECORD, "chart of record", f"{c.chart}: its limits judge, its points raise flags")]
        offers += [Offer(kind.id, kind.name, kind.question) for kind in kinds_for(c, series)]

        def picked(kind: str | None) -> None:
            if kind:
                self.go_way(replace(self.way, kind=kind))

        self.app.push_screen(PickSheet("Look at the points as", offers, self.way.kind), picked)

    def action_stratify(self) -> None:
        """Tell the points apart by what was behind them."""
        if not self._one_chart("Telling points apart") or self.loaded is None:
            return
        from qualrec.assess.chart_strata import divisions_for

        offers = [Offer("-", "all together")]
        offers += [Offer(d.id, d.plural) for d in divisions_for(self.loaded.view)]

        def picked(by: str | None) -> None:
            if by:
                self.go_way(replace(self.way, by="" if by == "-" else by))

        self.app.push_screen(PickSheet("Tell points apart by", offers, self.way.by or "-"), picked)

    def action_together(self) -> None:
        """Several characteristics over one axis of lots."""
        if self.loaded is None or self.subject is None:
            return
        part, marked = self.subject.part, self.way.codes

        def use(session: Session) -> tuple[list[Offer], tuple[str, ...], int]:
            from qualrec.assess.chart_strips import ENERGY, MOST_STRIPS, usual_codes
            from qualrec.records import lookups

            with session.store.read() as conn:
                offers = [Offer(c.code, c.name) for c in lookups.characteristics(conn, part)]
                usual = usual_codes(conn, part)
            return [*offers, Offer(ENERGY, "recipe and transmission together")], marked or usual, MOST_STRIPS

        def take(found: tuple[list[Offer], tuple[str, ...], int]) -> None:
            self.app.push_screen(CodesSheet(*found), picked)

        def picked(codes: tuple[str, ...] | None) -> None:
            if codes:
                self.trial = None
                self.go_way(replace(self.way, strips=True, codes=codes))

        self.read("codes of the part", use, take)

    # Views under a name.

    def action_views(self) -> None:
        """Open a saved view, or keep the present one."""
        from qualrec.views import saved_views

        folder = self.program.settings.config_dir

        def take(held: dict[str, dict[str, str]]) -> None:
            offers = [Offer(name, name, _view_words(fields)) for name, fields in held.items()]
            self.app.push_screen(ViewsSheet(offers), lambda asked: self._do_view(asked, held))

        self.ask("views", lambda: saved_views(folder, self.PLACE), take)

    def _do_view(self, asked: ViewAsked | None, held: Mapping[str, Mapping[str, str]]) -> None:
        from qualrec import views

        if asked is None:
            return
        folder, name, place = self.program.settings.config_dir, asked.name, self.PLACE
        if asked.act == "open":
            self._open_view(held[name])
        elif asked.act == "forget":
            self.save(
                "views",
                lambda: views.remove_view(folder, place, name),
                lambda _: self.say(f"View {name} is forgotten."),
            )
        elif self.subject is not None:
            fields = self._view_fields()
            self.save(
                "views",
                lambda: views.save_view(folder, place, name, fields),
                lambda _: self.say(f"Kept as view {name}.", Tone.GOOD),
            )

    def _view_fields(self) -> dict[str, str]:
        subject, way = self.subject, self.way
        assert subject is not None
        first, last = self.range_shown()
        fields = {
            "part": subject.part,
            "code": subject.code,
            "stream": subject.stream,
            "condition": "" if subject.condition is None else str(subject.condition),
            "kind": way.kind,
            "by": way.by,
            "strips": "yes" if way.strips else "",
            "codes": "\n".join(way.codes),
            "ewma": "yes" if self.look.ewma else "",
            "first": first,
            "last": last,
        }
        return {name: value for name, value in fields.items() if value}

    def _open_view(self, fields: Mapping[str, str]) -> None:
        condition = fields.get("condition", "")
        subject = Subject(
            fields.get("part", ""),
            fields.get("code", ""),
            fields.get("stream", ""),
            int(condition) if condition.isdigit() else None,
        )
        codes = tuple(code for code in fields.get("codes", "").split("\n") if code)
        way = Way(fields.get("kind", RECORD), fields.get("by", ""), bool(fields.get("strips")), codes)
        self.look = replace(self.look, ewma=bool(fields.get("ewma")))
        self.range_asked = (fields.get("first", ""), fields.get("last", ""))
        self.trial = None
        self.open_subject(subject, way)


def _view_words(fields: Mapping[str, str]) -> str:
    """What a saved view shows, in a few words."""
    parts = [f"{fields.get('part', '')} {fields.get('code', '')}".strip()]
    if fields.get("strips"):
        parts = [f"{fields.get('part', '')}: {fields.get('codes', '').replace(chr(10), ', ')}"]
    if fields.get("stream"):
        parts.append(f"stream {fields['stream']}")
    if fields.get("kind", RECORD) != RECORD:
        parts.append(fields["kind"])
    if fields.get("by"):
        parts.append(f"by {fields['by']}")
    if fields.get("first") or fields.get("last"):
        parts.append(f"{fields.get('first', '')} to {fields.get('last', '')}".strip())
    return ", ".join(parts)
