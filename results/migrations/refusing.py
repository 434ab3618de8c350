"""Triggers that refuse every change of what is stored, for both kinds of database.

SQLite's also refuse INSERT OR REPLACE: it would delete the old row without firing a DELETE trigger
unless the connection asks for it. PostgreSQL's fire once a statement, so that ON CONFLICT DO UPDATE
and TRUNCATE are refused as well.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from alembic import op

SQLITE = {
    "update": "BEFORE UPDATE ON {table} BEGIN SELECT RAISE(ABORT, '{words}'); END",
    "delete": "BEFORE DELETE ON {table} BEGIN SELECT RAISE(ABORT, '{words}'); END",
    "replace": (
        "BEFORE INSERT ON {table} WHEN EXISTS (SELECT 1 FROM {table} WHERE {same})"
        " BEGIN SELECT RAISE(ABORT, '{words}'); END"
    ),
}
POSTGRESQL = {
    name: f"BEFORE {name.upper()} ON {{table}} EXECUTE FUNCTION append_only()"
    for name in ("update", "delete", "truncate")
}
TRIGGERS = {"sqlite": SQLITE, "postgresql": POSTGRESQL}
REFUSE = """
CREATE OR REPLACE FUNCTION append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN RAISE EXCEPTION '% are append-only', TG_TABLE_NAME USING ERRCODE = 'integrity_constraint_violation';
END $$
"""


def kind() -> str:
    """sqlite or postgresql."""
    return op.get_context().dialect.name


def append_only(table: str, same: str) -> None:
    """From now on the table's rows stay. ``same``: which old row a ``NEW`` one would replace."""
    if kind() == "postgresql":
        op.execute(REFUSE)
    for name, refusal in TRIGGERS[kind()].items():
        body = refusal.format(table=table, same=same, words=f"{table} are append-only")
        op.execute(f"CREATE TRIGGER {table}_no_{name} {body}")


@contextmanager
def changeable(table: str, same: str) -> Iterator[None]:
    """For a migration only: without the table's triggers until the end of the block."""
    on_table = f" ON {table}" if kind() == "postgresql" else ""
    for name in TRIGGERS[kind()]:
        op.execute(f"DROP TRIGGER {table}_no_{name}{on_table}")
    yield
    append_only(table, same)
