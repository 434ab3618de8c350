"""Serial numbers are looked for whatever their case: the column that is searched holds them folded."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from results.migrations.refusing import changeable
from results.migrations.versions.v0002_homes import SAME_ROW
from results.record import folded

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Fold those that are there; the records themselves keep them as they were given."""
    rows = sa.table("records", sa.column("id"), sa.column("serial"))
    connection = op.get_bind()
    query = sa.select(rows.c.id, rows.c.serial).where(rows.c.serial.is_not(None))
    with changeable("records", SAME_ROW["records"]):
        for one in connection.execute(query).all():
            if folded(one.serial) != one.serial:
                change = rows.update().where(rows.c.id == one.id)
                connection.execute(change.values(serial=folded(one.serial)))
