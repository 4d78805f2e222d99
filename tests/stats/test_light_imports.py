"""What the statistics load: the common families come without the slow parts of scipy (TRAPS of the start-
up time)."""

from __future__ import annotations

import subprocess
import sys

import pytest

LIGHT = [
    "agreement",
    "capability",
    "capability_batch",
    "capability_bounds",
    "censored",
    "compare",
    "components",
    "distributions",
    "gauge",
    "gauge_use",
    "logistic",
    "nested_likelihood",
    "normality",
    "outliers",
    "proportions",
    "regression",
    "sampling",
    "shapes",
    "strength",
    "table_plans",
    "tolerance",
]


@pytest.mark.parametrize("heavy", ["scipy.stats", "scipy.optimize", "pandas"])
def test_importing_every_family_does_not_load(heavy: str) -> None:
    lines = [f"import qualrec.stats.{name}" for name in LIGHT]
    code = "\n".join(["import sys", *lines, f"sys.exit({heavy!r} in sys.modules)"])
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
