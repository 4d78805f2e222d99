"""Every action of every screen as every role: what is not theirs is refused, and nothing is written.

The program runs on the sample plant; sheets are answered at once. Which acts an action asks for is recorded where the one
table of rights is read, so an action that would write without asking is found as well as one that asks for another act.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from types import MappingProxyType
from typing import Any

import pytest
from textual.await_complete import AwaitComplete
from textual.screen import Screen
from textual.worker import WorkerCancelled

from qualrec.config import Settings
from qualrec.tui.actions import ACTIONS, FAMILIES, page_class
from qualrec.tui.app import QualrecApp
from qualrec.tui.screens.bench_sheets import CorrectionSheet, EventSheet
from qualrec.tui.screens.charts_sheets import FreezeSheet, ReasonSheet
from qualrec.tui.screens.import_sheet import CheckedSheet
from qualrec.tui.screens.record_sheets import AskSheet
from qualrec.tui.widgets.forms import Choice
from qualrec.work import recipes, rights
from qualrec.work.accounts import SAMPLE_PASSWORD, SAMPLE_PIN
from qualrec.work.rights import RIGHTS
from qualrec.work.sample_files import locate
from qualrec.work.session import open_session

BADGES = {
    "A-01": "auditor",
    "X-01": "administrator",
    "T-01": "technician",
    "P-01": "process engineer",
    "Q-01": "quality engineer",
}
WRITES = {
    "bench.new": "open lots",
    "bench.event": "log events",
    "bench.correct": "correct readings",
    "charts.freeze": "freeze limits",
    "lots.decide": "decide about lots",
    "lots.acknowledge": "acknowledge flags",
    "lots.close-flag": "close flags",
    "lots.step": "acknowledge flags",
    "lots.concession": "decide about lots",
    "lots.correct": "correct readings",
    "lots.ship": "ship lots",
    "lots.contain": "contain parts",
    "lots.import": "take files in",
    "recipes.approve": "approve recipes",
    "recipes.draft": "draft recipes",
    "recipes.withdraw": "approve recipes",
    "recipes.change": "approve recipes",
    "gauges.check": "log readings",
    "gauges.calibration": "record calibrations",
    "gauges.new-study": "plan studies",
    "gauges.take-sheet": "enter studies",
    "gauges.analyse": "plan studies",
    "gauges.withdraw-study": "plan studies",
    "gauges.draft-plan": "draft control plans",
    "gauges.approve-plan": "approve control plans",
    "gauges.take-plan": "draft control plans",
    "submission.open": "make submissions",
    "submission.notice": "tend change notices",
    "people.add": "manage people",
    "people.roles": "manage people",
    "people.pin": "manage people",
    "people.password": "manage people",
    "people.authorise": "authorise people",
    "people.take-back": "authorise people",
    "people.state": "manage people",
    "people.unlock": "manage people",
}
"""Action -> the act that it needs."""
OPEN, HELD = "FM00061", "FM00056"


class Answers(dict[str, str]):
    """What a sheet is answered; a row that is not named here stays empty."""

    def __missing__(self, name: str) -> str:
        return ""


TEXTS = Answers(
    reason="because", text="seen", remark="seen", badge="T-09", name="Invented", first=SAMPLE_PIN, again=SAMPLE_PIN,
    password=SAMPLE_PASSWORD, current=SAMPLE_PASSWORD, test="PULL", until="2099-12-31", reference="500", found="500",
    tolerance="5", day="2026-11-01", number="N-1", part="FM-2040", what="another", checks="more", document="D-1",
    level="3", quantity="5", sample="1", value="600", component="FM-2041", place="rack",
    path=str(locate("tester_pulls.csv")),
)  # fmt: skip


def answers_of(screen: Screen[Any]) -> Any:
    """What a user would fill in; None for a sheet that asks for nothing that is written."""
    if isinstance(screen, AskSheet):
        given = Answers()
        for row in screen.asked:
            if row.id is not None:
                given[row.id] = row.options[0].value if isinstance(row, Choice) else TEXTS[row.id]
        return given
    if isinstance(screen, CheckedSheet):
        return "take"
    if isinstance(screen, EventSheet):
        return "glass_cleaned"
    if isinstance(screen, CorrectionSheet | ReasonSheet | FreezeSheet):
        return Answers(TEXTS, badge="")
    return None


class Recorded(dict[str, frozenset[str]]):
    """The table of rights, which notes what is asked of it."""

    def __init__(self) -> None:
        super().__init__(RIGHTS)
        self.asked: list[str] = []

    def __getitem__(self, act: str) -> frozenset[str]:
        self.asked.append(act)
        return super().__getitem__(act)


class Driver:
    """The program with sheets answered at once."""

    def __init__(self, path: Path, state: Path, monkeypatch: pytest.MonkeyPatch, settle: Any) -> None:
        from qualrec.tui.desk import Desk

        settings = Settings(f"sqlite:///{path}", badge="A-01", state_dir=state)
        self.path, self.wait = path, settle
        self.app = QualrecApp(settings, desk=Desk(settings))
        self.rights = Recorded()
        self.left = 0
        """Sheets still answered for this action: a refused one may ask again, which would go on for ever."""
        monkeypatch.setattr(rights, "RIGHTS", self.rights)
        self.push = self.app.push_screen
        monkeypatch.setattr(self.app, "push_screen", self.answer)

    async def settle(self, pilot: Any) -> None:
        """Until nothing runs; a read that a newer one of the same name made stale is cancelled, which is no failure."""
        for _ in range(5):
            try:
                await self.wait(pilot)
            except WorkerCancelled:
                continue
            return

    def answer(self, screen: Any, callback: Any = None, **how: Any) -> Any:
        given = answers_of(screen) if isinstance(screen, Screen) and self.left > 0 else None
        if given is not None and callback is not None:
            self.left -= 1
            self.app.call_later(callback, given)
        return AwaitComplete.nothing()

    def entries(self) -> int:
        connection = sqlite3.connect(self.path)
        try:
            return int(connection.execute("SELECT count(*) FROM trail").fetchone()[0])
        finally:
            connection.close()

    async def go(self, pilot: Any, place: str) -> Any:
        if place == "people":
            if not isinstance(self.app.screen, page_class("people")):
                await self.push(page_class("people")())
        else:
            await self.app.action_go(place)
        await self.settle(pilot)
        return self.app.screen

    async def ready(self, pilot: Any, action: str) -> Any:
        """The place of an action, with what it acts on under the cursor."""
        place, name = action.split(".")
        screen = await self.go(pilot, place)
        if place == "bench":
            screen.show_record(HELD if name == "correct" else OPEN)
        elif place == "lots":
            screen.open_lot(HELD if name != "ship" else "FM00059")
        elif place in ("people", "submission"):
            screen.load()
        await self.settle(pilot)
        await self.settle(pilot)
        if place == "gauges":
            studies = ("enter-runs", "run-sheet", "take-sheet", "analyse", "withdraw-study")
            view = (
                "studies" if name in studies else "plans" if name.endswith(("plan", "plans")) else "register"
            )
            screen.open_view(view)
            await self.settle(pilot)
            await self.settle(pilot)
            keys = [line.key for line in screen.picks.lines if line.key]
            plans = [k for k in keys if name == "approve-plan" and k.startswith("plan:")]
            screen.picks.go_to((plans or keys or [""])[0])
        elif place == "submission":
            keys = [line.key for line in screen.picks.lines if line.key]
            screen.picks.go_to(keys[-1] if keys else "")
        elif place == "lots":
            kind = "reading:" if name == "correct" else "flag:"
            screen.picks.go_to(next((k.key for k in screen.picks.lines if k.key.startswith(kind)), ""))
        elif place == "recipes":
            states = ("draft",) if name == "approve" else ("approved",)
            held = [r for r in screen.seen.revisions if r.state in states] or screen.seen.revisions
            screen.picks.go_to(f"rev:{held[0].id}")
        elif place == "people":
            screen.picks.go_to("T-02")
        elif name in ("freeze", "leave-out", "from-here", "to-here") and screen.trial is None:
            await self.app.run_action("trial", default_namespace=screen)
        await self.settle(pilot)
        return screen

    async def do(self, pilot: Any, action: str) -> tuple[set[str], int]:
        """The acts that an action asked for, and how many entries of the trail it made."""
        screen = self.app.screen
        before = self.entries()
        self.rights.asked.clear()
        self.left = 2
        method = next(a.method for a in ACTIONS if a.id == action)
        await self.app.run_action(method, default_namespace=screen)
        for _ in range(2):
            await self.settle(pilot)
        self.left = 0
        return set(self.rights.asked), self.entries() - before


BY_USE_CASE = {
    "submission.set": ("submission_records", "set_element"),
    "submission.make": ("submission_records", "make_file"),
    "submission.sign": ("submission_records", "sign_file"),
    "gauges.enter-runs": ("gauge_studies", "enter"),
}
"""Actions that need an object which the sample plant does not hold: their one use case, which asks for the right itself."""
ROLES_OF_PLACES = sorted({action.split(".")[0] for action in WRITES})
READS = [a.id for a in ACTIONS if a.place not in ("app", *FAMILIES) and a.id not in WRITES]


@pytest.fixture
def driver(sample_plant: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, settle: Any) -> Driver:
    from qualrec.values import RecipeSetting

    with open_session(Settings(f"sqlite:///{sample_plant}", badge="P-01")) as session:
        setting = RecipeSetting("hold_time", 1.4, "s")
        recipes.draft_revision(session, "RC-2040", 2, {"hold_time": setting}, "because")
    return Driver(sample_plant, tmp_path / "state", monkeypatch, settle)


def test_every_action_that_writes_names_its_act() -> None:
    assert set(WRITES) <= {action.id for action in ACTIONS}
    assert set(WRITES.values()) <= set(RIGHTS)
    assert set(BY_USE_CASE) <= set(READS)


@pytest.mark.parametrize("action", sorted(BY_USE_CASE))
def test_a_use_case_of_a_screen_asks_before_it_does_anything(action: str) -> None:
    """The first statement behind the docstring is the question for the right."""
    import ast
    import inspect
    from importlib import import_module

    module, name = BY_USE_CASE[action]
    function = ast.parse(inspect.getsource(getattr(import_module(f"qualrec.work.{module}"), name))).body[0]
    assert isinstance(function, ast.FunctionDef)
    first = next(
        s for s in function.body if not (isinstance(s, ast.Expr) and isinstance(s.value, ast.Constant))
    )
    assert ast.unparse(first).startswith("require(session.actor, ")
    screen = Path(inspect.getsourcefile(page_class("people")) or "").parent
    used = "".join(path.read_text(encoding="utf-8") for path in screen.glob("*.py"))
    assert f"{name}(" in used


@pytest.mark.parametrize("place", ROLES_OF_PLACES)
def test_an_action_that_writes_as_every_role(place: str, driver: Driver, run: Callable[..., None]) -> None:
    async def use(pilot: Any) -> None:
        for action, act in WRITES.items():
            if not action.startswith(f"{place}."):
                continue
            prepared = None
            # Those who may come last: what they do must not stand in the way of the others.
            for badge in sorted(BADGES, key=lambda one: BADGES[one] in RIGHTS[act]):
                driver.app.desk.sign_on(badge, SAMPLE_PIN)
                if prepared is None or BADGES[badge] in RIGHTS[act]:  # a refusal leaves all as it was
                    prepared = await driver.ready(pilot, action)
                asked, made = await driver.do(pilot, action)
                assert act in asked, (action, badge, asked)
                if BADGES[badge] not in RIGHTS[act]:
                    assert made == 0, (action, badge)

    run(driver.app, use, size=(120, 40))


@pytest.mark.parametrize("place", sorted({action.split(".")[0] for action in READS}))
def test_an_action_that_reads_writes_nothing(place: str, driver: Driver, run: Callable[..., None]) -> None:
    """As the auditor, whose every write would be refused: no right is asked for, and no entry is made."""

    async def use(pilot: Any) -> None:
        await driver.ready(pilot, f"{place}.-")
        for action in [one for one in READS if one.startswith(f"{place}.")]:
            await driver.go(pilot, place)
            asked, made = await driver.do(pilot, action)
            assert (asked, made) == (set(), 0), action

    run(driver.app, use, size=(120, 40))


def test_the_table_shows_who_may_do_what() -> None:
    """The generated table: action by role. A changed right shows here."""
    may = MappingProxyType(
        {a: sorted(r for r in BADGES.values() if r in RIGHTS[act]) for a, act in WRITES.items()}
    )
    assert all("auditor" not in roles for roles in may.values())
    assert {a for a, roles in may.items() if "administrator" in roles} == {
        a for a in WRITES if a.startswith("people.")
    }
    assert may["lots.decide"] == ["quality engineer"]
    assert may["bench.correct"] == ["process engineer", "quality engineer", "technician"]
