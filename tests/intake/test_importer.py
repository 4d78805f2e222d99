"""Single answers of the importer: values in the right unit, what can be, how a reading stands to a stored one."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.intake.importer import Measure, Target, compare, hard_range, same_value
from qualrec.records.lookups import StoredReadings
from qualrec.values import Characteristic, NewReading, PullResult


def characteristic(**changes: object) -> Characteristic:
    fields: dict[str, object] = {
        "id": 7,
        "revision_id": 1,
        "revision": 1,
        "valid_from_us": 0,
        "part_id": 1,
        "code": "PULL",
        "name": "Pull force",
        "hangs_on": "lot",
        "kind": "measured",
        "quantity": "pull force",
        "unit": "N",
    }
    return Characteristic(**{**fields, **changes})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "low, high, said",
    [
        (None, None, ""),
        (0.0, 5.0, "7 N is outside what can be (0 to 5 N)."),
        (8.0, None, "7 N is outside what can be (8 and more N)."),
        (None, 5.0, "7 N is outside what can be (up to 5 N)."),
        (7.0, 7.5, ""),
    ],
)
def test_what_can_be(low: float | None, high: float | None, said: str) -> None:
    c = characteristic(plausible_low=low, plausible_high=high)
    assert Measure(c, "N").doubt(7.0) == said
    assert hard_range(c) == (-math.inf if low is None else low, math.inf if high is None else high)


@given(
    st.lists(st.floats(-10, 10) | st.integers(-3, 12).map(float), max_size=20),
    st.none() | st.floats(-5, 0),
    st.none() | st.floats(1, 9),
    st.sampled_from(["measured", "counted"]),
)
def test_arrays_and_single_values_are_doubted_alike(
    values: list[float], low: float | None, high: float | None, kind: str
) -> None:
    measure = Measure(characteristic(plausible_low=low, plausible_high=high, kind=kind), "N")
    assert measure.possible(np.array(values)).tolist() == [not measure.doubt(v) for v in values]


def test_values_are_converted_exactly() -> None:
    """1 lbf = 0.45359237 kg x 9.80665 m/s2, exact by definition (pound agreement of 1959, CGPM 1901)."""
    pound = Fraction("0.45359237") * Fraction("9.80665")
    assert Measure(characteristic(), "lbf").value(137.5) == float(Fraction(137.5) * pound)
    assert Measure(characteristic(unit="parts", kind="counted"), "count").value(3.0) == 3.0


@pytest.mark.parametrize(
    "at, serial, place",
    [(5, "", 0), (10, "", 0), (19, "", 0), (20, "", 1), (99, "", 1), (99, "A", 0), (5, "B", 0)],
)
def test_the_segment_of_a_reading(at: int, serial: str, place: int) -> None:
    assert Target("L", (), (1, 2), (10, 20), {"A": 0}).place(at, serial) == place


STORED = StoredReadings(
    {(7, 0, 1): (612.5, "cohesive"), (7, 0, 2): (None, "test fault"), (7, 3, 4): (0.1 + 0.2, "cohesive")},
    {"S1": 1, "S9": 9},
)


@pytest.mark.parametrize(
    "sample, stream, serial, value, mode, said",
    [
        (1, 0, "", 612.5, "cohesive", ""),
        (None, 0, "S1", 612.5, "cohesive", ""),
        (1, 0, "S1", 612.5, "cohesive", ""),
        (4, 3, "", 0.3, "cohesive", ""),
        (2, 0, "", None, "test fault", ""),
        (3, 0, "", 612.5, "cohesive", None),
        (1, 3, "", 612.5, "cohesive", None),
        (9, 0, "S9", 612.5, "cohesive", None),
        (None, 0, "S2", 612.5, "cohesive", None),
        (
            1,
            0,
            "",
            612.6,
            "cohesive",
            "Sample 1 is stored with 612.5 N (cohesive), the file has 612.6 N (cohesive).",
        ),
        (
            1,
            0,
            "",
            612.5,
            "mixed",
            "Sample 1 is stored with 612.5 N (cohesive), the file has 612.5 N (mixed).",
        ),
        (1, 0, "", None, "test fault", "the file has no value (test fault)"),
        (2, 0, "", 5.0, "cohesive", "stored with no value (test fault)"),
        (1, 0, "S2", 612.5, "cohesive", "Sample 1 is stored with serial S1, not S2."),
        (3, 0, "S1", 612.5, "cohesive", "Serial S1 is stored as sample 1, not 3."),
    ],
)
def test_how_a_reading_stands_to_what_is_stored(
    sample: int | None, stream: int, serial: str, value: float | None, mode: str, said: str | None
) -> None:
    reading = NewReading(1, 7, value, 0, stream, sample, serial=serial, pull=PullResult(mode))
    found = compare(STORED, reading, "N")
    if said:
        assert found is not None
        assert said in found
    else:
        assert found == said
    assert compare(None, reading, "N") is None


def test_the_last_bits_of_a_conversion_are_no_other_value() -> None:
    assert same_value(0.1 + 0.2, 0.3)
    assert not same_value(0.3, 0.3000001)
    assert not same_value(None, 0.0)
    assert same_value(None, None)
    assert same_value(0.0, -0.0)
