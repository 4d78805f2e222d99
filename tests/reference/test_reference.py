"""The packaged cases load, name only packaged tables, and their recomputed figures lie within tolerance."""

from __future__ import annotations

import re

import pytest

from qualrec.reference import Case, case, load_cases, open_data, read_columns, sources_text


def test_the_collection_is_whole() -> None:
    cases = load_cases()
    assert len(cases) == 77
    assert len({item.id for item in cases}) == 77
    for item in cases:
        assert all((item.expected, item.source, item.how_obtained)), item.id


@pytest.mark.parametrize("item", load_cases(), ids=lambda item: item.id)
def test_named_tables_are_packaged_and_recomputed_figures_agree(item: Case) -> None:
    name = item.inputs.get("file")
    if name is not None:
        columns = read_columns(name)
        lengths = {len(cells) for cells in columns.values()}
        assert len(lengths) == 1
        assert lengths.pop() > 0
    for expected in item.expected.values():
        assert expected.exact or expected.tol_abs is not None or expected.tol_rel is not None
        if expected.recomputed is not None:
            assert expected.accepts(expected.recomputed), (item.id, expected.name)


def test_accepts_refuses_what_is_outside() -> None:
    centre = case("imr_nist_flowrate").expected["center"]
    assert centre.accepts(50.81)
    assert not centre.accepts(50.82)
    assert not centre.accepts(float("nan"))
    columns = case("ewma_nist").expected["ewma"]
    assert not columns.accepts(columns.value[:-1])
    beyond = case("c_nist_wafers").expected["points_beyond"]
    assert beyond.accepts((24,))
    assert not beyond.accepts((3, 24))


def test_unknown_case_is_a_key_error() -> None:
    with pytest.raises(KeyError):
        case("none of this name")


def test_no_machine_path_or_address_but_published_ones() -> None:
    texts = [sources_text(), *(f"{item.source} {item.notes} {item.how_obtained}" for item in load_cases())]
    for text in texts:
        assert not re.search(r"(?<!\w)/(work|home|tmp|root)/", text)
        for address in re.findall(r"https?://\S+", text):
            assert address.startswith("https://www.itl.nist.gov/"), address


def test_text_columns_stay_text() -> None:
    assert read_columns("data/iso2859_code_letters.csv")["II"][0] == "A"
    with open_data("constants.csv") as handle:
        assert handle.readline().startswith("n,d2,d3,c4")
