"""Many homes in one shop's store: numbers apart from the order of arrival, and who has which letters."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from results.columns import WHOLE, WORD
from results.migrations.refusing import append_only, changeable
from results.migrations.versions.v0001_records import SAME_ROW as BEFORE

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

SAME_ROW = {
    "records": f"{BEFORE['records']} OR number = NEW.number",
    "homes": "place = NEW.place OR identity = NEW.identity",
    "joined": "id = NEW.id",
}


def upgrade() -> None:
    """Until now a record's number was its place in the home."""
    with changeable("records", SAME_ROW["records"]):
        op.add_column("records", sa.Column("number", WHOLE, nullable=False, server_default="0"))
        op.execute("UPDATE records SET number = id")
    op.create_index("records_number", "records", ["number"], unique=True)
    _homes()
    for table in ("homes", "joined"):
        append_only(table, SAME_ROW[table])


def _homes() -> None:
    op.create_table(
        "homes",
        sa.Column("place", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("identity", WORD, nullable=False, unique=True),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
    )
    one = sa.CheckConstraint("id = 1")
    op.create_table(
        "joined",
        sa.Column("id", sa.Integer, one, primary_key=True, autoincrement=False),
        sa.Column("place", sa.Integer, nullable=False),
        sa.Column("identity", WORD, nullable=False),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
    )
