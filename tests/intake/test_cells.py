"""Cells straight from bytes against Python's own float, int, str and datetime."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from qualrec.intake.cells import columns_of, moments, numbers, whole_numbers

NUMBER = st.from_regex(r"-?[0-9]{1,15}(\.[0-9]{1,20})?", fullmatch=True)
END = st.sampled_from(["\n", "\r\n"])


def one_column(texts: list[str], end: str = "\n"):
    return columns_of("".join(t + end for t in texts).encode(), ",", 1)[0]


@given(st.lists(NUMBER, min_size=1, max_size=30), END)
def test_numbers_are_those_of_python(texts: list[str], end: str) -> None:
    found = numbers(one_column(texts, end), ".")
    assert [float(t) for t in texts] == found.tolist()
    assert np.signbit(found).tolist() == [t.startswith("-") for t in texts]
    with_comma = [t.replace(".", ",") for t in texts]
    column = columns_of("".join(t + "\n" for t in with_comma).encode(), ";", 1)[0]
    assert numbers(column, ",").tolist() == found.tolist()


@given(st.lists(st.integers(1, 10**9 - 1), min_size=1), END)
def test_whole_numbers(values: list[int], end: str) -> None:
    assert whole_numbers(one_column([str(v) for v in values], end)).tolist() == values


@given(st.lists(st.tuples(st.sampled_from(["A1", "A2", "B", "A10"]), st.text("XYZ", min_size=1)), min_size=1))
def test_texts_with_and_without_equal_neighbours(rows: list[tuple[str, str]]) -> None:
    first, second = columns_of("".join(f"{a},{b}\n" for a, b in rows).encode(), ",", 2)
    assert list(zip(first.texts(), second.texts(), strict=True)) == rows


@given(
    st.lists(st.datetimes(datetime(1900, 1, 1), datetime(2099, 12, 31, 23, 59, 59)), min_size=1),
    st.integers(0, 6),
    st.sampled_from(["", "Z", "+01:00", "-05:30"]),
    st.sampled_from("T "),
)
def test_moments_are_those_of_datetime(times: list[datetime], digits: int, behind: str, between: str) -> None:
    kept = [t.replace(microsecond=t.microsecond // 10 ** (6 - digits) * 10 ** (6 - digits)) for t in times]
    texts = []
    for t in kept:
        fraction = f".{t.microsecond:06d}"[: digits + 1] if digits else ""
        texts.append(f"{t:%Y-%m-%d}{between}{t:%H:%M:%S}{fraction}{behind}".rjust(19, "0"))
    found = moments(one_column(texts))
    assert found is not None
    zero = datetime(1970, 1, 1, tzinfo=UTC)
    wanted = [(t.replace(tzinfo=UTC) - zero) // timedelta(microseconds=1) for t in kept]
    assert found[0].tolist() == wanted
    assert found[1] == {"": "", "Z": "Z"}.get(behind, "+")


def test_mixed_forms_and_days_outside_the_calendar_are_left_to_the_strict_parser() -> None:
    whole = "2026-03-01T08:00:00"
    for other in (f"{whole}.1+01:00", "2026-02-29T08:00:00.123456Z", "2026-03-01T08:00:00.1234567"):
        assert moments(one_column([f"{whole}.123456Z", other])) is None
    assert moments(one_column([whole, f"{whole}Z"])) is None
    assert moments(one_column(["2028-02-29T08:00:00"])) is not None
    assert moments(one_column(["2100-02-29T08:00:00"])) is None
    both = moments(one_column([f"{whole}+01:00", f"{whole}-01:00"]))
    assert both is not None
    assert both[1] == "+"
