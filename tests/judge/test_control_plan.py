"""What the words of a control plan's row ask for, and what then holds of the characteristic."""

from __future__ import annotations

import pytest

from qualrec.errors import UsageError
from qualrec.judge.control_plan import (
    PlanRule,
    Sampling,
    frequency_words,
    sampling_of,
    steps_of,
    with_plan,
)
from qualrec.values import Characteristic

OWN = Characteristic(
    7, 70, 1, 0, 1, "PULL", "Pull force", "lot", "measured", "pull force", "N",
    samples=5, sample_positions=("start", "end"), mandatory=True, control_method="own", reaction_plan=("own step",),
)  # fmt: skip


@pytest.mark.parametrize(
    ("size", "frequency", "wanted"),
    [
        ("5", "each lot", Sampling(5)),
        (" 5 ", "Each  lot: first-off, middle ,end", Sampling(5, ("first-off", "middle", "end"))),
        ("20", "each moulding lot", Sampling(20)),
        ("100 %", "each lot", None),
        ("100%", "each lot", None),
        ("5", "each shift", None),
        ("", "", None),
        ("some", "when somebody asks", None),
    ],
)
def test_words_of_a_row(size: str, frequency: str, wanted: Sampling | None) -> None:
    assert sampling_of(size, frequency) == wanted


@pytest.mark.parametrize(
    ("size", "frequency", "words"),
    [
        ("some", "each lot", "no number of parts"),
        ("0", "each lot", "no number of parts"),
        ("5,5", "each lot", "no number of parts"),
        ("٥", "each lot", "no number of parts"),
        ("5", "each lot:", "no position"),
        ("5", "each lot: end, end", "twice"),
        ("1", "each lot: start, end", "cannot be taken"),
    ],
)
def test_words_that_would_leave_the_number_owed_uncertain(size: str, frequency: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        sampling_of(size, frequency)


def test_frequency_words_are_read_back() -> None:
    for hangs_on in ("lot", "moulding lot"):
        for positions in ((), ("start", "end")):
            words = frequency_words(hangs_on, positions)
            assert sampling_of("3", words) == Sampling(3, positions)


def test_without_a_plan_the_revision_holds_and_a_plan_is_the_only_source() -> None:
    assert with_plan(OWN, None) is OWN
    left_out = with_plan(OWN, {})
    assert (left_out.samples, left_out.sample_positions) == (0, ())
    assert left_out.reaction_plan == ("own step",)
    asked = with_plan(OWN, {7: PlanRule(Sampling(8, ("end",)), "chart", ("stop", "tell"))})
    assert (asked.samples, asked.sample_positions) == (8, ("end",))
    assert (asked.control_method, asked.reaction_plan) == ("chart", ("stop", "tell"))
    people_only = with_plan(OWN, {7: PlanRule(None)})
    assert (people_only.samples, people_only.control_method) == (0, "own")
    assert people_only.mandatory


def test_steps_are_lines() -> None:
    assert steps_of(" a\n\n b \r\nc") == ("a", "b", "c")
