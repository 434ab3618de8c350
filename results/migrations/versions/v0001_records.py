"""Records, traces, and what kind of home this is; all three append-only.

The triggers also refuse INSERT OR REPLACE: it would delete the old row without firing a DELETE
trigger unless the connection asks for it.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

# table: which old row a new one would replace
SAME_ROW = {
    "home": "id = NEW.id",
    "records": ("id = NEW.id OR (bench = NEW.bench AND seq = NEW.seq) OR closes = NEW.closes"),
    "traces": "sha256 = NEW.sha256",
}
REFUSALS = {
    "update": "BEFORE UPDATE ON {table} BEGIN SELECT RAISE(ABORT, '{words}'); END",
    "delete": "BEFORE DELETE ON {table} BEGIN SELECT RAISE(ABORT, '{words}'); END",
    "replace": (
        "BEFORE INSERT ON {table} WHEN EXISTS (SELECT 1 FROM {table} WHERE {same})"
        " BEGIN SELECT RAISE(ABORT, '{words}'); END"
    ),
}


def upgrade() -> None:
    """Make the tables, their indexes and their triggers."""
    _home_and_traces()
    _records()
    for table, same in SAME_ROW.items():
        for name, refusal in REFUSALS.items():
            words = f"{table} are append-only"
            body = refusal.format(table=table, same=same, words=words)
            op.execute(f"CREATE TRIGGER {table}_no_{name} {body}")


def _home_and_traces() -> None:
    op.create_table(
        "home",
        sa.Column("id", sa.Integer, sa.CheckConstraint("id = 1"), primary_key=True),
        sa.Column("simulated", sa.Boolean, nullable=False),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "traces",
        sa.Column("sha256", sa.String, primary_key=True),
        sa.Column("bytes", sa.LargeBinary, nullable=False),
    )


def _records() -> None:
    op.create_table(
        "records",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("bench", sa.String, nullable=False),
        sa.Column("seq", sa.Integer, nullable=False),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
        sa.Column("part", sa.Integer),
        sa.Column("serial", sa.String),
        sa.Column("closes", sa.Integer),
        sa.Column("verdict", sa.String),
        sa.Column("sha256", sa.String, nullable=False),
        sa.Column("json", sa.Text, nullable=False),
        sa.UniqueConstraint("bench", "seq", name="records_chain"),
    )
    for name, columns in INDEXES.items():
        op.create_index(name, "records", columns)
    op.create_index("records_one_closing", "records", ["closes"], unique=True)


INDEXES = {
    "records_kind": ["kind", "id"],
    "records_bench_kind": ["bench", "kind", "seq"],
    "records_part": ["part", "kind", "id"],
    "records_serial": ["serial", "id"],
    "records_verdict": ["verdict", "closes"],
}
