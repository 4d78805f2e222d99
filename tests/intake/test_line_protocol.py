"""Lines of an instrument: understood in one way, or named as trouble; never a wrong number."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.errors import UsageError
from qualrec.intake.line_protocol import LineProfile, LineReader, LineReading, LineTrouble, from_toml
from qualrec.intake.numbers import understand

SAMPLE = Path(__file__).parents[2] / "sample_data" / "force_gauge_link.toml"
PATTERN = r"(?P<sign>[-+CT]?) *(?P<value>[0-9.,]+) *(?P<unit>[A-Za-z]*)"


def profile(**changes: Any) -> LineProfile:
    return LineProfile(**{"name": "gauge", "pattern": PATTERN, "unit": "N", "overload": "OVER", **changes})


def reader(**changes: Any) -> LineReader:
    made = LineReader(profile(**changes))
    made.begin(silent_before=True)
    return made


def one(line: str | bytes, **changes: Any) -> Any:
    data = line if isinstance(line, bytes) else line.encode("latin-1")
    found = reader(**changes).feed(data + b"\r\n")
    assert len(found) == 1
    return found[0]


@pytest.mark.parametrize(
    ("line", "changes", "value", "unit", "text"),
    [
        ("612.4 N", {}, 612.4, "N", "612.4 N"),
        ("612.4", {}, 612.4, "N", "612.4 N"),
        ("  +612.40N ", {}, 612.4, "N", "612.40 N"),
        ("-3.5 N", {}, -3.5, "N", "-3.5 N"),
        ("C 3.5 N", {"signs": (("C", "-"), ("T", "+"))}, -3.5, "N", "-3.5 N"),
        ("T 3.5 N", {"signs": (("C", "-"), ("T", "+"))}, 3.5, "N", "3.5 N"),
        ("612,4 N", {"decimal_style": "comma"}, 612.4, "N", "612.4 N"),
        ("1.234 N", {}, 1.234, "N", "01.234 N"),
        ("1,234 N", {"decimal_style": "comma"}, 1.234, "N", "01.234 N"),
        ("0.612 kN", {}, 0.612, "kN", "0.612 kN"),
        ("137.2 LB", {"units": (("LB", "lbf"),)}, 137.2, "lbf", "137.2 lbf"),
        ("1234 N", {}, 1234.0, "N", "1234 N"),
    ],
)
def test_lines_that_are_understood(
    line: str, changes: dict[str, Any], value: float, unit: str, text: str
) -> None:
    found = one(line, **changes)
    assert isinstance(found, LineReading)
    assert (found.value, found.unit, found.text) == (value, unit, text)


@pytest.mark.parametrize(
    ("line", "changes", "kind"),
    [
        ("OVER", {}, "overload"),
        ("-OVER 999.9 N", {}, "overload"),
        ("612,4 N", {}, "number"),
        ("1.234.5 N", {"decimal_style": "comma"}, "number"),
        ("6.1.2 N", {}, "number"),
        ("99999999999999999999 N", {}, "number"),
        ("C 3.5 N", {}, "number"),
        ("3.5 XY", {}, "unit"),
        ("6l2.4 N", {}, "garbage"),
        ("612.4 N 5", {}, "garbage"),
        ("x612.4 N", {}, "garbage"),
        (b"612.4\x00 N", {}, "garbage"),
        (b"\xff\xfe612", {}, "garbage"),
        (b"6" * 250, {}, "garbage"),
    ],
)
def test_lines_that_are_trouble(line: str | bytes, changes: dict[str, Any], kind: str) -> None:
    found = one(line, **changes)
    assert isinstance(found, LineTrouble)
    assert found.kind == kind
    assert found.message.isprintable()


def test_pieces_of_any_size_give_the_same_lines() -> None:
    whole = b"612.4 N\r\n\r\nREADY\r\n598.1 N\r\nOVER\r\n"
    at_once = reader(ignore="READY").feed(whole)
    piecewise, slow = [], reader(ignore="READY")
    for n in range(len(whole)):
        piecewise += slow.feed(whole[n : n + 1])
    assert at_once == piecewise
    assert [getattr(f, "value", "trouble") for f in at_once] == [612.4, 598.1, "trouble"]


def test_the_end_of_a_line_after_connecting_is_no_reading() -> None:
    """'3.4 N' may be the end of '123.4 N'."""
    made = LineReader(profile())
    made.begin(silent_before=False)
    first, second = made.feed(b"3.4 N\r\n612.4 N\r\n")
    assert isinstance(first, LineTrouble)
    assert first.kind == "cut"
    assert second.value == 612.4
    made = LineReader(profile(whole_lines=True))
    made.begin(silent_before=False)
    assert made.feed(b"3.4 N\r\n")[0].value == 3.4  # type: ignore[union-attr]


def test_a_cut_line_is_trouble_and_does_not_run_into_the_next_connection() -> None:
    made = reader()
    assert made.feed(b"61") == []
    assert [t.kind for t in made.cut() if isinstance(t, LineTrouble)] == ["cut"]
    made.begin(silent_before=True)
    assert made.feed(b"2.4 N\r\n")[0].value == 2.4  # type: ignore[union-attr]
    assert made.cut() == []


def test_a_line_without_an_end_does_not_fill_the_memory() -> None:
    made, found = reader(), []
    for _ in range(1000):
        found += made.feed(b"7" * 1000)
    assert [t.kind for t in found] == ["garbage"]
    assert len(made._held) <= 200
    found = made.feed(b"777\r\n612.4 N\r\n")
    assert [getattr(f, "value", None) for f in found] == [612.4]


def test_a_change_of_unit_is_said() -> None:
    made = reader(units=(("LB", "lbf"),))
    notes = [r.note for r in made.feed(b"612 N\r\n137 LB\r\n138 LB\r\n612\r\n") if isinstance(r, LineReading)]
    assert notes == ["", "The unit changed from N to lbf.", "", "The unit changed from lbf to N."]


@given(st.floats(-1e6, 1e6, allow_nan=False), st.integers(0, 4), st.sampled_from(["point", "comma"]))
def test_every_number_is_read_back_as_it_was_written(value: float, decimals: int, style: Any) -> None:
    """Python's own formatting and `float` are the outside check."""
    figure = f"{value:.{decimals}f}"
    sent = figure.replace(".", ",") if style == "comma" else figure
    found = one(f"{sent} N", decimal_style=style)
    assert isinstance(found, LineReading)
    assert found.value == float(figure)
    assert understand(found.text, "N").value == float(figure)


@given(st.binary(max_size=300))
def test_no_bytes_raise(data: bytes) -> None:
    made = reader(units=(("LB", "lbf"),), ignore="READY.*")
    for found in [*made.feed(data), *made.feed(b"\r\n"), *made.cut()]:
        assert isinstance(found, LineReading | LineTrouble)


# Profiles.


def test_the_sample_profile_is_read() -> None:
    found = from_toml(SAMPLE.read_text(encoding="utf-8"))
    assert (found.name, found.address, found.terminator) == ("bench force gauge", "COM3", "\r\n")
    assert dict(found.units) == {"KG": "kgf", "LB": "lbf"}
    assert dict(found.signs) == {"T": "+", "C": "-"}
    assert (found.serial.baud, found.serial.parity, found.serial.flow) == (9600, "none", "none")
    made = LineReader(found)
    made.begin(silent_before=True)
    line = b"READY 2\r\nC  12.5 KG\r\n"
    assert [(r.value, r.unit) for r in made.feed(line) if isinstance(r, LineReading)] == [(-12.5, "kgf")]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("form = 2", "form 2"),
        ("name = 'x'", "form None"),
        ("form = 1\nname = 'x'", "pattern"),
        ("form = 1\npattern = '(?P<value>[0-9]+)'\nunit = 'N'", "name"),
        ("form = 1\nname = 'x'\npattern = '('\nunit = 'N'", "regular expression"),
        ("form = 1\nname = 'x'\npattern = '[0-9]+'\nunit = 'N'", "pattern"),
        ("form = 1\nname = 'x'\npattern = '(?P<value>.)(?P<other>.)'\nunit = 'N'", "pattern"),
        ("form = 1\nname = 'x'\npattern = '(?P<value>.)'", "unit"),
        ("form = 1\nname = 'x'\npattern = '(?P<value>.)'\nunit = 'furlong'", "furlong"),
        ("form = 1\nname = 'x'\npattern = '(?P<value>.)'\nunit = 'N'\nbaud = 9600", "baud"),
        ("form = 1\nname = 'x'\npattern = '(?P<value>.)'\nunit = 'N'\nlongest = '5'", "whole number"),
        ("form = 1\nname = 'x'\npattern = '(?P<value>.)'\nunit = 'N'\nlongest = 5", "longest"),
        ("form = 1\nname = 'x'\npattern = '(?P<value>.)'\nunit = 'N'\nterminator = ''", "terminator"),
        (
            "form = 1\nname = 'x'\npattern = '(?P<value>.)'\nunit = 'N'\ndecimal_style = 'dot'",
            "decimal_style",
        ),
        ("form = 1\nname = 'x'\npattern = '(?P<value>.)'\nunit = 'N'\nserial = 5", "table"),
        ("form = 1\nname = 'x'\npattern = '(?P<value>.)'\nunit = 'N'\n[serial]\nparity = 'odd?'", "parity"),
        ("form = 1\nname = 'x'\npattern = '(?P<value>.)'\nunit = 'N'\n[serial]\nbaud = 1", "baud"),
        ("form = 1\nname = 'x'\npattern = '(?P<value>.)'\nunit = 'N'\n[signs]\nC = 'minus'", "signs"),
        ("form = 1\nname = 'x'\npattern = '(?P<value>.)'\nunit = 'N'\n[units]\nC = 1", "units"),
        ("form = 1\nname =", "TOML"),
        ("#" * 30_000, "characters"),
    ],
)
def test_profiles_that_are_refused(text: str, words: str) -> None:
    with pytest.raises(UsageError) as caught:
        from_toml(text)
    assert words in str(caught.value)
