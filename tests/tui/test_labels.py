"""Words, signs and figures of the screens."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.tui import labels


@pytest.mark.parametrize(
    "value, decimals, style, text",
    [
        (1234.5, None, "point", "1234.5"),
        (1234.5, None, "comma", "1234,5"),
        (1234.5, 2, "comma", "1234,50"),
        (0.0, None, "point", "0"),
        (-0.0001, 2, "point", "0.00"),
        (12345678.0, None, "point", "12345678"),
        (0.00012345, None, "point", "0.00012345"),
        (1.5e-7, None, "comma", "1,5000e-07"),
        (1.5e17, None, "point", "1.5000e+17"),
        (None, None, "point", "none"),
        (float("nan"), 2, "point", "none"),
        (float("inf"), None, "point", "none"),
        (100.0, None, "point", "100"),
        (2.0, 0, "point", "2"),
    ],
)
def test_figures(value, decimals, style, text):
    assert labels.number(value, decimals, style) == text


@given(st.floats(1e-3, 1e12), st.sampled_from(["point", "comma"]))
def test_a_figure_reads_back_to_five_digits(value, style):
    text = labels.number(value, None, style)
    assert float(text.replace(",", ".")) == pytest.approx(value, rel=1e-4)
    assert "e" not in text


def test_figures_have_no_mark_between_thousands():
    assert labels.number(1234567.0) == "1234567"


def test_units_and_shares():
    assert labels.with_unit(12.5, "N", 1, "comma") == "12,5 N"
    assert labels.with_unit(None, "N") == "none"
    assert labels.share(0.125) == "12.5 %"
    assert labels.share(None) == "none"
    assert labels.count(1, "lot", "lots") == "1 lot"
    assert labels.count(0, "lot", "lots") == "0 lots"


def test_every_label_has_a_sign_a_word_and_an_ascii_form():
    for table in (labels.VERDICTS, labels.LEVELS, labels.ANSWERS):
        assert len({label.word for label in table.values()}) == len(table)
        for label in table.values():
            assert len(label.sign) == 1
            assert label.text(ascii_only=True).isascii()
            assert label.text().endswith(label.word)
            assert labels.plain(label.sign) == label.plain


def test_verdicts_are_worded_as_agreed():
    assert [labels.VERDICTS[code].text() for code in ("ok", "high", "low", "hold")] == [
        "✓ OK", "▲ HIGH", "▼ LOW", "! HOLD",
    ]  # fmt: skip


@given(st.text())
def test_plain_text_is_ascii(text):
    assert labels.plain(text).isascii()


def test_cut():
    assert labels.cut("interfacial", 20) == "interfacial"
    assert labels.cut("interfacial", 5) == "inte…"
    assert labels.cut("interfacial", 5, True) == "inte~"
    assert labels.cut("interfacial", 0) == ""


@pytest.mark.parametrize(
    "key, shown",
    [("f2", "F2"), ("ctrl+p", "Ctrl+P"), ("question_mark", "?"), ("n", "n"), ("ctrl+pagedown", "Ctrl+PgDn")],
)
def test_keys_as_they_are_written(key, shown):
    assert labels.key_name(key) == shown
