"""When the records came back from a backup: what was proved before that has to be proved again."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from results.columns import WHOLE
from results.migrations.refusing import append_only

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "restored",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("records", WHOLE, nullable=False),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
    )
    append_only("restored", "id = NEW.id")
