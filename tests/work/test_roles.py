"""Nobody gets round the roles: every use case that writes asks for the right, and no screen or command writes by itself."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import qualrec
from qualrec.errors import Refused
from qualrec.records.models.people import ROLES
from qualrec.values import Actor
from qualrec.work.rights import RIGHTS, require

PACKAGE = Path(qualrec.__file__).parent
WITHOUT_A_PERSON = {
    ("set_up", "create"): "makes the first person",
    ("accounts", "prove"): "ends the count of failures of the person who signs on",
    ("accounts", "_failed"): "counts a failed sign-on, by the program",
    ("sending", "_note_sender"): "names the sender of an entry that was stored by the right of its maker",
    ("sample_plant", "_set_up"): "writes the invented past",
    ("sample_plant", "_calibrate"): "writes the invented past",
    ("sample_plant", "_draft_second_revision"): "writes the invented past",
    ("sample_plant", "_event"): "writes the invented past",
    ("sample_plant", "_mould"): "writes the invented past",
    ("sample_plant", "_weld"): "writes the invented past",
    ("sample_plant", "_test"): "writes the invented past",
    ("sample_plant", "_ship"): "writes the invented past",
}


def calls(node: ast.AST) -> Iterator[tuple[str, ast.Call]]:
    for inner in ast.walk(node):
        if isinstance(inner, ast.Call):
            function = inner.func
            name = function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")
            yield name, inner


def functions(path: Path) -> Iterator[ast.FunctionDef]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef):
            yield node


def opens_a_transaction(node: ast.AST) -> bool:
    for name, call in calls(node):
        owner = call.func.value if isinstance(call.func, ast.Attribute) else None
        if name in ("write", "transaction") and owner is not None and ast.unparse(owner).endswith("store"):
            return True
    return False


WRITERS = [
    (path.stem, function)
    for path in sorted((PACKAGE / "work").glob("*.py"))
    for function in functions(path)
    if opens_a_transaction(function)
]


def test_the_writers_are_found() -> None:
    assert len(WRITERS) > 40


@pytest.mark.parametrize(("module", "function"), WRITERS, ids=lambda x: getattr(x, "name", x))
def test_a_use_case_that_writes_asks_for_the_right(module: str, function: ast.FunctionDef) -> None:
    if (module, function.name) in WITHOUT_A_PERSON:
        return
    asked = any(name == "require" for name, _ in calls(function))
    if not asked and not module.startswith("intake"):
        assert gate_before(function.name), f"{module}.{function.name} asks for no right"


def test_taking_a_file_in_begins_with_the_right() -> None:
    """Its steps work on a Job; only a function that asked for the right makes one, and no room above calls the steps."""
    makers = [
        function
        for path in (PACKAGE / "work").glob("intake*.py")
        for function in functions(path)
        if any(name == "Job" for name, _ in calls(function))
    ]
    assert makers
    assert all("require" in names_in(function) for function in makers)
    for path in [*(PACKAGE / "cli").rglob("*.py"), *(PACKAGE / "tui").rglob("*.py")]:
        assert "intake_bulk" not in path.read_text(encoding="utf-8"), path.name


def names_in(node: ast.AST) -> set[str]:
    return {
        inner.attr if isinstance(inner, ast.Attribute) else inner.id
        for inner in ast.walk(node)
        if isinstance(inner, ast.Attribute | ast.Name)
    }


def gate_before(name: str, seen: frozenset[str] = frozenset()) -> bool:
    """Whether the function is a step inside the package that only asking functions lead to."""
    users = [
        function
        for path in (PACKAGE / "work").glob("*.py")
        for function in functions(path)
        if function.name != name and function.name not in seen and name in names_in(function)
    ]
    return bool(users) and all(
        "require" in names_in(user) or gate_before(user.name, seen | {name}) for user in users
    )


@pytest.mark.parametrize("room", ["cli", "tui"])
def test_commands_and_screens_write_by_use_cases_only(room: str) -> None:
    for path in (PACKAGE / room).rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        assert not opens_a_transaction(tree), path.name
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("qualrec.records"):
                assert "registry" not in (node.module or ""), path.name
                assert not {"registry", "findings", "ledger"} & {a.name for a in node.names}, path.name


def test_an_administrator_touches_no_record_and_an_auditor_nothing() -> None:
    of = {role: {act for act, roles in RIGHTS.items() if role in roles} for role in ROLES}
    assert of["administrator"] <= {
        "manage people",
        "authorise people",
        "define master data",
        "copy the database",
        "make an archive",
    }
    assert of["auditor"] == {"make an archive"}
    assert not of["technician"] & {"approve recipes", "close flags", "decide about lots", "freeze limits"}


@pytest.mark.parametrize("act", sorted(RIGHTS))
def test_every_act_is_refused_without_a_role_and_says_whom_to_ask(act: str) -> None:
    for role in [*ROLES, "Quality Engineer", ""]:
        actor = Actor(1, "Somebody", roles=frozenset({role}))
        if role in RIGHTS[act]:
            require(actor, act)
        else:
            with pytest.raises(Refused) as refused:
                require(actor, act)
            assert act in refused.value.message
            assert any(who in refused.value.remedy for who in RIGHTS[act])
