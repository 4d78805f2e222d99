"""The table of commands, from which the help is made without loading them, says what their modules hold."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from qualrec.cli.commands import COMMANDS, commands_of

CLI = Path(__file__).parents[2] / "qualrec" / "cli"


@pytest.mark.parametrize("module", COMMANDS)
def test_the_table_says_what_a_module_holds(module: str) -> None:
    held = commands_of(module)
    assert list(held) == list(COMMANDS[module])
    for name, text in COMMANDS[module].items():
        said = " ".join((held[name].help or "").split())
        assert said.startswith(text.removesuffix("...").removesuffix(".")), name


def test_every_module_with_commands_stands_in_the_table() -> None:
    texts = {path.stem: path.read_text(encoding="utf-8") for path in CLI.glob("*.py")}
    found = {name for name, text in texts.items() if "def add_to(" in text}
    by_others = {name for name in found if any(f"{name}.add_to(" in text for text in texts.values())}
    assert found - by_others == set(COMMANDS)


def test_the_help_loads_no_command() -> None:
    code = (
        "import sys\nfrom qualrec.cli.main import run\nsys.argv = ['qualrec', '--help']\n"
        "try:\n    run()\nexcept SystemExit:\n    pass\n"
        "print([m for m in sys.modules if m.startswith('qualrec.cli.')])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    last = set(eval(done.stdout.splitlines()[-1]))
    assert last <= {
        f"qualrec.cli.{name}" for name in ("main", "commands", "context", "diagnostics", "output")
    }
    for held in COMMANDS.values():
        for name in held:
            assert f"  {name} " in done.stdout
