"""500 damaged files per reader against the plain parser of tests/faults/fuzz_readers.py; more with its --n."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[1] / "faults" / "fuzz_readers.py"


@pytest.fixture(scope="module")
def fuzzer():
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(SCRIPT.parent)
        yield load()


def load():
    spec = importlib.util.spec_from_file_location("fuzz_readers", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("form", ["pull", "weld", "lines", "book"])
def test_damaged_files(fuzzer, tmp_path, form):
    failures, taken = fuzzer.fuzz(form, 500, 0, tmp_path)
    assert failures == []
    assert 50 < taken < 450  # both sides of the comparison are at work
