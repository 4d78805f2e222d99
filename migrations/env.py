"""Alembic environment: one connection, one transaction, on SQLite and PostgreSQL alike.

`qualrec db upgrade` hands its connection over in `config.attributes["connection"]`. A developer who calls alembic itself
gives the database with `-x url=...`.
"""

from __future__ import annotations

from alembic import context
from sqlalchemy import Connection, create_engine, pool

from qualrec.records.models import metadata

config = context.config


def include_object(item: object, name: str | None, kind: str, reflected: bool, against: object) -> bool:
    """Partitions of `reading` are made by the program, so they are no difference to the models."""
    owner = name if kind == "table" else getattr(getattr(item, "table", None), "name", "")
    return not (reflected and str(owner).startswith("reading_p"))


def run(connection: Connection) -> None:
    context.configure(
        connection=connection,
        target_metadata=metadata,
        include_object=include_object,
        render_as_batch=connection.dialect.name == "sqlite",
        transactional_ddl=True,
        transaction_per_migration=False,
    )
    with context.begin_transaction():
        context.run_migrations()


given = config.attributes.get("connection")
if given is not None:
    run(given)
else:
    url = context.get_x_argument(as_dictionary=True).get("url")
    if not url:
        raise SystemExit("Give the database: alembic -x url=sqlite:///file.sqlite ...")
    with create_engine(url, poolclass=pool.NullPool).connect() as opened:
        run(opened)
        opened.commit()
