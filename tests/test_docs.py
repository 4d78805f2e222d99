"""README and DEVELOPERS name commands and files that exist; the README's own commands are understood."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

from qualrec.cli.main import app

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def commands() -> list[str]:
    """Every line of the README's bash blocks that calls the program."""
    blocks = re.findall(r"```bash\n(.*?)```", README, re.S)
    lines = [line.split("#")[0].strip() for block in blocks for line in block.splitlines()]
    parts = [part.strip() for line in lines for part in line.split("&&")]
    return [
        p.removeprefix(".venv/bin/") for p in parts if p.removeprefix(".venv/bin/").startswith("qualrec ")
    ]


def test_the_readme_has_commands() -> None:
    assert len(commands()) > 20


@pytest.mark.parametrize("line", commands())
def test_a_command_of_the_readme_is_understood(line: str) -> None:
    """Each command parses down to its last option; nothing is run."""
    words = shlex.split(line)[1:]
    group: Any = get_command(app)
    context = group.make_context("qualrec", words, resilient_parsing=False)
    while hasattr(group, "get_command"):
        name, *rest = [*context._protected_args, *context.args]
        group = group.get_command(context, name)
        assert group is not None, name
        context = group.make_context(name, rest, parent=context)
    assert not context.args


def test_the_test_command_stands_where_ci_looks_for_it() -> None:
    found = re.search(r"<!-- test command -->\n```bash\n(.+)\n```", README)
    assert found is not None
    assert "pytest" in found.group(1)


def test_files_named_in_the_documents_exist() -> None:
    named = re.findall(r"`((?:qualrec|tests|migrations|sample_data|\.ci)/[\w./*-]+)`", README + DEVELOPERS)
    missing = [name for name in named if "*" not in name and not (ROOT / name).exists()]
    assert named
    assert missing == []


@pytest.mark.parametrize("text", [README, DEVELOPERS])
def test_no_path_of_a_machine_is_in_the_documents(text: str) -> None:
    assert not re.search(r"/(?:home|root|Users|work)/", text)
