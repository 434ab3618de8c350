"""Records, traces, and what kind of home this is; all three append-only."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from results.columns import WHOLE, WORD
from results.migrations.refusing import append_only

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


def upgrade() -> None:
    """Make the tables, their indexes and their triggers."""
    _home_and_traces()
    _records()
    for table, same in SAME_ROW.items():
        append_only(table, same)


def _home_and_traces() -> None:
    op.create_table(
        "home",
        sa.Column(
            "id", sa.Integer, sa.CheckConstraint("id = 1"), primary_key=True, autoincrement=False
        ),
        sa.Column("simulated", sa.Boolean, nullable=False),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "traces",
        sa.Column("sha256", WORD, primary_key=True),
        sa.Column("bytes", sa.LargeBinary, nullable=False),
    )


def _records() -> None:
    op.create_table(
        "records",
        sa.Column("id", WHOLE, primary_key=True, autoincrement=False),
        sa.Column("bench", WORD, nullable=False),
        sa.Column("seq", WHOLE, nullable=False),
        sa.Column("kind", WORD, nullable=False),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
        sa.Column("part", WHOLE),
        sa.Column("serial", WORD),
        sa.Column("closes", WHOLE),
        sa.Column("verdict", WORD),
        sa.Column("sha256", WORD, nullable=False),
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
