"""Loads the fault programs of this folder, which also run by themselves."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest


def load(path: Path) -> ModuleType:
    name = f"qualrec_tests_{path.parent.name}_{path.stem}"
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def fault() -> Callable[[str], ModuleType]:
    """A fault program by its name: kill, fill, corrupt."""
    return lambda name: load(Path(__file__).with_name(f"{name}.py"))


@pytest.fixture
def small_plant() -> Callable[[Any], Any]:
    """The function that sets up a small plant in a store, as in the tests of the records."""
    return load(Path(__file__).parents[1] / "records" / "conftest.py").set_up
