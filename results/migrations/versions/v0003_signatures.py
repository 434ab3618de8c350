"""Signatures, the log's nodes, the keys of each chain and the heads that were given away.

Records from before keep no signature: nobody can sign today what was written then. They get their
places in the log, so that the first head covers them too, and says from where on records are signed.
"""

from __future__ import annotations

from itertools import groupby

import sqlalchemy as sa
from alembic import op

from results import merkle
from results.columns import WHOLE, WORD
from results.migrations.refusing import append_only, changeable
from results.migrations.versions.v0002_homes import SAME_ROW as BEFORE

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

SAME_ROW = {
    "keys": "bench = NEW.bench AND place = NEW.place",
    "heads": "bench = NEW.bench AND size = NEW.size",
}
OLD = sa.table("records", sa.column("bench"), sa.column("seq"), sa.column("json"))
KEPT = sa.text("UPDATE records SET nodes = :nodes WHERE bench = :bench AND seq = :seq")


def upgrade() -> None:
    """Add the columns, fill in the nodes of what is there, make the tables."""
    with changeable("records", BEFORE["records"]):
        op.add_column("records", sa.Column("signature", WORD))
        op.add_column("records", sa.Column("nodes", sa.LargeBinary))
        _grow()
    op.create_table(
        "keys",
        sa.Column("bench", WORD, primary_key=True),
        sa.Column("place", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("since", WHOLE, nullable=False),
        sa.Column("public", WORD, nullable=False),
    )
    op.create_table(
        "heads",
        sa.Column("bench", WORD, primary_key=True),
        sa.Column("size", WHOLE, primary_key=True, autoincrement=False),
        sa.Column("signature", WORD, nullable=False),
        sa.Column("json", sa.Text, nullable=False),
    )
    for table, same in SAME_ROW.items():
        append_only(table, same)


def _grow() -> None:
    """One log per chain, from its first record; what a damaged chain lacks is left for verify to find."""
    query = sa.select(OLD).order_by(OLD.c.bench, OLD.c.seq)
    for _, rows in groupby(op.get_bind().execute(query).all(), key=lambda row: row.bench):
        nodes: dict[merkle.Node, bytes] = {}
        for index, row in enumerate(rows):
            raw = row.json.encode("utf-8", "surrogatepass")
            done = merkle.completed(index, merkle.leaf_hash(raw), nodes)
            nodes.update({(level, index >> level): one for level, one in enumerate(done)})
            values = {"nodes": b"".join(done), "bench": row.bench, "seq": row.seq}
            op.get_bind().execute(KEPT, values)
