"""Times against the standard library's own parser and calendar (datetime.strptime, fromisoformat, zoneinfo)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.errors import UsageError
from qualrec.intake.moments import Clock, pattern, read_moment

VIENNA = Clock("Europe/Vienna")
PATTERNS = {
    "DD.MM.YYYY hh:mm:ss": "%d.%m.%Y %H:%M:%S",
    "MM/DD/YYYY hh:mm:ss AM": "%m/%d/%Y %I:%M:%S %p",
    "YYYY-MM-DD hh:mm": "%Y-%m-%d %H:%M",
    "DD-MM-YY hh.mm.ss": "%d-%m-%y %H.%M.%S",
}
moments = st.datetimes(min_value=datetime(2000, 1, 1), max_value=datetime(2068, 12, 31))


def micros(moment: datetime) -> int:
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


@given(moments, st.sampled_from(sorted(PATTERNS)))
def test_as_the_standard_library_reads_it(moment, form):
    text = moment.strftime(PATTERNS[form])
    local = datetime.strptime(text, PATTERNS[form]).replace(tzinfo=UTC)
    assert read_moment(text, form, Clock("UTC")) == micros(local)


@given(st.datetimes(min_value=datetime(1970, 1, 2), max_value=datetime(2100, 1, 1)), st.integers(-839, 839))
def test_iso_with_offset_as_the_standard_library_reads_it(moment, minutes):
    sign, away = "-" if minutes < 0 else "+", abs(minutes)
    text = f"{moment.isoformat()}{sign}{away // 60:02d}:{away % 60:02d}"
    assert read_moment(text, "iso", VIENNA) == micros(datetime.fromisoformat(text))


@given(moments, st.sampled_from(["Europe/Vienna", "America/New_York", "Asia/Kolkata", "Australia/Lord_Howe"]))
def test_local_times_agree_with_the_zone_or_are_refused(moment, zone):
    text = moment.isoformat()
    aware = moment.replace(tzinfo=ZoneInfo(zone))
    again = aware.astimezone(UTC).astimezone(ZoneInfo(zone)).replace(tzinfo=None)
    twice = aware.utcoffset() != aware.replace(fold=1).utcoffset()
    if again != moment or twice:
        with pytest.raises(UsageError):
            read_moment(text, "iso", Clock(zone))
    else:
        assert read_moment(text, "iso", Clock(zone)) == micros(aware.astimezone(UTC))


def test_the_repeated_hour_needs_a_rule_or_an_offset():
    text = "25.10.2026 02:30:00"
    form = "DD.MM.YYYY hh:mm:ss"
    with pytest.raises(UsageError, match="twice"):
        read_moment(text, form, VIENNA)
    first = read_moment(text, form, Clock("Europe/Vienna", "first"))
    second = read_moment(text, form, Clock("Europe/Vienna", "second"))
    assert first == micros(datetime(2026, 10, 25, 0, 30, tzinfo=UTC))
    assert second - first == 3_600_000_000
    assert read_moment("2026-10-25T02:30:00+01:00", "iso", VIENNA) == second


@pytest.mark.parametrize("rule", ["refuse", "first", "second"])
def test_a_skipped_hour_is_refused_under_every_rule(rule):
    with pytest.raises(UsageError, match="does not exist"):
        read_moment("29.03.2026 02:30:00", "DD.MM.YYYY hh:mm:ss", Clock("Europe/Vienna", rule))


@pytest.mark.parametrize(
    ("text", "hour"), [("12:00:00 AM", 0), ("12:00:00 PM", 12), ("01:00:00 pm", 13), ("11:00:00 a.m.", 11)]
)
def test_twelve_hour_clock(text, hour):
    found = read_moment(f"05/14/2026 {text}", "MM/DD/YYYY hh:mm:ss AM", Clock("UTC"))
    assert found == micros(datetime(2026, 5, 14, hour, tzinfo=UTC))


@pytest.mark.parametrize(
    ("text", "form"),
    [
        ("05/14/2026 06:42:10", "DD/MM/YYYY hh:mm:ss"),
        ("14.05.2026 25:00:00", "DD.MM.YYYY hh:mm:ss"),
        ("31.04.2026 06:00:00", "DD.MM.YYYY hh:mm:ss"),
        ("05/14/2026 13:00:00 PM", "MM/DD/YYYY hh:mm:ss AM"),
        ("05/14/2026 00:00:00 AM", "MM/DD/YYYY hh:mm:ss AM"),
        ("2026-05-14", "iso"),
        ("2026-05-14T06:42:10+15:00", "iso"),
        ("2026-05-14T06:42:60Z", "iso"),
        ("0000-05-14T06:42:10Z", "iso"),
        ("46156.279", "iso"),
        ("", "iso"),
    ],
)
def test_refused_with_words(text, form):
    with pytest.raises(UsageError) as caught:
        read_moment(text, form, Clock("UTC"))
    assert caught.value.remedy


@pytest.mark.parametrize("form", ["", "DD.MM hh:mm", "DD.DD.YYYY MM hh:mm", "YYYY YY MM DD hh mm", "d.m.y"])
def test_a_pattern_that_leaves_something_open_is_refused(form):
    with pytest.raises(UsageError, match="pattern"):
        pattern(form)


def test_unknown_zone_is_worded():
    for zone in ("Europe/Nowhere", "../etc/passwd", ""):
        with pytest.raises(UsageError, match="zone"):
            read_moment("2026-05-14T06:00:00", "iso", Clock(zone))
