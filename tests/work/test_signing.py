"""Signatures: the password at the moment of signing, and whether what was signed is still as it was. On both databases."""

from __future__ import annotations

import ast
import hashlib
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

import qualrec
from qualrec.errors import Refused
from qualrec.records import lookups, registry
from qualrec.work import bench, corrections, lots, passwords, people, recipes, review, signed
from qualrec.work.session import Session
from qualrec.work.set_up import PROGRAM
from qualrec.work.signing import digest_of
from qualrec.work.target import find_target

PASSWORD = "seven plain words"
PIN = "48213"
WORK = Path(qualrec.__file__).parent / "work"


@pytest.fixture
def plant(small_plant: Any) -> Any:
    """The small plant with accounts: an administrator's, and the quality engineer's with password and PIN."""
    with small_plant.store.write(PROGRAM) as writer:
        for badge in ("X-01", "Q-01", "P-01"):
            who = lookups.person_by_badge(writer.conn, badge)
            registry.set_secrets(
                writer, who.id, password_hash=passwords.hashed(PASSWORD), pin_hash=passwords.hashed(PIN)
            )
    return small_plant


def behind(plant: Any, statement: str, **values: Any) -> None:
    """Change rows as somebody would who gets round the program and its triggers."""
    with plant.store.transaction() as conn:
        if plant.store.dialect == "sqlite":
            names = (
                conn.execute(text("SELECT name FROM sqlite_master WHERE type = 'trigger'")).scalars().all()
            )
            for name in names:
                conn.execute(text(f"DROP TRIGGER {name}"))
        else:
            conn.execute(text("SET LOCAL session_replication_role = replica"))
        conn.execute(text(statement), values)


def standings(plant: Any, kind: str) -> list[signed.Standing]:
    return list(signed.all_standing(plant.as_badge(), kind=kind))


def pull(plant: Any, value: str, lot: str = "FM00061", mode: str = "parent material") -> None:
    session = plant.as_badge("T-01")
    bench.log(session, find_target(session, lot, "PULL"), [bench.Entry(value, mode=mode)])


def hold(session: Session, **how: Any) -> str:
    return lots.dispose(session, "FM00061", "hold", reason="Looked at again", **how)


# The password again.


def test_signing_asks_for_the_password_again(plant: Any) -> None:
    session = plant.as_badge()
    with pytest.raises(Refused, match="give the password again to sign"):
        hold(session)
    with pytest.raises(Refused, match="Wrong password for Sample quality engineer"):
        hold(session, password="not that one")
    with pytest.raises(Refused, match="Wrong password"):
        hold(session, password=PIN)
    assert standings(plant, "lot") == []
    assert "signed by Sample quality engineer" in hold(session, password=PASSWORD)
    (one,) = standings(plant, "lot")
    assert (one.signature.person, one.signature.meaning, one.what) == (
        "Sample quality engineer",
        "reviewed",
        "lot FM00061",
    )
    assert one.signature.at_us == plant.clock[0]
    assert (one.covers, one.words) == (True, "")


def test_failures_at_signing_count_and_lock(plant: Any) -> None:
    session = plant.as_badge()
    for _ in range(5):
        with pytest.raises(Refused, match="Wrong password"):
            hold(session, password="not that one")
    with pytest.raises(Refused, match="is locked until"):
        hold(session, password=PASSWORD)
    assert [one.what for one in signed.all_standing(session)] == ["RC-2040 revision 1"]


def test_without_accounts_nothing_is_asked(small_plant: Any) -> None:
    assert not small_plant.as_badge().accounts
    assert "signed by" in hold(small_plant.as_badge())


def test_every_use_case_that_signs_asks_before_its_write() -> None:
    """Read from the sources: who calls `sign` calls `ready_to_sign`, or is a step of a use case that does."""
    asking, signing, users = set(), set(), {}
    for path in WORK.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.FunctionDef):
                continue
            called = {
                getattr(c.func, "id", getattr(c.func, "attr", ""))
                for c in ast.walk(node)
                if isinstance(c, ast.Call)
            }
            users[path.stem, node.name] = called
            if "ready_to_sign" in called:
                asking.add((path.stem, node.name))
            if "sign" in called and path.stem != "signing":
                signing.add((path.stem, node.name))
    assert len(signing) >= 5
    for module, name in signing - asking:
        callers = {key for key, called in users.items() if key[0] == module and name in called}
        assert callers, (module, name)
        assert callers <= asking, (module, name)


# What exactly was signed.


def test_the_digest_is_sha256_of_canonical_json() -> None:
    """The rule as records/chain.py states it, computed here with the standard library alone."""
    content = {"b": [1.5, None, "ü"], "a": {"z": True, "y": 2}}
    plain = '{"a":{"y":2,"z":true},"b":[1.5,null,"ü"]}'
    assert json.loads(plain) == content
    assert digest_of(content) == hashlib.sha256(plain.encode("utf-8")).hexdigest()


def test_a_later_reading_or_correction_is_not_covered(plant: Any) -> None:
    session = replace(plant.as_badge(), signs=True)
    pull(plant, "611.0")
    hold(session)
    assert standings(plant, "lot")[0].covers
    pull(plant, "622.5")
    (first,) = standings(plant, "lot")
    assert first.covers is False
    assert "no longer covered: readings, corrections" in first.words
    plant.clock[0] += 60_000_000
    hold(session)
    newest, oldest = standings(plant, "lot")
    assert (newest.covers, oldest.covers) == (True, False)
    corrections.correct_text(session, "FM00061", "PULL", 1, value="612.0", reason="Read again")
    assert [one.covers for one in standings(plant, "lot")] == [False, False]
    corrections.correct_text(session, "FM00061", "PULL", 1, value="611.0", reason="First was right")
    assert [one.covers for one in standings(plant, "lot")] == [True, False]


def test_a_correction_on_the_moulding_lot_is_not_covered(plant: Any) -> None:
    session = replace(plant.as_badge(), signs=True)
    technician = plant.as_badge("T-01")
    target = find_target(technician, "U0061", "TRN")
    bench.log(technician, target, [bench.Entry("24.5")], stream="2")
    hold(session)
    assert standings(plant, "lot")[0].covers
    corrections.correct_text(technician, "U0061", "TRN", 1, value="24.6", reason="Read again", stream="2")
    assert standings(plant, "lot")[0].covers is False


def test_another_recipe_in_the_lot_is_not_covered(plant: Any) -> None:
    hold(replace(plant.as_badge(), signs=True))
    behind(plant, "UPDATE lot_segment SET upper_moulding_lot_id = NULL")
    assert standings(plant, "lot")[0].covers is False


def test_a_recipe_changed_behind_its_approval_is_not_covered(plant: Any) -> None:
    (approved,) = standings(plant, "recipe revision")
    assert approved.covers
    assert approved.what == "RC-2040 revision 1"
    behind(
        plant,
        "UPDATE recipe_setting SET value = value + 1 WHERE recipe_revision_id = :r",
        r=approved.signature.what_id,
    )
    (approved,) = standings(plant, "recipe revision")
    assert approved.covers is False
    assert "settings or qualified windows" in approved.words


def test_a_temporary_change_is_covered_until_it_is_changed_and_also_when_ended(plant: Any) -> None:
    session = plant.as_badge()
    said = {"what": " Fixture B ", "extra_checks": "Pull 5 ", "until": "2099-12-31"}
    with pytest.raises(Refused, match="password again"):
        recipes.begin_change(session, "RC-2040", 1, **said)
    recipes.begin_change(session, "RC-2040", 1, **said, password=PASSWORD)
    (one,) = standings(plant, "temporary change")
    assert (one.covers, one.what) == (True, "temporary change of RC-2040 revision 1")
    with plant.store.read() as conn:
        change = lookups.temporary_changes(conn)[0]
    behind(plant, "UPDATE temporary_change SET extra_checks = 'none' WHERE id = :i", i=change.id)
    assert standings(plant, "temporary change")[0].covers is False


def test_limits_are_covered_until_a_figure_or_a_lot_changes(plant: Any) -> None:
    session = replace(plant.as_badge(), signs=True)
    for lot in ("FM00060", "FM00061"):
        for value in ("611.0", "622.5", "605.0"):
            pull(plant, value if lot == "FM00060" else f"{float(value) + 9}", lot)
    made = review.limits(session, "FM-2040", "PULL", freeze=True, reason="First phase")
    (one,) = standings(plant, "limits")
    assert (one.covers, one.what) == (True, "limits version 1 of FM-2040 PULL")
    behind(plant, "UPDATE limits SET upper = upper + 1 WHERE id = :i", i=made.limits_id)
    assert standings(plant, "limits")[0].covers is False
    behind(plant, "UPDATE limits SET upper = upper - 1 WHERE id = :i", i=made.limits_id)
    assert standings(plant, "limits")[0].covers is True
    behind(plant, "DELETE FROM limits_lot WHERE limits_id = :i", i=made.limits_id)
    assert standings(plant, "limits")[0].covers is False


def test_a_concession_is_covered_until_its_row_changes(plant: Any) -> None:
    session = plant.as_badge()
    lots.give_concession(session, "FM00061", "C-1", reason=" Agreed by mail ", quantity=5, password=PASSWORD)
    (one,) = standings(plant, "lot")
    assert (one.covers, one.signature.meaning) == (True, "concession")
    behind(plant, "UPDATE concession SET quantity = 500")
    assert standings(plant, "lot")[0].covers is False


def test_a_signature_over_nothing_known_says_so(plant: Any) -> None:
    with plant.store.write(plant.as_badge().actor) as writer:
        registry.add_signature(writer, "reviewed", "lot", 12345, "0" * 64)
        registry.add_signature(writer, "reviewed", "something else", 7, "0" * 64)
    found = signed.all_standing(plant.as_badge(), newest=2)
    assert [one.covers for one in found] == [None, None]
    assert {one.words for one in found} == {"what was signed is not found"}


def test_nobody_signs_by_the_badge_of_another(plant: Any) -> None:
    people.set_secret(replace(plant.as_badge("X-01"), signs=True), "T-01", "password", "another plain one")
    with plant.store.read() as conn:
        other = plant.as_badge("T-01").acting(lookups.actor(conn, "Q-01"))
    with pytest.raises(Refused, match="Wrong password for Sample quality engineer"):
        hold(other, password="another plain one")


def test_a_second_person_proves_to_stand_behind_a_correction(plant: Any) -> None:
    pull(plant, "611.0")
    technician = plant.as_badge("T-01")
    change: dict[str, Any] = {"value": "302.0", "reason": "Digits exchanged"}
    for badge, secret, said in (
        ("Q-01", None, "has to prove who acts"),
        ("Q-01", "not the PIN", "Wrong password or PIN"),
        ("T-01", PIN, "The second person is the first"),
        ("T-02", PIN, "neither a password nor a PIN"),
    ):
        with pytest.raises(Refused, match=said):
            corrections.correct_text(
                technician, "FM00061", "PULL", 1, second_badge=badge, second_secret=secret, **change
            )
    done = corrections.correct_text(
        technician, "FM00061", "PULL", 1, second_badge="Q-01", second_secret=PIN, **change
    )
    assert "is now 302.0" in done.sentence
