"""Which rooms may know which, and what stays unloaded until it is needed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from importlinter.cli import lint_imports

ROOT = Path(__file__).parent.parent


def test_the_layers_and_forbidden_imports_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    """GIVEN the contracts of pyproject.toml WHEN the import graph is read THEN none is broken."""
    monkeypatch.chdir(ROOT)
    assert lint_imports(cache_dir=None) == 0


@pytest.mark.parametrize(
    ("module", "absent"),
    [
        (
            "qualrec.cli.main",
            ["textual", "sqlalchemy", "sqlmodel", "pandas", "scipy", "numpy.linalg", "openpyxl", "alembic"],
        ),
        ("qualrec.tui.app", ["sqlalchemy", "sqlmodel", "pandas", "scipy", "openpyxl", "alembic"]),
        ("qualrec.tui.labels", ["textual", "sqlalchemy"]),
        ("qualrec.tui.widgets.plot_grid", ["textual", "sqlalchemy", "scipy"]),
        ("qualrec.judge.verdict", ["textual", "sqlalchemy", "pandas", "scipy.stats", "openpyxl"]),
        ("qualrec.records.database", ["textual", "pandas", "scipy", "openpyxl", "alembic"]),
        ("qualrec.stats.charts", ["textual", "sqlalchemy", "pandas", "scipy.stats"]),
        ("qualrec.weld.energy", ["textual", "sqlalchemy", "pandas", "scipy.stats"]),
        ("qualrec.errors", ["numpy", "textual", "sqlalchemy"]),
    ],
)
def test_what_an_import_leaves_unloaded(module: str, absent: list[str]) -> None:
    """A clean interpreter that imports the module must not hold the packages named."""
    code = f"import sys, {module}\nprint([m for m in {absent!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "[]"
