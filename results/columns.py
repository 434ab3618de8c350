"""Column types that are the same question to both kinds of database.

PostgreSQL sorts text as its bytes (collation "C"), as SQLite does, whatever the server's language.
SQLite's INTEGER holds 64 bits; PostgreSQL's doesn't.
"""

from __future__ import annotations

import sqlalchemy as sa

WORD = sa.String().with_variant(sa.String(collation="C"), "postgresql")
WHOLE = sa.Integer().with_variant(sa.BigInteger(), "postgresql")
