"""Nothing that steers a terminal reaches it raw, whatever was typed or named."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from pathlib import Path

import pytest

import qualrec
from qualrec.cli import output

STEERING = ("\x1b", "\x07", "\x9b", "\u202e", "\x08")
PACKAGE = Path(qualrec.__file__).parent


TYPED = [
    ("lot", "x\x1b[31m\x07y"),
    ("lot", "FM\u202e16000"),
    ("lots", "--state", "x\x1b]0;t\x07"),
    ("x\x1b[31m",),
    ("lots", "--x\x1b[31m"),
    ("lots", "more", "\x9b31m"),
    ("--badge", "\x1b[2J", "lots"),
    ("import", "no\x1b[31m.csv"),
    ("trace", "--serial", "\x1b[31m"),
    ("calc", "describe", "\x1b[31m"),
    ("archive-check", "no\x1b[2Jfolder"),
    ("db", "restore", "no\x1b[2J", "to"),
    ("clauses", "--map", "no\x1b[2J"),
]
ALL_IN_ONE_PROGRAM = """
import json, sys
from qualrec.cli.main import run
place, typed = sys.argv[1:]
for arguments in json.loads(typed):
    sys.argv = ["qualrec", "--db", place, *arguments]
    print("begin", flush=True)
    print("begin", file=sys.stderr, flush=True)
    try:
        run()
        code = 0
    except SystemExit as end:
        code = end.code
    print("code", code, flush=True)
"""


def test_what_was_typed_is_never_echoed_raw(sample_plant: Path, program_env: dict[str, str]) -> None:
    command = [sys.executable, "-c", ALL_IN_ONE_PROGRAM, str(sample_plant), json.dumps(TYPED)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=program_env)
    assert done.returncode == 0, done.stderr
    out, told = done.stdout.split("begin\n")[1:], done.stderr.split("begin\n")[1:]
    assert len(out) == len(told) == len(TYPED)
    for arguments, said, error in zip(TYPED, out, told, strict=True):
        assert said.splitlines()[-1] in ("code 1", "code 2"), arguments
        assert "Traceback" not in error, arguments
        assert not [sign for sign in STEERING if sign in said + error], arguments
        assert error.strip(), arguments


def test_json_keeps_the_text_and_lets_nothing_through(capsys: pytest.CaptureFixture[str]) -> None:
    text = "".join(map(chr, range(0x100))) + "\u202e\u2028\u2066 漢字"
    output.json_out({"text": text})
    out = capsys.readouterr().out
    assert json.loads(out) == {"text": text}
    assert not [sign for sign in out if (ord(sign) < 32 and sign != "\n") or 126 < ord(sign) < 160]
    assert not [sign for sign in STEERING if sign in out]
    assert "漢字" in out


def test_all_text_goes_through_the_two_files_that_clean_it() -> None:
    for path in (PACKAGE / "cli").glob("*.py"):
        if path.name in ("output.py", "diagnostics.py"):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                name = ast.unparse(node.func)
                assert name not in ("print", "typer.echo", "sys.stdout.write", "sys.stderr.write"), path.name
