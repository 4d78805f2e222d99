"""Commands on import profiles: listed, shown, written, kept as revisions, drafted."""

from __future__ import annotations

import json
from pathlib import Path

from qualrec.intake.profile_text import from_toml
from qualrec.intake.profiles import BUILT_IN, WELD_CELL
from qualrec.work.sample_files import locate


def test_profiles_are_listed_written_changed_and_kept(program, sample_plant: Path, tmp_path: Path) -> None:
    code, out, _ = program(sample_plant, "profiles", "--json")
    assert code == 0
    assert {p.name for p in BUILT_IN} <= {line["name"] for line in json.loads(out)}
    _, out, _ = program(sample_plant, "profile", "show", "weld cell")
    assert from_toml(out) == WELD_CELL
    to = tmp_path / "cell.toml"
    assert program(sample_plant, "profile", "export", "weld cell", "-o", str(to))[0] == 0
    code, _, err = program(sample_plant, "profile", "export", "weld cell", "-o", str(to))
    assert (code, "already there" in err) == (1, True)
    _, out, _ = program(sample_plant, "--badge", "P-01", "profile", "keep", str(to))
    assert "Nothing was added" in out
    to.write_text(
        to.read_text(encoding="utf-8").replace('"stopped_by"', '"stopped_by", "shift"'), encoding="utf-8"
    )
    _, out, _ = program(sample_plant, "--badge", "P-01", "profile", "keep", str(to))
    assert out == "Import profile 'weld cell' is stored, revision 2; it follows revision 1.\n"
    _, out, _ = program(sample_plant, "--badge", "P-01", "profile", "keep", str(to))
    assert "Nothing was added" in out
    _, out, _ = program(sample_plant, "profiles")
    line = next(line for line in out.splitlines() if line.startswith("weld cell"))
    assert line.split()[2] == "2"
    _, out, _ = program(sample_plant, "profile", "show", "weld cell")
    assert from_toml(out).ignore == ("stopped_by", "shift")
    code, _, err = program(sample_plant, "profile", "show", "weld cell", "--revision", "7")
    assert (code, "no revision 7" in err) == (2, True)
    code, _, err = program(sample_plant, "profile", "show", "nothing")
    assert "no import profile 'nothing'" in err


def test_a_draft_with_the_characteristics_of_the_part_is_complete(
    program, sample_plant: Path, tmp_path: Path
) -> None:
    to = tmp_path / "draft.toml"
    code, out, _ = program(
        sample_plant, "profile", "draft", str(locate("tester_pulls.csv")), "-o", str(to), "--part", "FM-2040"
    )
    assert code == 0
    assert "Nothing is left to be filled in" in out
    text = to.read_text(encoding="utf-8")
    assert "'Force at break', numbers; PULL fits, but no better than column 'Peak force'" in text
    code, out, _ = program(
        sample_plant,
        "--badge",
        "T-01",
        "import",
        str(locate("tester_pulls.csv")),
        "--profile",
        str(to),
        "--dry-run",
    )
    assert (code, "PULL 5 would be taken in" in out) == (0, True)
    (code, _, err) = program(sample_plant, "profile", "draft", str(tmp_path / "none.csv"), "-o", str(to))
    assert (code, "does not exist" in err) == (2, True)
