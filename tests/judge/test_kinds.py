"""The table of kinds against the levels that were decided, row by row."""

from __future__ import annotations

from dataclasses import replace

import pytest

from qualrec.errors import UsageError
from qualrec.judge import kinds

# The decided table of flags and levels: (kind, scopes allowed, level of a special characteristic, of a standard one,
# level on the good side of a one-sided limit). H holds the lot, R needs a review note, I informs.
DECIDED = [
    # value outside a specification limit; interfacial failure or share above the limit; transmission below the minimum;
    # energy at the joint outside the qualified window: r, l, H
    (kinds.OUTSIDE_SPECIFICATION, "rl", "H", "H", "H"),
    (kinds.INTERFACIAL, "rl", "H", "H", "H"),
    (kinds.INTERFACIAL_SHARE, "rl", "H", "H", "H"),
    (kinds.TRANSMISSION_LOW, "rl", "H", "H", "H"),
    (kinds.OUTSIDE_WINDOW, "rl", "H", "H", "H"),
    # mandatory sample missing, recipe revision not approved when welded, material not the qualified one or expired,
    # failing result after shipment: l, H
    (kinds.SAMPLE_MISSING, "l", "H", "H", "H"),
    (kinds.RECIPE_NOT_APPROVED, "l", "H", "H", "H"),
    (kinds.MATERIAL_NOT_QUALIFIED, "l", "H", "H", "H"),
    (kinds.MATERIAL_EXPIRED, "l", "H", "H", "H"),
    (kinds.FAIL_AFTER_SHIPMENT, "l", "H", "H", "H"),
    # gauge overdue or found bad; first-off missing; clamp or lens cleaning overdue: l, R
    (kinds.GAUGE_OVERDUE, "l", "R", "R", "R"),
    (kinds.GAUGE_BAD, "l", "R", "R", "R"),
    (kinds.FIRST_OFF_MISSING, "l", "R", "R", "R"),
    (kinds.CLEANING_OVERDUE, "l", "R", "R", "R"),
    # welded under a temporary change: inform, its extra checks are owed; past its end: review before release
    (kinds.TEMPORARY_CHANGE, "l", "I", "I", "I"),
    (kinds.CHANGE_EXPIRED, "l", "R", "R", "R"),
    # lot mean or within-lot spread beyond frozen control limits; EWMA or run rule on lot means; change point:
    # l, R (I where the good side of a one-sided limit)
    (kinds.LOT_MEAN, "l", "R", "R", "I"),
    (kinds.LOT_SPREAD, "l", "R", "R", "I"),
    (kinds.LOT_COUNT, "l", "R", "R", "I"),
    (kinds.EWMA, "l", "R", "R", "I"),
    (kinds.RUN_RULE, "l", "R", "R", "I"),
    (kinds.CHANGE_POINT, "l", "R", "R", "I"),
    # capability lower bound under the requirement; shape changed; autocorrelation; too few lots:
    # p, R for special characteristics, else I
    (kinds.CAPABILITY_LOW, "p", "R", "I", "I"),
    (kinds.SHAPE_CHANGED, "p", "R", "I", "I"),
    (kinds.AUTOCORRELATION, "p", "R", "I", "I"),
    (kinds.TOO_FEW_LOTS, "p", "R", "I", "I"),
    # failure-mode judge without an agreement study: p, I
    (kinds.NO_AGREEMENT, "p", "I", "I", "I"),
    # a failure mode that the characteristic does not accept is a failing result as one outside specification
    (kinds.MODE_NOT_ACCEPTED, "rl", "H", "H", "H"),
]


@pytest.mark.parametrize(("kind", "scopes", "special", "standard", "good"), DECIDED)
def test_each_kind_has_the_decided_scope_and_level(
    kind: str, scopes: str, special: str, standard: str, good: str
) -> None:
    assert kinds.find_kind(kind).scope[0] in scopes
    assert kinds.level_of(kind, special=True) == special
    assert kinds.level_of(kind) == standard
    assert kinds.level_of(kind, good_side=True) == good


def test_the_table_holds_the_decided_kinds_and_no_others() -> None:
    assert set(kinds.KINDS) == {row[0] for row in DECIDED}


@pytest.mark.parametrize("kind", list(kinds.KINDS.values()), ids=list(kinds.KINDS))
def test_each_kind_says_its_rule_source_and_remedy_and_fits_the_column(kind: kinds.Kind) -> None:
    assert kind.rule.endswith(".")
    assert kind.source
    assert kind.remedy.endswith(".")
    assert len(kind.id) <= 60  # column flag.kind


def test_an_unknown_kind_is_refused_with_the_list() -> None:
    with pytest.raises(UsageError, match="No kind of flag 'leaky'") as refused:
        kinds.find_kind("leaky")
    assert "gauge overdue" in refused.value.remedy


def test_the_good_side_is_the_far_side_of_a_one_sided_limit(made) -> None:
    pull, collapse = made.pull, made.collapse
    assert kinds.on_good_side(pull, 1)
    assert not kinds.on_good_side(pull, -1)
    assert not kinds.on_good_side(pull, 0)
    assert not kinds.on_good_side(collapse, 1)  # two limits: no good side
    upper_only = replace(collapse, lsl=None)
    assert kinds.on_good_side(upper_only, -1)
    assert kinds.on_good_side(replace(pull, good_side=0), 1)
    assert not kinds.on_good_side(replace(pull, lsl=None), 1)  # no limit at all


def test_a_finding_takes_the_reaction_plan_else_the_remedy_of_its_kind(made) -> None:
    with_plan = kinds.make_finding(kinds.LOT_MEAN, "w", "s", {}, made.pull, side=-1)
    assert with_plan.reaction_plan == made.pull.reaction_plan
    assert with_plan.level == "R"
    without = kinds.make_finding(kinds.LOT_MEAN, "w", "s", {}, made.transmission, side=1)
    assert without.reaction_plan == (kinds.find_kind(kinds.LOT_MEAN).remedy,)
    assert without.level == "I"
    special = replace(made.pull, special_class="critical")
    assert kinds.make_finding(kinds.TOO_FEW_LOTS, "w", "s", {}, special).level == "R"
