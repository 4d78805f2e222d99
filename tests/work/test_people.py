"""Accounts: who it is that acts, failures counted in the record, locks, leavers, authorisations. On both databases."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec import config
from qualrec.errors import QualrecError, Refused, UnknownRecord, UsageError
from qualrec.records import lookups
from qualrec.records.archive import write_archive
from qualrec.records.database import Store, open_store
from qualrec.values import Actor, Characteristic
from qualrec.work import accounts, authorisations, passwords, people, set_up
from qualrec.work.authorisations import DAY_US, authorise, check_authorised, leaves, take_back
from qualrec.work.session import Session, make_session, open_session

PASSWORD = "seven plain words"
PIN = "48213"
MINUTE_US = 60_000_000
BEGIN_US = 1_780_000_000_000_000


class Plant:
    """A plant with an administrator, a quality engineer and two technicians, and a clock to turn."""

    def __init__(self, url: str) -> None:
        self.url = url
        self.now = BEGIN_US
        set_up.create(
            url,
            code="P1",
            name="Invented",
            zone="Europe/Berlin",
            decimal_style="point",
            person="Ada Admin",
            badge="X1",
            password=PASSWORD,
        )
        self.store = open_store(url, clock=lambda: self.now)
        for badge, name, role in (
            ("Q1", "Quinn Quality", "quality engineer"),
            ("T1", "Tom Tester", "technician"),
            ("T2", "Tina Tester", "technician"),
        ):
            people.add_person(self.admin, badge, name, [role])

    @property
    def admin(self) -> Session:
        return self.as_badge("X1")

    def as_badge(self, badge: str, *, signs: bool = True) -> Session:
        return make_session(self.store, config.Settings(self.url, badge=badge), signs=signs)

    def prove(self, badge: str, secret: str, *, store: Store | None = None, **how: Any) -> str:
        used = store or self.store
        with used.read() as conn:
            plant = lookups.plant(conn)
        return accounts.prove(used, plant, badge, secret, **how)

    def account(self, badge: str) -> lookups.Account:
        with self.store.read() as conn:
            return lookups.account(conn, badge)

    def acts(self) -> list[str]:
        with self.store.read() as conn:
            return [row.act for row in lookups.trail_rows(conn)]

    def fail(self, badge: str, times: int) -> list[str]:
        said = []
        for _ in range(times):
            with pytest.raises(Refused) as refused:
                self.prove(badge, "wrong, quite wrong")
            said.append(str(refused.value))
        return said


@pytest.fixture
def plant(store_url: str) -> Iterator[Plant]:
    made = Plant(store_url)
    with made.store:
        yield made


# Hashes and rules.


def test_a_hash_is_argon2id_of_the_recommended_cost_and_takes_a_bearable_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """RFC 9106, section 4: second recommended option: t=3, p=4, m=2^16 KiB. What a sign-on costs: see the benchmark."""
    monkeypatch.setattr(passwords, "COST", passwords.Cost(3, 1 << 16, 4))
    begun = time.process_time()
    made = passwords.hashed(PASSWORD)
    assert time.process_time() - begun < 2.0
    assert made.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert len(made) <= 200
    assert passwords.fits(made, PASSWORD)
    assert not passwords.fits(made, PASSWORD + " ")


def test_the_product_hashes_with_that_cost(program_env: dict[str, str]) -> None:
    """The tests' cheap cost is patched in their own process; another process has the product's."""
    import subprocess
    import sys

    code = "from qualrec.work import passwords as p; print(p.COST.passes, p.COST.memory_kib, p.COST.lanes)"
    done = subprocess.run(
        [sys.executable, "-c", code], env=program_env, capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == ["3", "65536", "4"]


def test_a_hash_fits_by_the_library_itself() -> None:
    """Compared outside the product: argon2-cffi's own verification, and two hashes of one password differ (salt)."""
    from argon2 import PasswordHasher

    first, second = passwords.hashed(PASSWORD), passwords.hashed(PASSWORD)
    assert first != second
    assert PasswordHasher().verify(first, PASSWORD)


@given(st.text(max_size=30), st.text(max_size=30))
def test_only_the_same_text_fits(one: str, other: str) -> None:
    import unicodedata

    same = unicodedata.normalize("NFC", one) == unicodedata.normalize("NFC", other)
    assert passwords.fits(passwords.hashed(one), other) == same


def test_only_the_sample_plant_hashes_at_no_cost() -> None:
    """Its secrets are printed anyway. Read from the sources: nobody else calls it."""
    from argon2 import extract_parameters

    import qualrec

    made = passwords.hashed_in_the_open(PASSWORD)
    assert made == passwords.hashed_in_the_open(PASSWORD)
    assert passwords.fits(made, PASSWORD)
    assert extract_parameters(made).memory_cost == 8
    users = {
        path.name
        for path in Path(qualrec.__file__).parent.rglob("*.py")
        if "hashed_in_the_open" in path.read_text(encoding="utf-8")
    }
    assert users == {"passwords.py", "sample_plant.py"}


@pytest.mark.parametrize("stored", ["", "x", "$argon2id$v=19$broken"])
def test_what_is_no_hash_fits_nothing(stored: str) -> None:
    assert not passwords.fits(stored, "")
    assert not passwords.fits(stored, stored)


@pytest.mark.parametrize(
    ("kind", "secret", "wrong"),
    [
        ("password", "nine sign", True),
        ("password", "ten signs!", False),
        ("password", "x" * 201, True),
        ("password", "a badge number", True),
        ("password", "ten\x1bsigns!", True),
        ("password", " ten signs ", True),
        ("PIN", "123", True),
        ("PIN", "1234", False),
        ("PIN", "123456789012", False),
        ("PIN", "1234567890123", True),
        ("PIN", "12a4", True),
        ("PIN", "٣٤٥٦", True),
        ("PIN", "7777", True),
    ],
)
def test_rules_are_plain_and_never_repeat_the_secret(kind: Any, secret: str, wrong: bool) -> None:
    if not wrong:
        passwords.check_rules(kind, secret)
        return
    with pytest.raises(UsageError) as refused:
        passwords.check_rules(kind, secret, "A BADGE NUMBER")
    assert secret not in str(refused.value)
    assert refused.value.remedy


# First start.


def test_first_start_makes_an_administrator_who_cannot_touch_records(plant: Plant) -> None:
    assert plant.admin.accounts
    assert not plant.admin.plant.single_user
    assert plant.admin.actor.roles == {"administrator"}
    assert plant.prove("X1", PASSWORD) == "password"


def test_a_second_start_is_refused_and_a_weak_password_makes_nothing(plant: Plant, empty_url: str) -> None:
    from qualrec.errors import DatabaseError

    said: dict[str, Any] = {"code": "P2", "name": "Two", "zone": "UTC", "decimal_style": "point"}
    with pytest.raises(DatabaseError, match="already holds"):
        set_up.check_empty(plant.url)
    with pytest.raises(UsageError):
        set_up.create(empty_url, **said, person="A", badge="A", password="short")
    set_up.check_empty(empty_url)


def test_one_person_without_accounts_goes_on_to_accounts_and_never_back(
    store_url: str, tmp_path: Path
) -> None:
    set_up.create(
        store_url, code="P1", name="Invented", zone="UTC", decimal_style="point", person="Single user"
    )
    settings = config.Settings(store_url)
    with open_session(settings) as session:
        assert not session.accounts
        write_archive(session.store, tmp_path / "archive")
        assert "P1 keeps NO ACCOUNTS" in (tmp_path / "archive" / "README.txt").read_text(encoding="utf-8")
        assert "NO ACCOUNTS" in people.accounts_sentence(session)
        with pytest.raises(Refused, match="No administrator has a password"):
            people.keep_accounts(session, reason="We are two now")
        people.set_secret(session, "1", "password", PASSWORD)
        with pytest.raises(UsageError):
            people.keep_accounts(session, reason=" ")
        people.keep_accounts(session, reason="We are two now")
    with pytest.raises(Refused, match="prove"), open_session(config.Settings(store_url, badge="1")):
        pass
    with open_session(config.Settings(store_url, badge="1"), lambda actor: PASSWORD) as session:
        assert session.accounts
        assert session.signs
        assert "keeps accounts" in people.accounts_sentence(session)


# Proof, failures, locks.


def test_password_and_pin_prove_who_acts(plant: Plant) -> None:
    people.set_secret(plant.admin, "T1", "PIN", PIN)
    assert plant.prove("T1", PIN) == "PIN"
    with pytest.raises(Refused, match="has no password and cannot sign"):
        plant.prove("T1", PIN, password_only=True)
    people.set_secret(plant.admin, "T1", "password", PASSWORD)
    assert plant.prove("T1", PASSWORD) == "password"
    with pytest.raises(Refused, match="Wrong password for Tom Tester"):
        plant.prove("T1", PIN, password_only=True)
    with pytest.raises(Refused, match="neither a password nor a PIN"):
        plant.prove("T2", "anything at all")
    with pytest.raises(UnknownRecord):
        plant.prove("t1", PIN)


def test_five_failures_lock_for_a_time_whatever_the_station_and_after_a_restart(plant: Plant) -> None:
    people.set_secret(plant.admin, "T1", "password", PASSWORD)
    said = plant.fail("T1", 3)
    assert "2 more failures lock" in said[-1]
    with open_store(plant.url, clock=lambda: plant.now) as other:
        with pytest.raises(Refused, match="1 more failure locks"):
            plant.prove("T1", "wrong, quite wrong", store=other)
        with pytest.raises(Refused, match="locked for 15 min after 5 failures"):
            plant.prove("T1", "wrong, quite wrong", store=other)
    with pytest.raises(Refused, match="is locked until 2026-"):
        plant.prove("T1", PASSWORD)
    assert plant.account("T1").failed == 5  # a locked badge is not tried, so nothing more is counted
    plant.now += 15 * MINUTE_US - 1
    with pytest.raises(Refused, match="locked until"):
        plant.prove("T1", PASSWORD)
    plant.now += 1
    assert plant.prove("T1", PASSWORD) == "password"
    assert plant.account("T1").failed == 0
    assert plant.acts()[:6] == ["signed on after failures", "person locked", *["sign-on failed"] * 4]


def test_locks_grow_to_a_day_while_failures_go_on() -> None:
    found = {failed: accounts.lock_us(failed) // MINUTE_US for failed in range(1, 61)}
    assert {failed: m for failed, m in found.items() if m} == {
        5: 15, 10: 30, 15: 60, 20: 120, 25: 240, 30: 480, 35: 960,
        40: 1440, 45: 1440, 50: 1440, 55: 1440, 60: 1440,
    }  # fmt: skip
    assert accounts.lock_us(10**6) == accounts.LONGEST_LOCK_US


def test_a_success_between_failures_begins_the_count_anew(plant: Plant) -> None:
    people.set_secret(plant.admin, "T1", "PIN", PIN)
    plant.fail("T1", 4)
    assert plant.prove("T1", PIN) == "PIN"
    plant.fail("T1", 4)
    assert plant.prove("T1", PIN) == "PIN"


def test_who_is_locked_cannot_act_though_signed_on_before(plant: Plant) -> None:
    people.set_secret(plant.admin, "Q1", "password", PASSWORD)
    before = plant.as_badge("Q1")
    plant.fail("Q1", 5)
    with (
        pytest.raises(Refused, match="locked after failed sign-ons and cannot act; nothing was stored"),
        plant.store.write(before.actor),
    ):
        pass
    with pytest.raises(Refused, match="is locked until"):
        plant.as_badge("Q1")
    with pytest.raises(UsageError, match="reason"):
        people.unlock(plant.admin, "Q1", reason=" ")
    assert "may sign on again" in people.unlock(plant.admin, "Q1", reason="Typed by a colleague")
    assert plant.prove("Q1", PASSWORD) == "password"


def test_a_right_secret_found_while_others_fail_is_refused(
    plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Many tries at the same time do not get round the lock: it is looked at again after the hash."""
    people.set_secret(plant.admin, "T1", "password", PASSWORD)
    real = passwords.fits

    def slow(stored: str, secret: str) -> bool:
        if secret == PASSWORD:
            monkeypatch.setattr(passwords, "fits", real)
            plant.fail("T1", 5)
        return real(stored, secret)

    monkeypatch.setattr(passwords, "fits", slow)
    with pytest.raises(Refused, match="is locked until"):
        plant.prove("T1", PASSWORD)


def test_leavers_are_disabled_and_kept(plant: Plant) -> None:
    people.set_secret(plant.admin, "T1", "password", PASSWORD)
    before = plant.as_badge("T1")
    people.change_person(plant.admin, "T1", state="disabled", reason="Left the house")
    with pytest.raises(Refused, match="is disabled and cannot act"):
        plant.prove("T1", PASSWORD)
    with pytest.raises(Refused, match="is disabled"):
        plant.as_badge("T1")
    with pytest.raises(Refused, match="is disabled and cannot act"), plant.store.write(before.actor):
        pass
    assert plant.account("T1").person.name == "Tom Tester"
    people.change_person(plant.admin, "T1", state="active", reason="Came back")
    assert plant.prove("T1", PASSWORD) == "password"


def test_an_administrator_neither_shuts_nor_helps_themselves(plant: Plant) -> None:
    for given_ in ({"state": "disabled"}, {"take": ["administrator"]}, {"give": ["quality engineer"]}):
        with pytest.raises(Refused):
            people.change_person(plant.admin, "X1", reason="x", **given_)


def test_everybody_sets_their_own_secret_and_an_administrator_all(plant: Plant) -> None:
    people.set_secret(plant.admin, "T1", "password", PASSWORD)
    own = plant.as_badge("T1", signs=False)
    with pytest.raises(Refused, match="may not manage people"):
        people.set_secret(own, "T2", "PIN", PIN)
    with pytest.raises(Refused, match="asked before it changes"):
        people.set_secret(own, "T1", "PIN", PIN)
    with pytest.raises(Refused, match="Wrong password"):
        people.set_secret(own, "T1", "PIN", PIN, current="not that one")
    people.set_secret(own, "T1", "PIN", PIN, current=PASSWORD)
    assert plant.prove("T1", PIN) == "PIN"
    with pytest.raises(UsageError, match="no PIN"):
        people.set_secret(plant.admin, "T1", "PIN", "12")


def test_no_secret_stands_anywhere_but_as_a_hash_in_its_column(plant: Plant, tmp_path: Any) -> None:
    from sqlalchemy import text

    from qualrec.records.models import metadata

    people.set_secret(plant.admin, "T1", "password", PASSWORD)
    people.set_secret(plant.admin, "T1", "PIN", PIN)
    plant.fail("T1", 2)
    made = plant.account("T1")
    held = (PASSWORD, PIN, made.password_hash, made.pin_hash)
    with plant.store.read() as conn:
        for name in metadata.tables:
            for row in conn.execute(text(f"SELECT * FROM {name}")).mappings():
                for column, value in row.items():
                    assert PASSWORD not in str(value)
                    if not column.endswith("_hash"):
                        assert not any(secret in str(value) for secret in held[2:]), (name, column)
        told = conn.execute(text("SELECT content FROM trail")).scalars().all()
    assert not any(PIN in content for content in told)
    assert made.password_hash not in repr(made)
    write_archive(plant.store, tmp_path / "archive")
    for path in (tmp_path / "archive").iterdir():
        written = path.read_text(encoding="utf-8")
        assert not any(secret in written for secret in (PASSWORD, *held[2:])), path.name


def test_the_trail_with_failures_and_locks_still_verifies(plant: Plant) -> None:
    from qualrec.work import safekeeping

    people.set_secret(plant.admin, "T1", "password", PASSWORD)
    plant.fail("T1", 5)
    plant.now += 15 * MINUTE_US
    plant.prove("T1", PASSWORD)
    assert safekeeping.verify(plant.admin, lambda text: None, sums=False).ok


# Authorisations.


def pull(code: str = "PULL", family: str = "pull tester") -> Characteristic:
    return Characteristic(
        id=1, revision_id=1, revision=1, valid_from_us=0, part_id=1, code=code, name="Pull force",
        hangs_on="lot", kind="measured", quantity="force", unit="N", gauge_family=family,
    )  # fmt: skip


def check(plant: Plant, badge: str, characteristic: Characteristic) -> None:
    session = plant.as_badge(badge)
    with plant.store.read() as conn:
        check_authorised(conn, session, characteristic, plant.now)


@pytest.fixture
def tests_known(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(authorisations, "_check_test", lambda conn, test: None)


def test_a_plant_without_authorisations_blocks_nobody(plant: Plant) -> None:
    check(plant, "T1", pull())
    check(plant, "Q1", pull("COL", ""))


@pytest.mark.usefixtures("tests_known")
def test_with_the_first_one_every_reading_needs_one_until_its_last_day(plant: Plant) -> None:
    quality = plant.as_badge("Q1")
    assert "from now on" in authorise(quality, "T1", "PULL", "2026-06-30")
    assert "from now on" not in authorise(quality, "T2", "pull tester")
    check(plant, "T1", pull())
    check(plant, "T2", pull())
    with pytest.raises(Refused, match=r"Tom Tester is not authorised for Pull force \(COL or pull tester\)"):
        check(plant, "T1", pull("COL"))
    with pytest.raises(Refused, match="not authorised"):
        check(plant, "Q1", pull())
    end = leaves(quality, badge="T1")[0].authorisation.until_us
    assert end is not None
    plant.now = end
    check(plant, "T1", pull())
    plant.now = end + 1
    with pytest.raises(Refused, match=r"the authorisation ended 2026-06-30 23:59; nothing was stored"):
        check(plant, "T1", pull())
    check(plant, "T2", pull())
    authorise(quality, "T1", "PULL", "2026-12-31")
    check(plant, "T1", pull())


@pytest.mark.usefixtures("tests_known")
def test_those_that_end_soon_come_first_and_can_be_taken_back(plant: Plant) -> None:
    quality = plant.as_badge("Q1")
    authorise(quality, "T2", "TRN")
    authorise(quality, "T1", "COL", "2026-12-31")
    authorise(quality, "T1", "PULL", "2026-06-10")
    assert [(one.authorisation.test, one.state) for one in leaves(quality)] == [
        ("PULL", "ends soon"), ("COL", "holds"), ("TRN", "holds")]  # fmt: skip
    assert [one.authorisation.test for one in leaves(quality, within_days=20)] == ["PULL"]
    plant.now += 20 * DAY_US
    assert leaves(quality)[0].state == "ended"
    with pytest.raises(UsageError):
        take_back(quality, "T1", "PULL", reason="")
    take_back(quality, "T1", "PULL", reason="Moved to another line")
    with pytest.raises(UnknownRecord):
        take_back(quality, "T1", "PULL", reason="Again")
    assert [one.authorisation.test for one in leaves(quality)] == ["COL", "TRN"]


@pytest.mark.usefixtures("tests_known")
def test_who_may_authorise(plant: Plant) -> None:
    for badge in ("X1", "Q1"):
        authorise(plant.as_badge(badge), "T1", "PULL")
    with pytest.raises(Refused, match="Nobody authorises themselves"):
        authorise(plant.as_badge("Q1"), "Q1", "PULL")
    with pytest.raises(Refused, match="may not authorise people"):
        authorise(plant.as_badge("T1"), "T2", "PULL")
    with pytest.raises(UsageError, match="no day"):
        authorise(plant.admin, "T2", "PULL", "tomorrow")
    with pytest.raises(UsageError, match="ended already"):
        authorise(plant.admin, "T2", "PULL", "2020-01-01")


def test_only_tests_of_the_plant_can_be_authorised(plant: Plant) -> None:
    with pytest.raises(UsageError, match="neither a characteristic nor a gauge family"):
        authorise(plant.admin, "T1", "PULL")


def test_every_refusal_says_what_to_do(plant: Plant) -> None:
    errors: list[QualrecError] = []
    for secret in ("wrong one", "another wrong one"):
        with pytest.raises(Refused) as refused:
            plant.prove("X1", secret)
        errors.append(refused.value)
        assert secret not in str(refused.value)
    assert all(error.remedy for error in errors)


def test_a_session_of_somebody_else_never_signs_with_the_first_password(plant: Plant) -> None:
    other = plant.admin.acting(Actor(1, "Somebody"))
    assert plant.admin.signs
    assert not other.signs
