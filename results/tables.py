"""The store's tables as SQLAlchemy sees them. ``migrations/`` makes them; a test compares the two.

``records.json`` is the truth: the other columns repeat members of it, so that a history of a million
records is searched through indexes. ``verify.py`` checks that they agree.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

METADATA = MetaData()

HOME = Table(
    "home",
    METADATA,
    Column("id", Integer, CheckConstraint("id = 1"), primary_key=True, autoincrement=False),
    Column("simulated", Boolean, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
)

RECORDS = Table(
    "records",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),  # 123 for R-000123
    Column("bench", String, nullable=False),
    Column("seq", Integer, nullable=False),
    Column("kind", String, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("part", Integer),  # intake, opening: 12 for P-0012
    Column("serial", String),  # intake
    Column("closes", Integer),  # closing: id of its opening
    Column("verdict", String),  # closing
    Column("sha256", String, nullable=False),
    Column("json", Text, nullable=False),
    UniqueConstraint("bench", "seq", name="records_chain"),
    Index("records_kind", "kind", "id"),
    Index("records_bench_kind", "bench", "kind", "seq"),
    Index("records_part", "part", "kind", "id"),
    Index("records_serial", "serial", "id"),
    Index("records_verdict", "verdict", "closes"),
    Index("records_one_closing", "closes", unique=True),  # null for all other kinds
)

TRACES = Table(
    "traces",
    METADATA,
    Column("sha256", String, primary_key=True),
    Column("bytes", LargeBinary, nullable=False),
)
