"""What the Recipes place leads to beside revisions: pairs of materials and window studies, in sheets over it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from qualrec.tui.labels import Tone
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.base import PlaceScreen
from qualrec.tui.screens.record_sheets import AskSheet, refusal
from qualrec.tui.widgets.forms import Choice, Field

if TYPE_CHECKING:
    from qualrec.values import RecipeRevision
    from qualrec.work.materials_pairs import PairMatrix, PartPair
    from qualrec.work.session import Session
    from qualrec.work.window_plan import WindowStudy
    from qualrec.work.window_study import WindowReport

DESIGNS = (("f", "face-centred"), ("b", "box-behnken"), ("u", "full"))


class JointActions(PlaceScreen):
    """Actions of the Recipes place on pairs and window studies."""

    def _chosen(self) -> RecipeRevision | None:
        raise NotImplementedError

    def _refused(self, title: str) -> Callable[[Trouble], None]:
        def told(trouble: Trouble) -> None:
            if trouble.lost:
                self.failed("recipes", trouble)
            else:
                self.app.push_screen(refusal(title, trouble))

        return told

    # Pairs.

    def action_pairs(self) -> None:
        """The matrix of pairs and the check of each part."""

        def use(session: Session) -> tuple[PairMatrix, list[PartPair]]:
            from qualrec.errors import UsageError
            from qualrec.records import lookups
            from qualrec.work.materials_pairs import pair_matrix, pair_of_part

            with session.store.read() as conn:
                numbers = [part.number for part in lookups.parts(conn)]
            found = []
            for number in numbers:
                try:
                    found.append(pair_of_part(session, number))
                except UsageError:  # a polymer that is in no table
                    continue
            return pair_matrix(session), found

        def then(found: tuple[PairMatrix, list[PartPair]]) -> None:
            from qualrec.tui.screens.pairs import PairsSheet

            self.app.push_screen(PairsSheet(*found))

        self.read("pairs", use, then)

    # Window studies.

    def action_window(self) -> None:
        """The window studies of all recipes."""

        def use(session: Session) -> tuple[WindowStudy, ...]:
            from qualrec.work.window_plan import window_studies_of

            return window_studies_of(session)

        def then(found: tuple[WindowStudy, ...]) -> None:
            from qualrec.tui.screens.window import NEW, WindowsSheet

            def chosen(answer: str | None) -> None:
                if answer == NEW:
                    self._plan()
                elif answer:
                    self._open(answer)

            self.app.push_screen(WindowsSheet(found), chosen)

        self.read("window", use, then)

    def _plan(self) -> None:
        """Plan a study of the recipe under the cursor."""
        revision = self._chosen()
        if revision is None:
            return
        from qualrec.tui.widgets.forms import Option

        code, number_of = revision.code, revision.revision
        rows = (
            Field("First factor", id="first", placeholder="power=180..220"),
            Field("Second factor", id="second", placeholder="clamp_force=400..700"),
            Field("Third factor", id="third", required=False, placeholder="transmission=18..26, or empty"),
            Choice("Design", [Option(key, word, word) for key, word in DESIGNS], id="design"),
        )

        def use(given: dict[str, str] | None) -> None:
            if not given:
                return

            def write(session: Session) -> str:
                from qualrec.work.window_plan import plan_study

                factors = [given[name] for name in ("first", "second", "third") if given[name]]
                return plan_study(
                    session, code, factors, revision=number_of, design=given["design"]
                ).study.number

            self.write("window", write, self._open, self._refused("Not planned"))

        lead = "A factor is a setting, transmission or joint_energy, with its lowest and highest value."
        self.app.push_screen(AskSheet(f"Window study of {code} revision {number_of}", rows, lead=lead), use)

    def _open(self, number: str, told: str = "") -> None:
        """Show a study; what its runs say is worked out where they can carry it."""

        def use(session: Session) -> tuple[WindowStudy, WindowReport | None, str]:
            from qualrec.errors import UsageError
            from qualrec.work.window_plan import window_study
            from qualrec.work.window_study import kept_report

            study = window_study(session, number)
            try:
                return study, kept_report(study), ""
            except UsageError as error:
                return study, None, f"{error.message} {error.remedy}".strip()

        def then(found: tuple[WindowStudy, WindowReport | None, str]) -> None:
            from qualrec.tui.screens.window import CHOOSE, WindowSheet

            def chosen(answer: str | None) -> None:
                if answer == CHOOSE:
                    self._choose(number)
                elif answer:
                    self._enter(found[0], int(answer))

            self.app.push_screen(WindowSheet(*found, self.decimal_style, told), chosen)

        self.read("window", use, then, self._refused("Not opened"))

    def _enter(self, study: WindowStudy, run: int) -> None:
        """What one run gave; a run that is entered asks for a reason."""
        from qualrec.tui.screens.bench_entry import MODES

        number, unit = study.study.number, study.characteristic.unit
        done = study.runs[run - 1].done_us is not None
        rows = (
            Field("Strength", id="strength", unit=unit, required=False),
            Choice("Failure mode", MODES, id="mode"),
            Field("Shares", id="shares", required=False, placeholder="mixed only: 0/60/10/30"),
            Field("Collapse", id="collapse", unit="mm", required=False),
            *((Field("Reason", id="reason", placeholder="why the entry changes"),) if done else ()),
        )

        def use(given: dict[str, str] | None) -> None:
            if not given:
                self._open(number)
                return

            def write(session: Session) -> str:
                from qualrec.work.window_plan import RunEntry, enter_run

                entry = RunEntry(
                    run, given["strength"], given["mode"], given["shares"], {"collapse": given["collapse"]}
                )
                return enter_run(session, number, entry, why=given.get("reason", ""))

            self.write("window", write, lambda told: self._open(number, told), self._refused("Not entered"))

        lead = ", ".join(f"{k.replace('_', ' ')} {v:g}" for k, v in study.runs[run - 1].values.items())
        self.app.push_screen(AskSheet(f"{number}, run {run}", rows, lead=lead), use)

    def _choose(self, number: str) -> None:
        rows = (
            Field("Reason", id="reason"),
            Field(
                "Own point",
                id="at",
                required=False,
                placeholder="power=205, clamp_force=550; empty: the proposed one",
            ),
        )

        def use(given: dict[str, str] | None) -> None:
            if not given:
                self._open(number)
                return

            def write(session: Session) -> str:
                from qualrec.work.window_study import choose_set_point, read_points

                at = read_points(given["at"])
                _, made = choose_set_point(session, number, reason=given["reason"], at=at)
                return f"{made.code} revision {made.revision} drafted from {number}. Somebody else has to approve it."

            self.write("window", write, self._drafted, self._refused("Not chosen"))

        lead = "Keeps the analysis and drafts a recipe revision with the windows that the point proves."
        self.app.push_screen(AskSheet(f"Set point of {number}", rows, lead=lead), use)

    def _drafted(self, told: str) -> None:
        self.load()
        self.say(told, Tone.GOOD)
