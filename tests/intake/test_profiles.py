"""Profiles: their text form, what they refuse, and which of them fits a file."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.errors import QualrecError, UsageError
from qualrec.intake.profile_text import from_toml, to_toml
from qualrec.intake.profiles import (
    BUILT_IN,
    PULL_BENCH,
    TRANSMISSION_BENCH,
    WELD_CELL,
    ConditionColumn,
    ModeColumn,
    TimeColumns,
    ValueColumn,
    choose_profile,
    fitting_profiles,
)


@pytest.mark.parametrize("profile", BUILT_IN, ids=lambda p: p.name)
def test_toml_round_trip(profile):
    text = to_toml(profile)
    assert from_toml(text) == profile
    assert tomllib.loads(text)["form"] == 1


names = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), min_size=1, max_size=20).filter(
    lambda s: s.strip()
)


@given(st.lists(names, min_size=6, max_size=6, unique_by=lambda s: " ".join(s.split()).casefold()), names)
def test_any_column_names_survive_the_text_form(columns, word):
    lot, nest, at, force, failure, ignored = columns
    try:
        profile = replace(
            PULL_BENCH,
            lot=lot,
            stream=(nest,),
            sample="",
            serial="serial 0",
            time=TimeColumns((at,), "iso", "Europe/Vienna", "second"),
            values=(ValueColumn(force, "PULL", "kN", pull=True, optional=True),),
            mode=ModeColumn(failure, ((word, "cohesive"),)),
            ignore=(ignored,),
        )
    except UsageError:
        return
    assert from_toml(to_toml(profile)) == profile


BAD_TEXTS = [
    "",
    "form = 2",
    "form = true",
    "not toml",
    "[" * 5000,
    "x" * 200_000,
    to_toml(WELD_CELL).replace("revision = 1", 'revision = "1"'),
    to_toml(WELD_CELL).replace("revision = 1", "revision = true"),
    to_toml(WELD_CELL).replace("revision = 1", "revision = 0"),
    to_toml(WELD_CELL).replace("revision = 1", "revision = 1\ncolour = 1"),
    to_toml(WELD_CELL).replace('lot = "lot"', ""),
    to_toml(WELD_CELL).replace('lot = "lot"', "lot = 5"),
    to_toml(WELD_CELL).replace('lot = "lot"', 'lot = "serial"'),
    to_toml(WELD_CELL).replace('unit = "mm"', 'unit = "furlong"'),
    to_toml(WELD_CELL).replace('kind = "machine"', 'kind = "robot"'),
    to_toml(WELD_CELL).replace("[time]", "[[time]]"),
    to_toml(WELD_CELL).replace('pattern = "iso"', 'pattern = "day first"'),
    to_toml(WELD_CELL).replace('pattern = "iso"', 'pattern = "iso"\nzone = "Mars/Base"'),
    to_toml(WELD_CELL).replace('["nest"]', '["nest", 3]'),
    to_toml(WELD_CELL).replace('decimal_style = "point"', 'decimal_style = "comma"'),
    to_toml(PULL_BENCH).replace("pull = true", ""),
    to_toml(PULL_BENCH).replace('"test fault"', '"lost"'),
    to_toml(PULL_BENCH).replace('"slipped" = "test fault"', '"slipped" = 1'),
    to_toml(PULL_BENCH).replace('sample = "Specimen"\n', ""),
    to_toml(TRANSMISSION_BENCH).replace('"wavelength_nm"', '"weather"'),
    to_toml(TRANSMISSION_BENCH).replace('unit = "nm"', 'unit = "s"'),
]


@pytest.mark.parametrize("text", BAD_TEXTS, ids=range(len(BAD_TEXTS)))
def test_a_wrong_text_is_refused_with_words(text):
    with pytest.raises(UsageError) as caught:
        from_toml(text)
    assert caught.value.remedy
    assert len(str(caught.value)) < 2000


@given(st.text(max_size=200))
def test_any_text_is_a_profile_or_refused(text):
    try:
        from_toml(text)
    except QualrecError as error:
        refused = error
    assert refused.remedy


def test_contradictions_are_refused():
    with pytest.raises(UsageError, match="twice"):
        replace(PULL_BENCH, ignore=("lot",))
    with pytest.raises(UsageError, match="one characteristic"):
        replace(WELD_CELL, values=(ValueColumn("a", "COL", "mm"), ValueColumn("b", "COL", "mm")))
    with pytest.raises(UsageError, match="delimiter"):
        replace(WELD_CELL, header_row=0, delimiter="auto")
    with pytest.raises(UsageError, match="unit"):
        replace(WELD_CELL, conditions=(ConditionColumn("fixture", "fixture", "mm"),))


def test_each_built_in_profile_fits_its_own_file_only(put, forms):
    files = {
        put(forms.pull, "p.csv", "cp1252"): PULL_BENCH,
        put(forms.transmission, "t.txt", "utf-16"): TRANSMISSION_BENCH,
        put(forms.machine(3), "w.csv"): WELD_CELL,
    }
    for path, profile in files.items():
        assert fitting_profiles(path) == (profile,)
        assert choose_profile(path) is profile


def test_no_profile_fits_a_changed_header(put, forms):
    for text in (
        forms.machine(3).replace("collapse_mm", "collapse"),
        forms.machine(3).replace("stopped_by", "speed"),
    ):
        with pytest.raises(UsageError, match="No profile"):
            choose_profile(put(text))
    twice = (WELD_CELL, replace(WELD_CELL, name="again"))
    with pytest.raises(UsageError, match="Several"):
        choose_profile(put(forms.machine(3)), twice)
