"""Numbers: one reading or a worded refusal.

Checked against decimal.Decimal (exact decimal arithmetic, standard library), the decimal signs and digit
groups of ISO 80000-1:2022 7.3 (comma or point; groups of three by a thin space), and exact conversion
factors of the SI Brochure, 9th edition (from memory).
"""

from __future__ import annotations

import re
from decimal import Decimal

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from qualrec.errors import AmbiguousNumber, QualrecError, UsageError
from qualrec.intake.numbers import parse_number, understand

PLAIN = [
    ("5,3", 5.3, 1),
    ("5.3", 5.3, 1),
    ("5,30", 5.3, 2),
    ("1.234,5", 1234.5, 1),
    ("1,234.5", 1234.5, 1),
    ("1 234,5", 1234.5, 1),
    ("1\u00a0234,5", 1234.5, 1),
    ("1\u2009234,5", 1234.5, 1),
    ("1\u202f234.5", 1234.5, 1),
    ("1'234.5", 1234.5, 1),
    ("1\u2019234,5", 1234.5, 1),
    ("1.234.567", 1234567.0, 0),
    ("1 234.567", 1234.567, 3),
    ("\u22125,3", -5.3, 1),
    ("+5.3", 5.3, 1),
    (" 5.3\t", 5.3, 1),
    (",5", 0.5, 1),
    ("0.234", 0.234, 3),
    ("01.234", 1.234, 3),
    ("1234.567", 1234.567, 3),
    ("1.5e3", 1500.0, 0),
    ("1,5E-3", 0.0015, 4),
    ("12.3e0", 12.3, 1),
    ("0", 0.0, 0),
    ("-0,0", 0.0, 1),
]

REFUSED = [
    *("nan", "NaN", "inf", "-inf", "Infinity", "0x1F", "0b1", "1_000", "", "   ", "\u00a0", "abc", "5,3 5,3"),
    *("--5", "- 5", "5-", "5.", "5,", ".", ",", "-", "e5", "1e", "1e5.0", "1.234,5e2", "1 234e2", "1e1000"),
    *("1e-400", "1,23,456", "12 34", "1.2345.678", "1.234 567", "1 234'567", "5\x003", "5\n3", "5\u200b3"),
    *(
        "\u202e53",
        "\u0661\u0662",
        "\uff15",
        "5\u00b2",
        "\u00bd",
        "1234567890123456",
        "9" * 60,
        "5..3",
        "5,,3",
    ),
    *("=5", "5,3,", "1.234.5", "0 234", "\u2013" + "5"),
]


@pytest.mark.parametrize(("text", "value", "decimals"), PLAIN)
def test_understood(text, value, decimals):
    parsed = parse_number(text)
    assert (parsed.value, parsed.decimals, parsed.text, parsed.note) == (value, decimals, text, "")


@pytest.mark.parametrize("text", REFUSED)
@pytest.mark.parametrize("style", [None, "point", "comma"])
def test_refused_with_words(text, style):
    with pytest.raises(UsageError) as caught:
        parse_number(text, style)
    assert caught.value.remedy
    assert all(c.isprintable() for c in caught.value.message)


def test_ten_megabytes_are_refused_at_once_and_not_echoed():
    with pytest.raises(UsageError) as caught:
        parse_number("1" * 10_000_000)
    assert len(str(caught.value)) < 300


@pytest.mark.parametrize("text", ["1.234", "1,234", "-12.345", "999,999"])
def test_two_readings_are_both_carried(text):
    with pytest.raises(AmbiguousNumber) as caught:
        parse_number(text)
    values = {value for _, value in caught.value.readings}
    digits = text.replace(".", "").replace(",", "")
    assert values == {float(digits), float(text.replace(",", "."))}
    for shown, value in caught.value.readings:
        assert parse_number(shown).value == value


def test_plausible_range_decides_and_says_so():
    small = parse_number("1.234", plausible=(0.0, 10.0))
    assert small.value == 1.234
    assert "0 to 10" in small.note
    assert parse_number("1.234", plausible=(1000, 2000)).value == 1234.0
    for both_or_none in [(0, 5000), (-5, -1)]:
        with pytest.raises(AmbiguousNumber):
            parse_number("1.234", plausible=both_or_none)


def test_style_takes_ambiguity_away_but_not_against_plausibility():
    assert parse_number("1.234", "comma").value == 1234.0
    assert parse_number("1.234", "point").value == 1.234
    assert parse_number("1.234", "comma", (1e5, 1e6)).value == 1234.0
    with pytest.raises(AmbiguousNumber):
        parse_number("1.234", "comma", (0, 10))


def test_strict_refuses_the_other_style():
    assert parse_number("5.3", "comma").value == 5.3
    with pytest.raises(UsageError, match="decimal comma"):
        parse_number("5.3", "comma", strict=True)
    with pytest.raises(UsageError, match="decimal point"):
        parse_number("1.234,5", "point", strict=True)


def test_wrong_arguments_are_worded():
    with pytest.raises(UsageError, match="style"):
        parse_number("5", "german")
    with pytest.raises(UsageError, match="range"):
        parse_number("1.234", plausible=(10, 0))
    with pytest.raises(UsageError, match="range"):
        parse_number("1.234", plausible=(float("nan"), 0))


decimals = st.decimals(
    min_value=Decimal("-999999999999"), max_value=Decimal("999999999999"), places=None, allow_nan=False
).map(lambda d: d.quantize(Decimal(1).scaleb(max(-9, min(0, d.as_tuple().exponent)))))


def written(number: Decimal, decimal: str, group: str) -> str:
    text = f"{number:,f}" if group else f"{number:f}"
    return text.replace(",", "\0").replace(".", decimal).replace("\0", group)


@given(decimals, st.sampled_from(["", ".", " ", "\u00a0", "\u2009", "\u202f", "'"]))
def test_round_trip_comma(number, group):
    parsed = parse_number(written(number, ",", group), "comma", strict=True)
    assert parsed.value == float(number)
    assert parsed.decimals == max(0, -number.as_tuple().exponent)
    assert Decimal(parsed.shown) == number


@given(decimals, st.sampled_from(["", ",", " ", "\u00a0", "\u2009", "\u202f", "'"]))
def test_round_trip_point(number, group):
    parsed = parse_number(written(number, ".", group), "point", strict=True)
    assert parsed.value == float(number)
    assert parse_number(parsed.shown, "point", strict=True).value == parsed.value


@given(st.floats(min_value=-1e14, max_value=1e14).filter(lambda x: x == 0 or abs(x) > 1e-300))
def test_every_double_round_trips_through_its_shortest_text(value):
    assert parse_number(repr(value), "point").value == value


def all_meanings(text: str) -> set[Decimal]:
    """Independent of the parser: every way to take one sign as decimal and at most one other as group sign."""
    body = text.strip().replace("\u2212", "-")
    found = set()
    for decimal in ".,":
        for group in [None, *" .,'\u2019\u00a0\u2007\u2009\u202f"]:
            if group == decimal:
                continue
            sign, rest = (body[0], body[1:]) if body[:1] in ("+", "-") else ("", body)
            whole, mark, part = rest.partition(decimal)
            if mark and not re.fullmatch(r"[0-9]+([eE][+-]?[0-9]{1,3})?", part):
                continue
            if group is not None and group in whole:
                pieces = whole.split(group)
                good = re.fullmatch("[1-9][0-9]{0,2}", pieces[0]) and all(
                    re.fullmatch("[0-9]{3}", p) for p in pieces[1:]
                )
                if not good or "e" in part.lower():
                    continue
                whole = "".join(pieces)
            if re.fullmatch(r"[0-9]+([eE][+-]?[0-9]{1,3})?", whole) and not (mark and "e" in whole.lower()):
                found.add(Decimal(f"{sign}{whole}.{part}" if mark else f"{sign}{whole}"))
            elif not whole and mark:
                found.add(Decimal(f"{sign}0.{part}"))
    return found


number_like = st.text(alphabet="0123456789.,' e-+\u00a0\u2212", min_size=1, max_size=12)


def outcome(reader, *arguments):
    try:
        return reader(*arguments)
    except QualrecError as error:
        return error


@given(number_like)
@settings(max_examples=500)
@example("1.234")
@example("1.234e3")
@example("1,234.567")
def test_no_accepted_text_has_a_second_meaning(text):
    meanings = all_meanings(text)
    found = outcome(parse_number, text)
    if isinstance(found, AmbiguousNumber):
        assert {Decimal(repr(v)) for _, v in found.readings} == meanings
    elif isinstance(found, UsageError):
        assert not any(m == 0 or Decimal("1e-300") < abs(m) < 10**15 for m in meanings)
    else:
        assert {float(m) for m in meanings} == {found.value}


@given(st.text(max_size=70), st.sampled_from([None, "point", "comma"]))
def test_any_text_ends_in_a_number_or_words(text, style):
    for found in (outcome(parse_number, text, style), outcome(understand, text, "N", style)):
        assert getattr(found, "remedy", True)


@pytest.mark.parametrize(
    ("text", "unit", "value", "echo"),
    [
        ("1.234,5 N", "N", 1234.5, '"1.234,5 N" -> 1234.5 N'),
        ("5,30", "N", 5.3, '"5,30" -> 5.30 N'),
        ("0,45 kN", "N", 450.0, '"0,45 kN" -> 450 N'),
        ("1 kgf", "N", 9.80665, '"1 kgf" -> 9.80665 N'),
        ("100 lbf", "N", 444.82216152605, '"100 lbf" -> 444.822161526 N'),
        ("281 um", "mm", 0.281, '"281 um" -> 0.281 mm'),
        ("0.01 in", "mm", 0.254, '"0.01 in" -> 0.254 mm'),
        ("3,5bar", "MPa", 0.35, '"3,5bar" -> 0.35 MPa'),
        ("41,7 %", "%", 41.7, '"41,7 %" -> 41.7 %'),
    ],
)
def test_understood_in_the_unit_of_the_characteristic(text, unit, value, echo):
    found = understand(text, unit)
    assert found.value == value
    assert (found.text, found.unit, found.echo) == (text, unit, echo)


def test_resolution_is_that_of_the_typed_unit():
    found = understand("0,45 kN", "N")
    assert (found.decimals, found.resolution) == (2, 10.0)


def test_plausible_range_is_in_the_unit_of_the_characteristic():
    assert understand("1.234 kN", "N", plausible=(0, 5000)).value == 1234.0
    with pytest.raises(AmbiguousNumber) as caught:
        understand("1.234 kN", "N", plausible=(0, 5e6))
    for shown, value in caught.value.readings:
        assert understand(shown, "N").value == value


@pytest.mark.parametrize("text", ["5,3 mm", "5,3 furlong", "5,3 kg", "5,3 NN", "N", "5,3 N 2"])
def test_wrong_unit_is_worded(text):
    with pytest.raises(UsageError) as caught:
        understand(text, "N")
    assert caught.value.remedy
