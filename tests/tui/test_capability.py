"""Capability: the chain that decides, the pictures against general-purpose libraries, strength beside plain, what-if."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path
from threading import Event

import numpy as np
import pytest
from scipy import stats
from textual.pilot import Pilot
from textual.widgets import Static

from qualrec import assess
from qualrec.assess import CapabilityReport
from qualrec.config import Settings
from qualrec.errors import UsageError
from qualrec.judge.evidence import Evidence, GaugeStanding, IndexStanding, ShapeStanding, evidence_chain
from qualrec.records import lookups
from qualrec.records.database import open_store
from qualrec.stats.capability import needed_lots
from qualrec.tui.app import QualrecApp
from qualrec.tui.desk import Desk
from qualrec.tui.labels import Tone
from qualrec.tui.screens import capability_text as words
from qualrec.tui.screens.capability import CapabilityScreen, known
from qualrec.tui.screens.capability_chain import EvidenceChain
from qualrec.tui.screens.capability_pictures import Fitted, nice_values, pictures, place_of, thinned
from qualrec.tui.screens.capability_what_if import (
    Known,
    Question,
    WhatIfSheet,
    answers,
    read_count,
    read_figure,
)
from qualrec.tui.screens.charts import ChartsScreen
from qualrec.tui.screens.subject import Subject
from qualrec.tui.widgets.forms import Field
from qualrec.tui.widgets.histogram import Histogram, ProbabilityPaper
from qualrec.tui.widgets.message_line import MessageLine
from qualrec.work import bench, set_up

Run = Callable[..., None]
PULL = Subject("FM-2040", "PULL")
WIDE = (120, 40)


async def settle(pilot: Pilot[None]) -> None:
    """Wait until no worker runs and the screen is drawn."""
    for _ in range(3):
        await pilot.app.workers.wait_for_complete()
        await pilot.pause()


def app_on(path: Path, **changes: object) -> QualrecApp:
    settings = Settings(f"sqlite:///{path}", **{"badge": "Q-01", **changes})  # type: ignore[arg-type]
    return QualrecApp(settings, desk=Desk(settings))


async def opened(pilot: Pilot[None], subject: Subject | None = None) -> CapabilityScreen:
    await settle(pilot)
    await pilot.app.action_go("capability")  # type: ignore[attr-defined]
    await settle(pilot)
    screen = pilot.app.screen
    assert isinstance(screen, CapabilityScreen)
    if subject is not None:
        screen.open_subject(subject)
        await settle(pilot)
    return screen


def said(screen: CapabilityScreen, name: str) -> str:
    return str(screen.query_one(name, Static).content)


def report_of(path: Path, subject: Subject) -> CapabilityReport:
    with open_store(f"sqlite:///{path}") as store, store.read() as conn:
        return assess.capability_report(conn, subject.part, subject.code, **subject.asked)


@pytest.fixture
def pull(written_sample_plant: Path) -> CapabilityReport:
    """The report of the pull force on record."""
    return report_of(written_sample_plant, PULL)


def invented() -> Evidence:
    """Evidence with every answer: a gauge without study, enough data, signals, a shape, an index under the requirement."""
    return Evidence(
        lots=40,
        readings=200,
        gauge=GaugeStanding(("G-1",), readings=200),
        limits_state="frozen",
        signals=("L007", "L031"),
        shape=ShapeStanding("normal", 200, 0.4, 0.4),
        index=IndexStanding("Ppk", 1.41, 1.22, "normal shape; from the lots: non-central t"),
        requirement=1.33,
        requirement_source="characteristic",
    )


# The chain in words.


@pytest.mark.parametrize(
    ("name", "width", "roomy", "ascii_only"),
    [("chain_narrow", 78, False, False), ("chain_roomy", 54, True, False), ("chain_ascii", 78, False, True)],
)
def test_chain_as_text(
    name: str, width: int, roomy: bool, ascii_only: bool, same_as_snapshot: Callable[[str, str], None]
) -> None:
    links = evidence_chain(invented()).links
    lines, owners = words.chain_lines(links, 2, width, roomy=roomy, ascii_only=ascii_only)
    texts = ["".join(text for text, _ in line).rstrip() for line in lines]
    assert len(owners) == len(lines)
    assert all(len(text) <= width for text in texts)
    assert not ascii_only or "\n".join(texts).isascii()
    same_as_snapshot(name, "\n".join(texts) + "\n")


def test_edge_is_broken_where_a_link_does_not_hold() -> None:
    links = evidence_chain(invented()).links
    lines, owners = words.chain_lines(links, 0, 78, roomy=False, ascii_only=False)
    edges = {links[owner].name: line[0] for line, owner in zip(lines, owners, strict=True) if owner >= 0}
    assert [edges[link.name][0][0] for link in links] == ["┆", "│", " ", "│", "│", " "]
    assert [edges[link.name][1] for link in links] == [
        Tone.LOOK,
        Tone.GOOD,
        Tone.BAD,
        Tone.GOOD,
        Tone.GOOD,
        Tone.BAD,
    ]


def test_no_index_is_written_without_its_remark(pull: CapabilityReport) -> None:
    assert pull.remark
    text, tone = words.verdict(pull, "comma", ascii_only=True)
    assert f"({pull.remark})" in text
    assert f"{pull.index.value:.2f}".replace(".", ",") in text
    assert text.startswith("! no")
    assert tone is Tone.BAD
    assert f"n {pull.readings} in {pull.lots} lots" in words.how(pull)
    figures = words.figure_lines(pull, "point", 60)
    assert figures[0] == f"Every index here carries: {pull.remark}."
    assert all(len(line) <= 60 for line in figures)


def test_bar_compares_what_the_chain_compares(pull: CapabilityReport) -> None:
    (bar,) = words.bars(pull, "point")
    assert (bar.index, bar.lower, bar.requirement) == (
        pull.index.value,
        pull.index.bound,
        pull.evidence.requirement,
    )
    assert bar.requirement_name == ("asked of the bound" if pull.evidence.by_bound else "asked of the index")


# Strength.


def test_survival_figures_stand_beside_the_plain_ones(pull: CapabilityReport) -> None:
    """Plain percentiles are a normal shape's, the weld's those of the censored fit (both by scipy)."""
    found = pull.strength
    assert found is not None
    lines = words.strength_lines(pull, "point", 78)
    text = "\n".join(lines)
    fit = found.fits["weibull"]
    assert not isinstance(fit, str)
    row = next(line for line in lines if line.startswith("1 % below")).split()
    plain = stats.norm(found.mean, found.sd).ppf(0.01)
    weld = stats.weibull_min(fit.parameters["shape"], scale=fit.parameters["scale"]).ppf(0.01)
    assert float(row[3]) == pytest.approx(plain, abs=0.51)
    assert float(row[4]) == pytest.approx(weld, abs=0.51)
    middle = next(line for line in lines if line.startswith("50 % below")).split()
    assert float(middle[4]) > float(middle[3])
    assert words.STRENGTH_SENTENCE.split(".")[0] in text.replace("\n", " ")
    upper = f"{100 * found.interfacial.upper.value:.2f} %"
    assert f"Interfacial: {found.interfacial.failures} of {found.n} pulls" in text
    assert upper in text


# Pictures.


@pytest.mark.parametrize(
    ("fit", "reference"),
    [
        (Fitted("normal", (5.0, 2.0)), stats.norm(5.0, 2.0)),
        (Fitted("weibull", (3.0, 6.0)), stats.weibull_min(3.0, scale=6.0)),
        (Fitted("lognormal", (1.5, 0.3)), stats.lognorm(0.3, scale=math.exp(1.5))),
        (Fitted("gamma", (4.0, 1.2)), stats.gamma(4.0, scale=1.2)),
        (Fitted("smallest extreme value", (5.0, 1.0)), stats.gumbel_l(5.0, 1.0)),
    ],
)
def test_place_on_paper_is_the_normal_quantile_of_the_share_below(
    fit: Fitted, reference: stats.rv_continuous
) -> None:
    """scipy.stats, an outside library, gives the shares."""
    x = np.array([1.5, 3.0, 5.0, 7.5])
    assert place_of(fit, x) == pytest.approx(stats.norm.ppf(reference.cdf(x)), abs=1e-9)


def test_curve_is_a_density_and_the_walls_are_the_limits(pull: CapabilityReport) -> None:
    drawn = pictures(pull, None, "point").distribution
    x, y = np.array(drawn.curve).T
    assert np.trapezoid(y, x) == pytest.approx(1.0, abs=0.02)
    assert pull.histogram is not None
    assert sum(drawn.counts) == pull.histogram.n
    named = {wall.name: wall.value for wall in drawn.walls}
    assert named["spec lower"] == pull.characteristic.lsl
    assert pull.capability is not None
    assert named["mean"] == pull.capability.mean


def test_strength_paper_draws_every_pull_and_its_line_is_the_fit(pull: CapabilityReport) -> None:
    """The straight line is ln(-ln(1 - F)) of scipy's Weibull shape with the fitted parameters."""
    assert pull.strength is not None
    fit = pull.strength.fits["weibull"]
    assert not isinstance(fit, str)
    plot = pictures(pull, None, "point").paper
    assert sum(plot.censored) == fit.censored_count
    assert plot.line is not None
    reference = stats.weibull_min(fit.parameters["shape"], scale=fit.parameters["scale"])
    for x, y in plot.line:
        assert y == pytest.approx(math.log(-reference.logsf(math.exp(x))), rel=1e-6)


def test_plain_paper_follows_the_diagonal_where_the_shape_holds(written_sample_plant: Path) -> None:
    """Plotting positions (i - 0.5)/n against scipy's probplot of the same values: the same straightness."""
    subject = Subject("FM-2040", "COL")
    with open_store(f"sqlite:///{written_sample_plant}") as store, store.read() as conn:
        report = assess.capability_report(conn, subject.part, subject.code)
        values = lookups.values(conn, report.characteristic.id, condition_ids=report.choice.condition_ids)
    plot = pictures(report, values, "point").paper
    assert report.capability is not None
    x = np.sort(values.value)
    places = (x - report.capability.mean) / report.capability.sd_overall
    assert plot.x == pytest.approx(places[thinned(x.size)], abs=1e-9)
    assert np.corrcoef(plot.x, plot.y)[0, 1] == pytest.approx(stats.probplot(x)[1][2], abs=0.01)


def test_thinning_keeps_the_ends_and_values_are_round() -> None:
    kept = thinned(5000)
    assert kept[:40] == list(range(40))
    assert kept[-40:] == list(range(4960, 5000))
    assert len(kept) <= 240
    assert thinned(3) == [0, 1, 2]
    assert nice_values(0.197, 0.3601) == pytest.approx([0.2, 0.25, 0.3, 0.35])
    assert nice_values(5.0, 5.0) == [5.0]


# What if.


def test_what_if_bound_is_exact_for_one_limit() -> None:
    """P(T(n - 1; 3 b sqrt n) <= 3 index sqrt n) = 0.95 at the bound b, by scipy's non-central t."""
    n, index = 30, 1.6
    facts = Known(1.33, 1.6, 1.2, 150, 5, 0.5, two_sided=False)
    lines = answers(Question(1.33, index, n), facts, "point")
    bound = float(re.search(r"lower bound ([0-9.]+)", lines[0]).group(1))  # type: ignore[union-attr]
    t = 3 * index * math.sqrt(n)
    low, high = (stats.nct.cdf(t, n - 1, 3 * (bound + d) * math.sqrt(n)) for d in (0.006, -0.006))
    assert low < 0.95 < high
    assert lines[1].startswith("In 6 lots of 5 that differ as these do: lower bound ")
    assert "is under 1.33" in lines[2]
    needed = int(re.search(r"([0-9]+) independent", lines[3]).group(1))  # type: ignore[union-attr]
    for size, shown in ((needed, True), (needed - 1, False)):
        at = stats.nct.cdf(3 * index * math.sqrt(size), size - 1, 3 * 1.33 * math.sqrt(size))
        assert bool(at >= 0.95) is shown
    assert "lots of 5" in lines[4]


@pytest.mark.parametrize("ratio", [0.0, 0.5, 2.0])
def test_what_if_in_lots_is_the_bound_that_needed_lots_asks_for(ratio: float) -> None:
    """At the number of lots needed the bound reaches the requirement, with one lot fewer it does not."""
    k = needed_lots(1.33, 1.8, 5, ratio)
    facts = Known(1.33, 1.8, 1.2, 150, 5, ratio, two_sided=False)
    for lots, word in ((k, "reaches 1.33"), (k - 1, "is under 1.33")):
        assert word in answers(Question(1.33, 1.8, 5 * lots), facts, "point")[1]


def test_what_if_says_where_no_number_helps_and_refuses_nonsense() -> None:
    facts = Known(1.67, 1.2, 1.0, 50, 5, None, two_sided=True)
    lines = answers(Question(1.67, 1.2, 50), facts, "comma")
    assert "No number of readings shows 1,67" in lines[-1]
    assert read_figure("1,33").value == 1.33
    assert read_count("30").value == 30
    for text in ("x", "0", "-1", "nan", "inf"):
        with pytest.raises(UsageError):
            read_figure(text)
    for text in ("1", "3,5", ""):
        with pytest.raises(UsageError):
            read_count(text)


# On the screen.


@pytest.mark.parametrize("size", [(80, 24), WIDE])
def test_chain_bar_and_picture_stand_together(
    size: tuple[int, int], written_sample_plant: Path, run: Run, screen_text: Callable[[QualrecApp], str]
) -> None:
    app = app_on(written_sample_plant)

    async def steps(pilot: Pilot[None]) -> None:
        screen = await opened(pilot, PULL)
        assert screen.loaded is not None
        text = screen_text(app)
        for link in screen.loaded.report.chain.links:
            assert (link.question if size == WIDE else link.name) in text
        for word in ("Ppk", "lower bound", "asked of the", "spec lower", "mean", "curve:"):
            assert word in text
        assert screen.query_one(Histogram).size.height >= 7
        assert screen.query_one(EvidenceChain).has_focus
        await pilot.press("p")
        assert screen.view == "paper"
        assert "at least this much" in screen_text(app)
        await pilot.press("p")
        assert screen.view == "weld"
        assert "weld, weibull" in screen_text(app)
        await pilot.press("p", "p")
        assert screen.view == "distribution"
        assert screen.query_one(EvidenceChain).display
        high = screen.query_one(Histogram).size
        await pilot.press("f")
        await settle(pilot)
        wider = screen.query_one(Histogram).size
        assert wider.width * wider.height > high.width * high.height

    run(app, steps, size)


def test_enter_opens_what_a_link_rests_on(written_sample_plant: Path, run: Run) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        screen = await opened(pilot, PULL)
        chain = screen.query_one(EvidenceChain)
        chain.selected = 5
        await pilot.press("enter")
        await settle(pilot)
        sheet = pilot.app.screen
        assert isinstance(sheet, WhatIfSheet)
        assert "bound on record" in str(sheet.query_one("#answers", Static).content)
        field = sheet.query_one("#index", Field)
        field.text = "2,00"
        field.start()
        await pilot.press("enter")
        await settle(pilot)
        assert "at an index of 2" in str(sheet.query_one("#answers", Static).content)
        await pilot.press("escape")
        chain.selected = 3
        await pilot.press("enter")
        assert screen.view == "paper"
        chain.selected = 2
        chain.focus()
        await pilot.press("enter")
        await settle(pilot)
        charts = pilot.app.screen
        assert isinstance(charts, ChartsScreen)
        assert charts.subject == PULL
        await pilot.press("y")
        await settle(pilot)
        assert pilot.app.screen is screen

    run(app_on(written_sample_plant), steps)


def test_keys_work_while_the_report_is_computed(
    written_sample_plant: Path,
    run: Run,
    monkeypatch: pytest.MonkeyPatch,
    screen_text: Callable[[QualrecApp], str],
) -> None:
    go, real = Event(), assess.capability_report

    def slow(*args: object, **kwargs: object) -> CapabilityReport:
        assert go.wait(20)
        return real(*args, **kwargs)  # type: ignore[arg-type]

    app = app_on(written_sample_plant)

    async def steps(pilot: Pilot[None]) -> None:
        screen = await opened(pilot, PULL)
        monkeypatch.setattr(assess, "capability_report", slow)
        screen.open_subject(Subject("FM-2040", "COL"))
        await pilot.pause()
        assert "computing" in said(screen, "#subject")
        assert "Ppk" not in screen_text(app), "nothing of the report before may pass for the new one"
        assert screen.query_one(ProbabilityPaper).plot.x == ()
        await pilot.press("p")
        assert screen.view == "paper"
        await pilot.press("w")
        assert app.screen is screen
        go.set()
        await settle(pilot)
        assert screen.loaded is not None
        assert screen.loaded.report.characteristic.code == "COL"

    run(app, steps)


def test_the_report_is_computed_again_only_when_something_was_written(
    sample_plant: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked, real = [], assess.capability_report

    def counted(*args: object, **kwargs: object) -> CapabilityReport:
        asked.append(args)
        return real(*args, **kwargs)  # type: ignore[arg-type]

    async def steps(pilot: Pilot[None]) -> None:
        screen = await opened(pilot, Subject("FM-2040", "COL"))
        first = screen.loaded
        monkeypatch.setattr(assess, "capability_report", counted)
        await pilot.press("f5")
        await settle(pilot)
        assert (screen.loaded, asked) == (first, [])
        assert "computing" not in said(screen, "#subject")
        session = screen.desk.session()
        bench.log_event(session, "glass_cleaned", station="LW-1", lot=None)
        await pilot.press("f5")
        await settle(pilot)
        assert screen.loaded is not first
        assert len(asked) == 1

    run(app_on(sample_plant), steps)


def test_counted_and_unread_characteristics_say_why_there_is_no_index(
    written_sample_plant: Path, run: Run, screen_text: Callable[[QualrecApp], str]
) -> None:
    app = app_on(written_sample_plant)

    async def steps(pilot: Pilot[None]) -> None:
        screen = await opened(pilot, Subject("VB-1310", "LEAK"))
        text = screen_text(app)
        assert "upper bound" in said(screen, "#verdict")
        assert "a count has no distribution" in text
        await pilot.press("w")
        assert "no index to ask about" in screen.query_one("#message", MessageLine).text
        screen.open_subject(Subject("FM-2040", "NONE"))
        await settle(pilot)
        assert "NONE" in screen.query_one("#message", MessageLine).text
        assert "not read" in said(screen, "#subject")

    run(app, steps)


def test_an_empty_database_teaches(
    tmp_path: Path, run: Run, screen_text: Callable[[QualrecApp], str]
) -> None:
    url = f"sqlite:///{tmp_path / 'empty.sqlite'}"
    set_up.create(url, code="P1", name="Plant", zone="UTC", decimal_style="point", person="Somebody")
    app = app_on(tmp_path / "empty.sqlite", badge="")

    async def steps(pilot: Pilot[None]) -> None:
        await opened(pilot)
        assert "The first steps" in screen_text(app)
        await pilot.press("p", "w", "f", "k", "d", "full_stop")
        await settle(pilot)

    run(app, steps)


@pytest.mark.parametrize("size", [(80, 24), WIDE])
def test_ascii_and_no_colour_say_everything(
    size: tuple[int, int], written_sample_plant: Path, run: Run, screen_text: Callable[[QualrecApp], str]
) -> None:
    app = app_on(written_sample_plant, ascii=True, no_color=True)

    async def steps(pilot: Pilot[None]) -> None:
        await opened(pilot, PULL)
        for _ in range(4):
            text = screen_text(app)
            assert text.isascii()
            assert "! no" in text
            await pilot.press("p")
        await pilot.press("w")
        await settle(pilot)
        assert screen_text(app).isascii()

    run(app, steps, size)


def test_what_if_starts_from_the_report(pull: CapabilityReport) -> None:
    facts = known(pull)
    assert facts.requirement == pull.evidence.requirement
    assert facts.per_lot == round(pull.readings / pull.lots)
    assert facts.ratio is not None
    assert pull.capability is not None
    assert facts.ratio / (1 + facts.ratio) == pytest.approx(pull.capability.between_share)
    assert not facts.two_sided
