"""The wheel holds migrations and sample data, and the top level of the project holds nothing unasked."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "qualrec", "migrations", "tests", "sample_data"}
MOST_LINES = 500


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("dist")
    code = f"import sys; from hatchling.build import build_wheel; print(build_wheel({str(out)!r}))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return next(out.glob("*.whl"))


def test_the_wheel_carries_migrations_tables_and_sample_data(wheel: Path) -> None:
    names = set(zipfile.ZipFile(wheel).namelist())
    assert "qualrec/migrations/env.py" in names
    assert "qualrec/migrations/script.py.mako" in names
    assert any(n.startswith("qualrec/migrations/versions/") and n.endswith(".py") for n in names)
    assert "qualrec/sample_data/sample_plant.toml" in names
    assert "qualrec/reference/cases.json" in names
    assert "qualrec/weld/data/polymers.csv" in names
    assert "qualrec/tui/qualrec.tcss" in names
    assert not any("__pycache__" in n or n.startswith("tests/") for n in names)


def test_the_top_level_holds_only_what_was_agreed() -> None:
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if tracked.returncode != 0:  # an unpacked source archive: look at the folder itself
        names = {p.name for p in ROOT.iterdir()}
    else:
        names = {line.split("/", 1)[0] for line in tracked.stdout.splitlines()}
    assert {n for n in names if not n.startswith(".")} <= TOP


def test_no_module_has_grown_past_its_size() -> None:
    declarations = ROOT / "qualrec" / "values.py"
    sizes = {
        p: len(p.read_text(encoding="utf-8").splitlines())
        for p in (ROOT / "qualrec").rglob("*.py")
        if p != declarations
    }
    assert {str(p.relative_to(ROOT)): n for p, n in sizes.items() if n > MOST_LINES} == {}
    assert sizes[ROOT / "qualrec" / "tui" / "app.py"] < 300
