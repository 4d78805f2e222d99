"""Gauges: standing at a moment, what is overdue first, lots since the last good calibration, checks and calibrations."""

from __future__ import annotations

import pytest

from qualrec.config import Settings
from qualrec.errors import Refused
from qualrec.records import lookups
from qualrec.tui.screens.gauge_text import (
    DAY_US,
    FOUND_BAD,
    IN_DATE,
    OVERDUE,
    SOON,
    WITHDRAWN,
    Seen,
    due_words,
    list_lines,
    standing,
)
from qualrec.tui.widgets.pick_list import DetailPane
from qualrec.values import Calibration, Gauge
from qualrec.work import gauges
from qualrec.work.session import open_session


def gauge(code: str, *calibrations: Calibration, state: str = "in use") -> Gauge:
    return Gauge(
        len(code), code, "Invented gauge", "pull force", "N", None, 365, None, None, None, state, "", calibrations
    )  # fmt: skip


def calibrated(from_day: int, to_day: int, verdict: str = "good") -> Calibration:
    return Calibration(from_day * DAY_US, to_day * DAY_US, verdict, None, None, "", "")


@pytest.mark.parametrize(
    ("made", "wanted", "words"),
    [
        (gauge("A", calibrated(0, 365)), IN_DATE, "in 265 days"),
        (gauge("A", calibrated(0, 129)), SOON, "in 29 days"),
        (gauge("A", calibrated(0, 130)), IN_DATE, "in 30 days"),
        (gauge("A", calibrated(0, 101)), SOON, "in 1 day"),
        (gauge("A", calibrated(0, 100)), SOON, "in 0 days"),
        (gauge("A", calibrated(0, 99)), OVERDUE, "1 day ago"),
        (gauge("A"), OVERDUE, "never calibrated"),
        (gauge("A", calibrated(0, 365, "bad")), OVERDUE, "never calibrated"),
        (gauge("A", calibrated(0, 365), state="found bad"), FOUND_BAD, "in 265 days"),
        (gauge("A", calibrated(0, 50), state="withdrawn"), WITHDRAWN, "50 days ago"),
    ],
)
def test_standing_of_a_gauge_at_day_100(made, wanted, words):
    assert standing(made, 100 * DAY_US) is wanted
    assert due_words(made, 100 * DAY_US) == words


def test_what_needs_attention_comes_first(sample_plant):
    with open_session(Settings(f"sqlite:///{sample_plant}", badge="Q-01")) as session:
        register = (
            gauge("ok", calibrated(0, 365)),
            gauge("gone", calibrated(0, 50), state="withdrawn"),
            gauge("soon1", calibrated(0, 120)),
            gauge("bad123", calibrated(0, 365), state="found bad"),
            gauge("overdue", calibrated(0, 90)),
        )
        lines = list_lines(Seen(session, register, 100 * DAY_US))
    assert [line.parts[0].strip() for line in lines] == ["bad123", "overdue", "soon1", "ok", "gone"]


async def go(app, pilot, settle):
    await settle(pilot)
    await app.action_go("gauges")
    for _ in range(3):
        await settle(pilot)
    return app.screen


def test_a_gauge_shows_calibrations_and_the_lots_since_the_last_good_one(
    sample_plant, program_on, run, settle
):
    with (
        open_session(Settings(f"sqlite:///{sample_plant}", badge="Q-01")) as session,
        session.store.read() as conn,
    ):
        tester = lookups.gauge(conn, "PT-02")
        last = tester.calibrations[-1]
        lots = {
            row.number
            for row in lookups.lots_page(conn, limit=500)
            for r in lookups.readings_of_lot(conn, row.id)
            if r.gauge == "PT-02" and r.at_us >= last.at_us
        }
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle)
        screen.picks.go_to(f"gauge:{tester.id}")
        for _ in range(3):
            await settle(pilot)
        text = screen.query_one(DetailPane).text
        assert text.index("SAMPLE-CAL-0131") < text.index("SAMPLE-CAL-0117")
        assert {row.number for row in screen.pages[tester.id].lots} == lots
        assert f"{len(lots)} lot" in text
        for number in lots:
            assert number in text

    run(app, use)


def test_a_bad_check_marks_the_gauge_and_a_good_calibration_takes_it_back(
    sample_plant, program_on, run, settle, fill
):
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle)
        tester = next(g for g in screen.seen.gauges if g.code == "PT-02")
        key = f"gauge:{tester.id}"
        screen.picks.go_to(key)
        await pilot.press("f6")
        await fill(pilot, "1000", "1002,5", "5", "daily check")
        assert screen.query_one("#message").text.endswith("good.")
        await pilot.press("f6")
        await fill(pilot, "1000", "1020", "5", "")
        assert "BAD" in screen.query_one("#message").text
        assert screen.picks.key == key
        assert screen.picks.lines[0].key == key
        assert "! FOUND BAD" in screen.picks.text
        for _ in range(2):
            await settle(pilot)
        assert "1020 for 1000 +- 5 N: bad" in screen.query_one(DetailPane).text
        await pilot.press("f7")
        day = screen.seen.session.moment(screen.seen.now_us)[:10]
        await fill(pilot, day, "<g>", "CERT-9", "0,8", "0,1", "")
        assert "FOUND BAD" not in screen.picks.text
        assert "CERT-9" in screen.query_one(DetailPane).text

    run(app, use)


def test_an_auditor_may_read_only(sample_plant):
    with open_session(Settings(f"sqlite:///{sample_plant}", badge="A-01")) as session, pytest.raises(Refused):
        gauges.record_check(session, "PT-02", reference="1000", found="1000", tolerance="5")


def test_ascii_mode(sample_plant, program_on, run, settle, screen_text):
    app = program_on(sample_plant, ascii=True)

    async def use(pilot):
        await go(app, pilot, settle)
        assert not {char for char in screen_text(app) if ord(char) > 126}

    run(app, use)
