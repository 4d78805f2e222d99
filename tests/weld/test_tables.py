"""Packaged tables: every row has its source and how it was obtained; cautions, rules and event kinds load."""

from __future__ import annotations

import re

import pytest

from qualrec.errors import UsageError
from qualrec.weld.cautions import PLACES, all_cautions, cautions_for, find_caution
from qualrec.weld.tables import HOW_OBTAINED, TABLES, load_table
from qualrec.weld.trade_rules import event_kinds, find_rule, rules_of_thumb


@pytest.mark.parametrize("name", TABLES)
def test_every_row_has_a_source(name: str) -> None:
    rows = load_table(name)
    assert rows
    for row in rows:
        assert None not in row.values()
        assert row["source"].strip()
        assert set(row["how_obtained"].split(" + ")) <= set(HOW_OBTAINED)


@pytest.mark.parametrize("name", TABLES)
def test_first_column_identifies_the_row(name: str) -> None:
    keys = {"compatibility": ("upper", "lower"), "transmission": ("grade", "thickness_mm")}
    rows = load_table(name)
    columns = keys.get(name, tuple(rows[0])[:1])
    identities = [tuple(row[column] for column in columns) for row in rows]
    assert len(set(identities)) == len(identities)


def test_another_table_is_refused() -> None:
    with pytest.raises(KeyError):
        load_table("../polymers")


def test_rows_cannot_be_changed() -> None:
    with pytest.raises(TypeError):
        load_table("polymers")[0]["polymer"] = "x"  # type: ignore[index]


def test_cautions_belong_somewhere_and_defer() -> None:
    for caution in all_cautions().values():
        assert caution.where
        assert set(caution.where) <= set(PLACES)
        assert caution.kind in {"safety", "record", "estimate"}
        assert caution.defers_to
    assert all(cautions_for(place) for place in PLACES)


def test_the_program_does_not_control_a_laser() -> None:
    text = find_caution("no_laser_control")
    assert "neither controls nor interlocks" in text.text
    assert "laser safety officer" in text.defers_to
    assert text in cautions_for("Recipes", "safety")


@pytest.mark.parametrize("call", [find_caution, find_rule, cautions_for])
def test_unknown_names_list_the_known_ones(call: object) -> None:
    with pytest.raises(UsageError) as caught:
        call("nothing of the kind")  # type: ignore[operator]
    assert "," in caught.value.remedy


def test_rules_of_thumb() -> None:
    for rule in rules_of_thumb().values():
        assert rule.low is not None or rule.high is not None
        assert rule.low is None or rule.high is None or rule.low <= rule.high
        assert rule.text.endswith(".")
    assert find_rule("clamp_set_path").holds(2.0)
    assert not find_rule("clamp_set_path").holds(5.0)
    assert find_rule("rest_before_test").holds(8.0)
    assert not find_rule("rest_before_test").holds(7.9)


def test_event_kinds() -> None:
    kinds = event_kinds()
    assert len({kind.marker for kind in kinds.values()}) == len(kinds)
    assert all(re.fullmatch("[A-Za-z]", kind.marker) for kind in kinds.values())
    assert {kind.belongs_to for kind in kinds.values()} == {"station", "lot", "tool", "gauge"}
    assert {"glass_cleaned", "glass_changed", "power_check", "stop", "restart"} <= set(kinds)
