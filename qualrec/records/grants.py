"""Rights on a PostgreSQL server, as SQL that its administrator runs: who owns, who works, who reads.

- The owner owns all tables and upgrades the schema. Nobody works as the owner.
- The working role inserts, and updates only tables whose rows change. It may never UPDATE, DELETE or TRUNCATE readings, their
  side tables, corrections, the trail, signatures and whatever else is append-only, nor switch a guard off. Two things that
  need more are functions of the owner with their own checks: a new partition of `reading`, and removing rows of an import
  that was never accepted.
- The reading role reads, without digests of passwords and PINs.

The roles are groups without login; the accounts of stations become members. The script may be run again, and must be after an
upgrade of the schema.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from qualrec.errors import UsageError
from qualrec.records.clearing import KEY
from qualrec.records.guards import APPEND_ONLY, OWN, REMOVABLE
from qualrec.records.ids import COUNTER_BITS
from qualrec.records.models import metadata
from qualrec.records.partitions import RANGE_BITS, statements

CHANGED_BY_LEDGER = frozenset({"rollup", "mode_count", "shape", "batch", "id_counter", "trail_head"})
"""Tables of the ledger whose rows change: sums, the state of an import, counters."""
REBUILT = frozenset({"rollup", "mode_count", "shape"})
"""Sums that are taken away and made anew from the readings."""
SECRET = {"person": ("password_hash", "pin_hash")}
_NAME = re.compile(r"[a-z_][a-z0-9_]{0,62}")


@dataclass(frozen=True, slots=True)
class Roles:
    """Names of the three roles and of the schema."""

    owner: str = "qualrec_owner"
    app: str = "qualrec_app"
    reader: str = "qualrec_reader"
    schema: str = "public"

    def __post_init__(self) -> None:
        names = (self.owner, self.app, self.reader, self.schema)
        for name in names:
            if not _NAME.fullmatch(name):
                raise UsageError(
                    f"{name!r} cannot name a role or schema here.",
                    "Use small letters, digits and _, at most 63, beginning with a letter.",
                )
        if len(set(names[:3])) < 3:
            raise UsageError("The three roles must differ.", "Name three roles.")


def changed_tables() -> tuple[str, ...]:
    """Tables whose rows the working role may update."""
    return tuple(sorted((metadata.tables.keys() - OWN - APPEND_ONLY) | CHANGED_BY_LEDGER))


def removable_tables() -> tuple[str, ...]:
    """Tables from which the working role may remove rows."""
    return tuple(sorted(REMOVABLE | REBUILT))


def script(roles: Roles) -> str:
    """The SQL, to be run in the database of the plant by an administrator of the server."""
    return "\n".join(
        [_head(roles), _owner(roles), _working(roles), _reading(roles), _functions(roles), "COMMIT;\n"]
    )


def _head(roles: Roles) -> str:
    made = "\n".join(
        f"  IF to_regrole('{name}') IS NULL THEN CREATE ROLE {name} NOLOGIN; END IF;"
        for name in (roles.owner, roles.app, roles.reader)
    )
    return f"""-- Rights on a PostgreSQL server. Run in the database of the plant by an administrator:
--   qualrec db grants > grants.sql && psql -v ON_ERROR_STOP=1 -d PLANT -f grants.sql
-- Then make an account for each station a member:  CREATE ROLE bench_1 LOGIN IN ROLE {roles.app};
-- Run it again after: qualrec db upgrade (as a member of {roles.owner}).
BEGIN;
SET LOCAL search_path = {roles.schema};
DO $$ BEGIN
{made}
  EXECUTE format('REVOKE ALL ON DATABASE %I FROM PUBLIC', current_database());
  EXECUTE format('GRANT CONNECT ON DATABASE %I TO {roles.owner}, {roles.app}, {roles.reader}', current_database());
END $$;
REVOKE ALL ON SCHEMA {roles.schema} FROM PUBLIC;
GRANT USAGE ON SCHEMA {roles.schema} TO {roles.app}, {roles.reader};
GRANT USAGE, CREATE ON SCHEMA {roles.schema} TO {roles.owner};
"""


def _owner(roles: Roles) -> str:
    return f"""-- The owner has every table and function.
DO $$ DECLARE found record; BEGIN
  FOR found IN SELECT c.oid::regclass AS name FROM pg_class c
      WHERE c.relnamespace = '{roles.schema}'::regnamespace AND c.relkind IN ('r', 'p') LOOP
    EXECUTE format('ALTER TABLE %s OWNER TO {roles.owner}', found.name);
    EXECUTE format('REVOKE ALL ON TABLE %s FROM PUBLIC, {roles.app}, {roles.reader}', found.name);
  END LOOP;
  FOR found IN SELECT p.oid::regprocedure AS name FROM pg_proc p
      WHERE p.pronamespace = '{roles.schema}'::regnamespace LOOP
    EXECUTE format('ALTER FUNCTION %s OWNER TO {roles.owner}', found.name);
  END LOOP;
END $$;
"""


def _working(roles: Roles) -> str:
    return f"""-- The working role: everything may be added, what is append-only is never changed or removed.
GRANT SELECT, INSERT ON ALL TABLES IN SCHEMA {roles.schema} TO {roles.app};
REVOKE INSERT ON alembic_version FROM {roles.app};
GRANT UPDATE ON {", ".join(changed_tables())} TO {roles.app};
GRANT DELETE ON {", ".join(removable_tables())} TO {roles.app};
"""


def _reading(roles: Roles) -> str:
    lines = ["-- The reading role: everything but digests of passwords and PINs."]
    lines.append(f"GRANT SELECT ON ALL TABLES IN SCHEMA {roles.schema} TO {roles.reader};")
    for name, hidden in SECRET.items():
        shown = ", ".join(c.name for c in metadata.tables[name].c if c.name not in hidden)
        lines.append(f"REVOKE SELECT ON {name} FROM {roles.reader};")
        lines.append(f"GRANT SELECT ({shown}) ON {name} TO {roles.reader};")
    return "\n".join(lines) + "\n"


def _functions(roles: Roles) -> str:
    """What the working role may do only through the owner."""
    ranges = 1 << (COUNTER_BITS - RANGE_BITS)
    made = "\n".join(
        f"  EXECUTE format('{statement}', name, low, high);"
        for statement in statements("%1$I", "%2$s", "%3$s")
    ).replace("keep_%1$I_truncate", "keep_%1$s_truncate")
    some = f"SELECT {KEY} FROM reading WHERE batch_id = batch ORDER BY {KEY} LIMIT most"
    return f"""-- A partition of reading for a range of subjects that the plant has reached.
CREATE OR REPLACE FUNCTION make_reading_partition(plant bigint, range_index bigint) RETURNS void
LANGUAGE plpgsql SECURITY DEFINER SET search_path = {roles.schema}, pg_temp AS $$
DECLARE
  name text := format('reading_p%s_%s', plant, range_index);
  low bigint := (plant << {COUNTER_BITS}) + (range_index << {RANGE_BITS});
  high bigint := low + (1::bigint << {RANGE_BITS});
  reached bigint := (SELECT (next_value >> {RANGE_BITS}) + 1 FROM id_counter WHERE plant_id = plant);
BEGIN
  IF reached IS NULL OR range_index < 0 OR range_index > reached OR range_index >= {ranges} THEN
    RAISE EXCEPTION 'plant % has not reached range %', plant, range_index;
  END IF;
  IF to_regclass(name) IS NOT NULL THEN RETURN; END IF;
{made}
END $$;

-- Rows of an import that does not count.
CREATE OR REPLACE FUNCTION clear_staged_rows(batch bigint, most integer) RETURNS bigint
LANGUAGE plpgsql SECURITY DEFINER SET search_path = {roles.schema}, pg_temp AS $$
DECLARE gone bigint;
BEGIN
  IF NOT EXISTS (SELECT 1 FROM batch b WHERE b.id = clear_staged_rows.batch AND b.state <> 'accepted') THEN
    RAISE EXCEPTION 'batch % counts; its rows are never removed', batch;
  END IF;
  DELETE FROM pull WHERE ({KEY}) IN ({some});
  DELETE FROM reading WHERE ({KEY}) IN ({some});
  GET DIAGNOSTICS gone = ROW_COUNT;
  RETURN gone;
END $$;

ALTER FUNCTION make_reading_partition(bigint, bigint) OWNER TO {roles.owner};
ALTER FUNCTION clear_staged_rows(bigint, integer) OWNER TO {roles.owner};
REVOKE ALL ON FUNCTION make_reading_partition(bigint, bigint), clear_staged_rows(bigint, integer) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION make_reading_partition(bigint, bigint), clear_staged_rows(bigint, integer) TO {roles.app};
"""
