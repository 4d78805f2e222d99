"""Causes from events and from the lots themselves, and where they let the moving average begin anew; invented records."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from qualrec.judge.causes import Cause, event_causes, moulding_causes, nearest, segment_causes
from qualrec.judge.restarts import ClosedFlag, Restart, restarts
from qualrec.values import Event

DAY = 86_400_000_000


def segment(made: Any, day: int, station: int = 1, **other: Any) -> Any:
    return replace(made.lot().segments[0], from_us=day * DAY, station_id=station, **other)


def test_what_changes_between_segments_on_a_station_is_a_cause(made) -> None:
    first = segment(made, 1)
    second = replace(first.upper, id=first.upper.id + 100, number="U-next", deliveries=("D-other",))
    same = replace(first.upper, id=first.upper.id + 101, number="U-third", deliveries=("D-other",))
    revised = replace(first.recipe, id=first.recipe.id + 1, revision=first.recipe.revision + 1)
    lots = [
        ("A", (first,)),
        ("B", (segment(made, 2, upper=second),)),
        ("C", (segment(made, 3, upper=same, recipe=revised),)),
        ("D", (segment(made, 4, upper=same, recipe=revised),)),
    ]
    found = segment_causes(lots)
    assert [(c.kind, c.at_us // DAY, c.station_id, c.recorded) for c in found] == [
        ("upper_resin_lot", 2, 1, False),
        ("recipe_change", 3, 1, False),
        ("moulding_lot", 3, 1, False),
    ]
    assert found[0].text == f"upper resin delivery {', '.join(first.upper.deliveries)} to D-other with B"
    assert found[2].text == "upper moulding lot U-next to U-third with C"


def test_stations_that_take_turns_do_not_change_each_others_material(made) -> None:
    own = segment(made, 1)
    other = replace(own.upper, id=999, number="U-other", deliveries=("D-other",))
    lots = [
        (str(day), (segment(made, day, day % 2, upper=own.upper if day % 2 else other),)) for day in range(8)
    ]
    assert segment_causes(lots) == ()


def test_moulding_lots_change_their_delivery(made) -> None:
    own = made.lot().segments[0].upper
    lots = [
        replace(own, number=f"U{i}", deliveries=d, moulded_us=i)
        for i, d in enumerate([("D1",), ("D1",), (), ("D2",), ("D3",)])
    ]
    found = moulding_causes(lots)
    assert [(c.text, c.at_us) for c in found] == [("resin delivery D2 to D3 with U4", 4)]


def test_an_event_is_named_by_its_word_and_remark() -> None:
    events = [
        Event(1, "glass_cleaned", "W1", "", 5, "Ada", "streaks", 3),
        Event(2, "own kind", "W1", "", 6, "Ada", "", 3),
    ]
    assert [(c.text, c.station_id, c.recorded) for c in event_causes(events)] == [
        ("clamp glass cleaned (streaks)", 3, True),
        ("own kind", 3, True),
    ]


def test_the_nearest_of_each_kind_is_named_inside_the_interval() -> None:
    causes = [
        Cause("glass_cleaned", "far", 10),
        Cause("glass_cleaned", "near", 40),
        Cause("recipe_change", "in the step", 52),
        Cause("stop", "outside", 99),
        Cause("optics_cleaned", "after", 63),
    ]
    assert [c.text for c in nearest(causes, 50, 60, 5, 70)] == ["in the step", "after", "near"]
    assert nearest(causes, 50, 60, 53, 55) == ()


FLAG = ClosedFlag(7, 3, 11, 60, "Ada Example", "glass cleaned")
LOTS, AT = [10, 11, 12, 13, 14], [0, 20, 40, 55, 80]


def begun_anew(
    flags: tuple[ClosedFlag, ...] = (FLAG,), stations: dict[int, set[int]] | None = None, **cause: Any
) -> list[tuple[int, int]]:
    given = {"kind": "glass_cleaned", "text": "clamp glass cleaned", "at_us": 45, "station_id": 1, **cause}
    return [(r.index, r.flagged) for r in restarts(LOTS, AT, flags, [Cause(**given)], stations or {11: {1}})]


def test_the_average_begins_anew_at_the_first_lot_after_the_cause_was_removed() -> None:
    assert begun_anew() == [(3, 1)]
    assert begun_anew(at_us=55) == [(3, 1)]  # with the lot itself, as a change of recipe
    assert begun_anew(kind="upper_resin_lot", recorded=False) == [(3, 1)]


@pytest.mark.parametrize(
    "cause",
    [
        {"at_us": 20},  # before the flagged lot went on
        {"at_us": 61},  # after the flag was closed: nobody can have meant it
        {"kind": "stop"},  # takes no cause away
        {"kind": "gauge_change"},
        {"kind": "moulding_lot"},
        {"station_id": 2},  # another station
    ],
)
def test_without_all_of_the_record_it_goes_on(cause: dict[str, Any]) -> None:
    assert begun_anew(**cause) == []


def test_no_flag_no_lot_no_restart() -> None:
    assert begun_anew(flags=()) == []
    assert begun_anew(flags=(replace(FLAG, lot_id=99),)) == []
    assert begun_anew(flags=(replace(FLAG, lot_id=14, closed_us=200),), at_us=90) == []  # no lot since
    assert begun_anew(stations={}) == [(3, 1)]  # station not known
    assert begun_anew(station_id=None) == [(3, 1)]


def test_the_first_of_several_causes_counts_and_flags_on_one_place_are_one_restart() -> None:
    causes = [Cause("optics_cleaned", "second", 57), Cause("glass_cleaned", "first", 45)]
    late = replace(FLAG, id=8, lot_id=12, closed_us=100)
    found = restarts(LOTS, AT, [late, FLAG], causes)
    assert [(r.index, r.flag.id, r.cause.text) for r in found] == [(3, 7, "first")]
    assert isinstance(found[0], Restart)
