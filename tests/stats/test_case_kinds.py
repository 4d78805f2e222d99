"""No kind of packaged case is left without a test: each kind's name stands in a test file of this folder."""

from __future__ import annotations

from pathlib import Path

import pytest

from qualrec.reference import load_cases

TEXTS = {
    path.name: path.read_text(encoding="utf-8")
    for path in Path(__file__).parent.glob("test_*.py")
    if path.name != Path(__file__).name
}


@pytest.mark.parametrize("kind", sorted({c.kind for c in load_cases()}))
def test_kind_is_exercised(kind: str) -> None:
    """Files that take all cases of a kind fail on a case they do not know; here the kind itself must be
    taken."""
    family = kind.split("_")[0] + '")' if kind.startswith("acceptance") else kind
    assert any(f'"{family}' in text or f'"{kind}"' in text for text in TEXTS.values()), kind
