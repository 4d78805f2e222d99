"""Every command as every role of the sample plant: what is not theirs is refused in words, and nothing is written."""

from __future__ import annotations

import io
import sqlite3
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

from qualrec.cli.context import OPTIONS
from qualrec.cli.main import app, run
from qualrec.work.rights import RIGHTS
from qualrec.work.sample_files import locate

BADGES = {
    "T-01": "technician",
    "P-01": "process engineer",
    "Q-01": "quality engineer",
    "A-01": "auditor",
    "X-01": "administrator",
}
READS = ""
"""Anybody may; nothing is written."""
FILES_ONLY = {
    "demo": "writes a new invented plant",
    "settings": "prints or writes the settings file of the machine; opens no database",
    "selfcheck": "computes published cases; opens no database",
    "serve": "offers the screens, where each act asks for its right",
    "archive-check": "reads a folder; opens no database",
    "db create": "makes a new database and its first person",
    "db grants": "prints SQL; opens no database",
    "db upgrade": "whoever may write the file",
    "db restore": "makes a new file from a copy",
}
"""Commands that no role of a plant guards: they act on files before or beside it."""
TABLE: dict[str, tuple[str, tuple[str, ...]]] = {
    "define": ("define master data", (str(locate("ceramic.toml")),)),
    "receive": ("open lots", ("R-9", "--material", "PBT-GF30-NAT")),
    "mould": ("open lots", ("U9000", "--component", "FM-2041")),
    "weld": ("open lots", ("FM90000", "--part", "FM-2040", "--at", "LW-1")),
    "go-on": ("open lots", ("FM00061", "--recipe", "RC-2040/1")),
    "end": ("open lots", ("FM00061",)),
    "hand-over": ("log events", ("--note", "x")),
    "supplies": (READS, ()),
    "supply": ("decide about supplies", ("U0061", "refused", "--reason", "x")),
    "lots": (READS, ()),
    "lot": (READS, ("FM00038",)),
    "log": ("log readings", ("FM00061", "PULL", "611.0", "--mode", "parent material")),
    "correct": ("correct readings", ("FM00050", "PULL", "1", "--reason", "x", "--value", "600")),
    "import": ("take files in", (str(locate("tester_pulls.csv")),)),
    "profiles": (READS, ()),
    "profile show": (READS, ("weld cell",)),
    "profile export": (READS, ("weld cell", "-o", "{folder}/cell.toml")),
    "profile keep": ("define master data", (str(locate("tester_workbook_profile.toml")),)),
    "profile draft": (
        READS,
        (str(locate("welding_machine.csv")), "-o", "{folder}/draft.toml", "--part", "FM-2040"),
    ),
    "watch": ("take files in", ("{folder}", "--once", "--keep", "--settle", "0.01", "--every", "0.01")),
    "listen": (
        "log readings",
        (
            "FM00061",
            "PULL",
            "--link",
            str(locate("force_gauge_link.toml")),
            "--at",
            "tcp://127.0.0.1:9",
            "--count",
            "0",
        ),
    ),
    "flags": (READS, ()),
    "close-flag": ("close flags", ("{flag}", "--action", "x")),
    "dispose": ("decide about lots", ("FM00059", "hold", "--reason", "x")),
    "event": ("log events", ("clamp glass cleaned", "--at", "LW-1")),
    "concession": ("decide about lots", ("FM00053", "C-1", "--reason", "x", "--parts", "5")),
    "ship": ("ship lots", ("FM00059", "--parts", "5")),
    "containment start": ("contain parts", ("FM00059", "--action", "x")),
    "containment add": ("contain parts", ("rack", "--action", "x")),
    "containment close": ("contain parts", ("{containment}", "--result", "x")),
    "containment list": (READS, ()),
    "chart": (READS, ("FM-2040", "TTP")),
    "limits": ("freeze limits", ("FM-2040", "COL", "--freeze", "--reason", "x")),
    "capability": (READS, ("FM-2040", "PULL")),
    "parts": (READS, ()),
    "recipes": (READS, ()),
    "approve": ("approve recipes", ("RC-2040", "2", "--reason", "x")),
    "recipe": (READS, ("RC-2040",)),
    "draft": ("draft recipes", ("RC-2040", "--set", "hold_time=1,3", "--reason", "x")),
    "temporary begin": (
        "approve recipes",
        ("RC-2040", "--what", "x", "--checks", "x", "--until", "2031-01-01"),
    ),
    "temporary list": (READS, ()),
    "temporary end": ("approve recipes", ("{temporary}", "--reason", "x")),
    "materials": (READS, ()),
    "material": ("define master data", ("PP-NAT", "colour=white", "--reason", "x")),
    "polymers": (READS, ()),
    "polymer": ("define master data", ("PP-X", "--like", "PP", "--source", "x")),
    "rate-pair": ("define master data", ("PP", "PMMA", "none", "--source", "x")),
    "pair": (READS, ("FM-2040",)),
    "pairs": (READS, ()),
    "window plan": ("plan studies", ("RC-2040", "--factor", "power=180..220", "--factor", "hold_time=1..2")),
    "window list": (READS, ()),
    "window show": (READS, ("{window}",)),
    "window sheet": (READS, ("{window}", "-o", "{folder}/run.csv")),
    "window enter": ("enter studies", ("{window}", "1", "600", "--mode", "cohesive")),
    "window import": ("enter studies", ("{window}", "{runs}")),
    "window fit": (READS, ("{window}",)),
    "window choose": ("draft recipes", ("{window}", "--reason", "x")),
    "window withdraw": ("plan studies", ("{window}", "--reason", "x")),
    "parent enter": ("log readings", ("FM-2040", "{folder}", "800", "810", "--material", "PBT-GF30-NAT")),
    "parent list": (READS, ()),
    "gauges": (READS, ()),
    "gauge": (READS, ("PT-02",)),
    "in-doubt": (READS, ()),
    "gauge-study plan": (
        "plan studies",
        ("bias", "--gauge", "PT-02", "--parts", "link", "--reference", "link=500"),
    ),
    "gauge-study sheet": (READS, ("GS-001",)),
    "gauge-study enter": ("enter studies", ("GS-001", "1=25.0")),
    "gauge-study import": ("enter studies", ("GS-001", str(locate("tester_pulls.csv")))),
    "gauge-study analyse": ("plan studies", ("GS-001",)),
    "gauge-study list": (READS, ()),
    "gauge-study show": (READS, ("GS-001",)),
    "gauge-study withdraw": ("plan studies", ("GS-001", "--reason", "x")),
    "control-plan list": (READS, ()),
    "control-plan show": (READS, ("FM-2040",)),
    "control-plan draft": ("draft control plans", ("MC-0055", "--phase", "production")),
    "control-plan row": (
        "draft control plans",
        ("FM-2040", "--phase", "production", "--row", "1", "--set", "owner=x"),
    ),
    "control-plan head": ("draft control plans", ("FM-2040", "--phase", "production", "--set", "team=x")),
    "control-plan approve": ("approve control plans", ("FM-2040", "--phase", "production", "--reason", "x")),
    "control-plan compare": (
        READS,
        ("FM-2040", "--phase", "production", "--revision", "1", "--with-phase", "safe launch"),
    ),
    "control-plan export": (READS, ("FM-2040", "-o", "{folder}/plan.toml")),
    "control-plan import": ("draft control plans", (str(locate("control_plan.toml")),)),
    "gauge-check": (
        "log readings",
        ("PT-02", "--reference", "500", "--found", "500", "--tolerance", "5"),
    ),
    "calibration": ("record calibrations", ("PT-02", "--day", "2026-11-01", "--verdict", "good")),
    "persons": (READS, ()),
    "secret": ("manage people", ("T-02", "--stdin")),
    "unlock": ("manage people", ("T-02", "--reason", "x")),
    "accounts": (READS, ()),
    "authorise": ("authorise people", ("T-02", "PULL")),
    "authorisations": (READS, ()),
    "signatures": (READS, ()),
    "idle-lock": ("manage people", ("LW-1", "300")),
    "person": ("manage people", ("T-09", "--name", "Invented", "--role", "technician")),
    "trace": (READS, ("--lot", "FM00038")),
    "archive": ("make an archive", ("{folder}/archive",)),
    "audit-sample": (READS, ("--count", "3", "--seed", "1")),
    "clauses": (READS, ()),
    "integrity": (READS, ()),
    "submission workbook": ("make submissions", ("MC-0055", "-o", "{folder}/pack.xlsx")),
    "submission open": ("make submissions", ("MC-0055",)),
    "submission list": (READS, ()),
    "submission show": (READS, ("{submission}",)),
    "submission element": ("make submissions", ("{submission}", "4", "kept", "--reason", "x")),
    "submission declare": ("make submissions", ("{submission}", "weight=0.04")),
    "submission make": ("make submissions", ("{submission}", "-o", "{folder}/made.xlsx")),
    "submission sign": ("sign submissions", ("{submission}", "{folder}/none.xlsx", "--reason", "x")),
    "submission verify": (READS, ("{file}",)),
    "customers": (READS, ()),
    "customer show": (READS, ("C-WATER",)),
    "customer revise": ("revise customers", ("C-WATER", "--run-length", "500", "--reason", "x")),
    "requalification": (READS, ()),
    "notice begin": ("tend change notices", ("FM-2040", "--kind", "site", "--what", "x")),
    "notice done": ("tend change notices", ("1", "1", "--remark", "x")),
    "notice list": (READS, ()),
    "equivalence": (READS, ("FM-2040", "COL", "--change", "2026-06-01", "--margin", "0.05")),
    "certificate": ("make certificates", ("FM00050", "-o", "{folder}/certificate.pdf")),
    "label": (READS, ("FM00055",)),
    "audit-pack": ("make an archive", ("FM00055", "-o", "{folder}/pack")),
    "review": (READS, ("--week", "2026-W41", "--no-capability")),
    "problem open": ("work on problems", ("x", "--lot", "FM00055")),
    "problem list": (READS, ()),
    "problem show": (READS, ("PR-1",)),
    "problem step": ("work on problems", ("PR-1", "D3", "--text", "x")),
    "problem link": ("work on problems", ("PR-1", "--lot", "FM00055")),
    "problem close": ("close problems", ("PR-1", "--reached", "x")),
    "problem export": (READS, ("PR-1", "-o", "{folder}/report.pdf")),
    "trail show": (READS, ()),
    "trail verify": (READS, ()),
    "trail anchor": ("write heads down", ("--record", "report")),
    "retention list": (READS, ()),
    "retention check": (READS, ("FM00010",)),
    "retention set": ("set retention", ("20", "--rule", "x", "--source", "x")),
    "db status": (READS, ()),
    "db verify": (READS, ()),
    "db move": ("copy the database", ("{plant}", "{folder}/moved.sqlite")),
    "db backup": ("copy the database", ("{folder}/copy.sqlite",)),
}
"""Command -> the act that it needs, and arguments that are good on the sample plant."""


def leaves(command: Any, path: tuple[str, ...] = ()) -> Iterator[str]:
    for name, inner in getattr(command, "commands", {}).items():
        if (name,) != ("calc",) or path:
            yield from leaves(inner, (*path, name))
    if not hasattr(command, "commands"):
        yield " ".join(path)


def test_every_command_stands_in_the_table() -> None:
    """A new command says here what right it needs."""
    assert set(leaves(get_command(app))) == TABLE.keys() | FILES_ONLY.keys()


def number(path: Path, query: str) -> int:
    connection = sqlite3.connect(path)
    try:
        return int(connection.execute(query).fetchone()[0]) & ((1 << 40) - 1)
    finally:
        connection.close()


def entries(path: Path) -> int:
    return number(path, "SELECT count(*) FROM trail")


@pytest.fixture
def call(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> Callable[..., Any]:
    for variable in ("QUALREC_DB", "QUALREC_BADGE", "QUALREC_STATION", "QUALREC_THEME", "QUALREC_DECIMAL"):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.setattr("qualrec.config.settings_file", lambda env=None: tmp_path / "none.toml")

    def run_as(plant: Path, badge: str, *arguments: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "stdin", io.StringIO("what a command reads\n"))
        monkeypatch.setattr(sys, "argv", ["qualrec", "--db", str(plant), "--badge", badge, *arguments])
        capsys.readouterr()
        code = 0
        try:
            run()
        except SystemExit as stop:
            code = int(stop.code or 0)
        finally:
            OPTIONS.db = OPTIONS.badge = OPTIONS.station = OPTIONS.theme = OPTIONS.ascii = None
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return code, out, err

    return run_as


@pytest.mark.parametrize("command", sorted(TABLE))
def test_a_command_as_every_role(
    command: str, call: Callable[..., Any], sample_plant: Path, tmp_path: Path
) -> None:
    act, arguments = TABLE[command]
    # Those who may come last: what they do must not stand in the way of the others.
    badges = sorted(BADGES, key=lambda badge: bool(act) and BADGES[badge] in RIGHTS[act])
    if "{submission}" in arguments:
        assert call(sample_plant, "Q-01", "submission", "open", "MC-0055", "--number", "{submission}")[0] == 0
    if "{file}" in arguments:
        to = str(tmp_path / "verified.xlsx")
        assert call(sample_plant, "Q-01", "submission", "MC-0055", "-o", to)[0] == 0
        arguments = (to,)
    if "{window}" in arguments:
        runs = tmp_path / "runs.csv"
        runs.write_text(
            "run;strength;mode\n" + "".join(f"{n};{590 + 7 * n};cohesive\n" for n in range(1, 13))
        )
        planned = (
            "RC-2040",
            "--factor",
            "power=180..220",
            "--factor",
            "hold_time=1..2",
            "--number",
            "{window}",
        )
        assert call(sample_plant, "P-01", "window", "plan", *planned)[0] == 0
        assert call(sample_plant, "P-01", "window", "import", "{window}", str(runs))[0] == 0
        arguments = tuple(str(runs) if text == "{runs}" else text for text in arguments)
    if command == "temporary end":
        begun = TABLE["temporary begin"][1]
        assert call(sample_plant, "P-01", "temporary", "begin", *begun)[0] == 0
    if command == "notice done":
        call(sample_plant, "Q-01", "notice", "begin", "FM-2040", "--kind", "site", "--what", "x")
    if "PR-1" in arguments:
        assert call(sample_plant, "Q-01", "problem", "open", "x", "--number", "PR-1")[0] == 0
    known = {"{flag}": "SELECT min(id) FROM flag WHERE state <> 'closed'"}
    known["{temporary}"] = "SELECT max(id) FROM temporary_change"
    for badge in badges:
        folder = tmp_path / badge
        folder.mkdir()
        if command == "containment close":
            call(sample_plant, "T-01", "containment", "add", "rack", "--action", "look")
            known["{containment}"] = "SELECT max(id) FROM containment"
        given = [text.replace("{folder}", str(folder)) for text in arguments]
        given = [text.replace("{plant}", str(sample_plant)) for text in given]
        given = [str(number(sample_plant, known[text])) if text in known else text for text in given]
        before = entries(sample_plant)
        code, out, err = call(sample_plant, badge, *command.split(), *given)
        if act == READS:
            assert not any(f"may not {one}" in err for one in RIGHTS), badge
            assert code in (0, 1), (badge, err)
            assert out or command == "retention check", badge
            assert entries(sample_plant) == before, badge
        elif BADGES[badge] in RIGHTS[act]:
            assert f"may not {act}" not in err, (badge, err)
            assert code in (0, 1), (badge, err)
        else:
            assert code == 1, (badge, err)
            assert f"may not {act}" in err, (badge, err)
            assert out == "", badge
            assert entries(sample_plant) == before, badge
            assert not list(folder.iterdir()), badge


@pytest.mark.parametrize("badge", ["t-01", "T-01 ", "T-01' OR '1'='1", "", "X-99", "T-01\x00", "1"])
def test_a_badge_is_taken_as_it_is(call: Callable[..., Any], sample_plant: Path, badge: str) -> None:
    """No badge but an exact one gives a person; an empty one is the sample quality engineer, who is named."""
    code, out, err = call(sample_plant, badge, "lots")
    if badge == "":
        assert (code, "Q-01" in err) == (0, True)
    else:
        assert code != 0
        assert out == ""
