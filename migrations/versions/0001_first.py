"""All tables, the rows 0 of `stream` and `condition`, and the guards of what is never changed.

The tables lie in ../sql/0001_tables_*.sql in one form for both databases. The guards are triggers:

- UPDATE and DELETE are refused on `reading` and its side tables, corrections, the trail, signatures, dispositions and what
  was done to flags. Rows of a batch that is not accepted may be deleted, never changed.
- An accepted batch is final. An approved recipe revision keeps its content, its settings and its windows. Frozen
  limits may only become superseded.
- On PostgreSQL TRUNCATE is refused as well. (SQLite has none; REPLACE fires the DELETE triggers because every connection
  of the program sets recursive_triggers.)
"""

from __future__ import annotations

import re
from pathlib import Path

from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

SQL = Path(__file__).resolve().parent.parent / "sql"

APPEND_ONLY = (
    "reading_entry",
    "welded_unit",
    "correction",
    "trail",
    "trail_anchor",
    "signature",
    "flag_action",
    "flag_finding",
    "judgement",
    "entry_attempt",
    "disposition",
)

# Conditions over OLD and NEW under which a change is refused; `{differs}` is IS NOT or IS DISTINCT FROM.
RECIPE_KEPT = (
    "id",
    "recipe_id",
    "revision",
    "reason",
    "author_id",
    "created_us",
    "approver_id",
    "approved_us",
    "valid_from_us",
    "signature_id",
)
LIMITS_KEPT = (
    "id",
    "plant_id",
    "characteristic_id",
    "stream_id",
    "condition_id",
    "recipe_revision_id",
    "station_id",
    "version",
    "chart",
    "centre",
    "sigma",
    "lower",
    "upper",
    "ewma_lambda",
    "ewma_width",
    "spread_centre",
    "spread_sigma",
    "estimator",
    "from_us",
    "made_us",
    "frozen_us",
    "person_id",
    "signature_id",
    "reason",
)
STAGED_READING = "EXISTS (SELECT 1 FROM batch WHERE batch.id = OLD.batch_id AND batch.state <> 'accepted')"
STAGED_PULL = (
    "EXISTS (SELECT 1 FROM reading JOIN batch ON batch.id = reading.batch_id WHERE batch.state <> 'accepted'"
    " AND reading.subject_id = OLD.subject_id AND reading.characteristic_id = OLD.characteristic_id"
    " AND reading.stream_id = OLD.stream_id AND reading.sample = OLD.sample)"
)
DRAFT = "EXISTS (SELECT 1 FROM recipe_revision WHERE id = {row}.recipe_revision_id AND state = 'draft')"
TRIAL = "EXISTS (SELECT 1 FROM limits WHERE id = OLD.limits_id AND state = 'trial')"


def guards(differs: str) -> list[tuple[str, str, str, str]]:
    """(table, event, condition of refusal, message); an empty condition always refuses."""
    recipe = " OR ".join(f"NEW.{c} {differs} OLD.{c}" for c in RECIPE_KEPT)
    limits = " OR ".join(f"NEW.{c} {differs} OLD.{c}" for c in LIMITS_KEPT)
    kept = "rows are never changed or removed; enter a correction"
    found = [(table, event, "", kept) for table in APPEND_ONLY for event in ("UPDATE", "DELETE")]
    found += [(table, "UPDATE", "", kept) for table in ("reading", "pull")]
    found += [
        ("reading", "DELETE", f"NOT {STAGED_READING}", kept),
        ("pull", "DELETE", f"NOT {STAGED_PULL}", kept),
        ("batch", "UPDATE", "OLD.state = 'accepted'", "an accepted batch is final"),
        ("batch", "DELETE", "OLD.state = 'accepted'", "an accepted batch is final"),
        ("trail_head", "UPDATE", "NEW.seq < OLD.seq", "the trail only grows"),
        ("trail_head", "DELETE", "", "the trail only grows"),
        (
            "recipe_revision",
            "UPDATE",
            f"OLD.state <> 'draft' AND ({recipe} OR (NEW.state <> OLD.state AND NOT"
            " (OLD.state = 'approved' AND NEW.state IN ('superseded', 'withdrawn'))))",
            "an approved revision keeps its content; make a new revision",
        ),
        (
            "recipe_revision",
            "DELETE",
            "OLD.state <> 'draft'",
            "an approved revision keeps its content; make a new revision",
        ),
        (
            "limits",
            "UPDATE",
            f"OLD.state <> 'trial' AND ({limits} OR (NEW.state <> OLD.state AND NOT"
            " (OLD.state = 'frozen' AND NEW.state = 'superseded')))",
            "frozen limits are never edited; freeze new ones",
        ),
        ("limits", "DELETE", "OLD.state <> 'trial'", "frozen limits are never edited; freeze new ones"),
        ("limits_lot", "UPDATE", f"NOT {TRIAL}", "frozen limits are never edited; freeze new ones"),
        ("limits_lot", "DELETE", f"NOT {TRIAL}", "frozen limits are never edited; freeze new ones"),
    ]
    for table in ("recipe_setting", "qualified_window"):
        for event in ("INSERT", "UPDATE", "DELETE"):
            rows = {"INSERT": ("NEW",), "UPDATE": ("NEW", "OLD"), "DELETE": ("OLD",)}[event]
            condition = " OR ".join(f"NOT {DRAFT.format(row=row)}" for row in rows)
            found.append(
                (table, event, condition, "an approved revision keeps its settings; make a new revision")
            )
    return found


def sqlite_guards() -> None:
    for table, event, condition, message in guards("IS NOT"):
        when = f" WHEN {condition}" if condition else ""
        op.execute(
            f"CREATE TRIGGER keep_{table}_{event.lower()} BEFORE {event} ON {table}{when}"
            f" BEGIN SELECT RAISE(ABORT, '{table}: {message}'); END"
        )


def postgresql_guards() -> None:
    for table, event, condition, message in guards("IS DISTINCT FROM"):
        name = f"keep_{table}_{event.lower()}"
        refuse = f"RAISE EXCEPTION '{table}: {message}' USING ERRCODE = 'restrict_violation';"
        body = f"IF {condition} THEN {refuse} END IF;" if condition else refuse
        back = "OLD" if event == "DELETE" else "NEW"
        op.execute(
            f"CREATE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN {body} RETURN {back}; END $$"
        )
        op.execute(f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW EXECUTE FUNCTION {name}()")
    op.execute(
        "CREATE FUNCTION keep_from_truncate() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN"
        " RAISE EXCEPTION '%: rows are never changed or removed; enter a correction', TG_TABLE_NAME"
        " USING ERRCODE = 'restrict_violation'; END $$"
    )
    op.execute("CREATE TABLE reading_pdefault PARTITION OF reading DEFAULT")
    kept = (
        "reading",
        "reading_pdefault",
        "pull",
        "batch",
        "recipe_revision",
        "recipe_setting",
    )
    for table in (*APPEND_ONLY, *kept, "qualified_window", "limits", "limits_lot", "trail_head"):
        op.execute(
            f"CREATE TRIGGER keep_{table}_truncate BEFORE TRUNCATE ON {table}"
            " FOR EACH STATEMENT EXECUTE FUNCTION keep_from_truncate()"
        )


def tables(sqlite: bool) -> list[str]:
    """CREATE statements for one kind of database."""
    text = "".join((SQL / f"0001_tables_{half}.sql").read_text(encoding="utf-8") for half in (1, 2))
    text = re.sub(r"^--.*$", "", text, flags=re.MULTILINE)
    if sqlite:
        text = text.replace("BIGINT", "INTEGER").replace("DOUBLE PRECISION", "DOUBLE")
        text = text.replace("/* narrow */", "WITHOUT ROWID")
        text = text.replace("/* ranged */", "")
    else:
        text = text.replace("/* narrow */", "").replace("/* ranged */", "PARTITION BY RANGE (subject_id)")
    return [statement.strip() for statement in text.split(";") if statement.strip()]


def upgrade() -> None:
    sqlite = op.get_bind().dialect.name == "sqlite"
    for statement in tables(sqlite):
        op.get_bind().exec_driver_sql(statement)
    op.execute("INSERT INTO stream (id, nest, label) VALUES (0, '', '')")
    op.execute(
        "INSERT INTO condition (id, geometry, position, fixture, conditioning, stop_mode, digest)"
        f" VALUES (0, '', '', '', '', '', '{'0' * 64}')"
    )
    if sqlite:
        sqlite_guards()
    else:
        postgresql_guards()


def downgrade() -> None:
    raise NotImplementedError(
        "Records are never taken back; restore the copy that was made before the upgrade."
    )
