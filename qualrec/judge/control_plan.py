"""What a row of a control plan asks for: samples of a lot, and what then holds of the characteristic.

A row says in words how many and how often, as control plans do (columns: AIAG control plan manual, from memory; IATF 16949
Annex A). Two forms are understood by the program and drive the samples that a lot owes:

    sample size  a whole number
    frequency    'each lot' or 'each moulding lot', with positions behind a colon: 'each lot: first-off, middle, end'

Any other wording ('100 %', 'each shift') stands in the plan and is read by people only.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from qualrec.errors import UsageError
from qualrec.values import Characteristic

PHASES = ("prototype", "pre-launch", "safe launch", "production")
EACH = ("each lot", "each moulding lot")
MOST_SAMPLES = 1_000_000
HEADER = (
    "part_level",
    "organisation",
    "supplier_code",
    "team",
    "contact",
    "first_date",
    "customer_approvals",
    "other_approvals",
    "change",
)
"""Fields of the head of a plan beside number, phase, part and revision."""


@dataclass(frozen=True, slots=True)
class Sampling:
    """Samples of one lot and where in it they are taken; no positions: anywhere."""

    samples: int
    positions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PlanRule:
    """What the rows of a plan say of one characteristic. `sampling` None: the plan asks no samples of each lot."""

    sampling: Sampling | None
    control_method: str = ""
    reaction_plan: tuple[str, ...] = ()


def sampling_of(sample_size: str, frequency: str) -> Sampling | None:
    """The samples of a lot that a row asks for; None where its words are for people only.

    Raises UsageError where the frequency is one of ours and the size is no whole number or too small for the positions.
    """
    every, colon, named = frequency.partition(":")
    if " ".join(every.split()).casefold() not in EACH:
        return None
    size = sample_size.strip()
    if size.replace(" ", "") == "100%":
        return None
    if not (size.isascii() and size.isdigit()) or not 1 <= int(size) <= MOST_SAMPLES:
        raise UsageError(
            f"Sample size {sample_size!r} with frequency {frequency!r} is no number of parts.",
            "Give a whole number such as 5, or 100 %.",
        )
    positions = tuple(p for p in (text.strip() for text in named.split(",")) if p)
    if colon and not positions:
        raise UsageError(f"Frequency {frequency!r} names no position.", "Write 'each lot: start, end'.")
    if len(set(positions)) != len(positions):
        raise UsageError(f"Frequency {frequency!r} names a position twice.", "Name each once.")
    if len(positions) > int(size):
        raise UsageError(
            f"{size} samples cannot be taken at {len(positions)} positions.",
            "Ask for at least one sample at each position.",
        )
    return Sampling(int(size), positions)


def frequency_words(hangs_on: str, positions: tuple[str, ...]) -> str:
    """The frequency of a row that asks samples of each lot."""
    every = EACH[1] if hangs_on == "moulding lot" else EACH[0]
    return f"{every}: {', '.join(positions)}" if positions else every


def steps_of(text: str) -> tuple[str, ...]:
    """A reaction plan as steps: one a line."""
    return tuple(step for step in (line.strip() for line in text.splitlines()) if step)


def with_plan(c: Characteristic, rules: Mapping[int, PlanRule] | None) -> Characteristic:
    """The characteristic as the plan in force has it; `rules` None: no plan is in force, the revision's own sampling holds.

    A characteristic that the plan does not name owes no samples. Method and reaction plan of a row stand in for the
    revision's own where they are filled in. Whether a missing sample holds the lot stays with the revision.
    """
    if rules is None:
        return c
    rule = rules.get(c.id)
    if rule is None:
        return replace(c, samples=0, sample_positions=())
    asked = rule.sampling or Sampling(0)
    return replace(
        c,
        samples=asked.samples,
        sample_positions=asked.positions,
        control_method=rule.control_method or c.control_method,
        reaction_plan=rule.reaction_plan or c.reaction_plan,
    )
