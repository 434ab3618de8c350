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
    Table,
    Text,
    UniqueConstraint,
)

from results.columns import WHOLE, WORD

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
    Column("id", WHOLE, primary_key=True, autoincrement=False),  # in the order of arrival here
    Column("bench", WORD, nullable=False),
    Column("seq", WHOLE, nullable=False),
    Column("kind", WORD, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("part", WHOLE),  # of record.OF_PART: 12 for P-0012
    Column("serial", WORD),  # intake, as record.folded has it
    Column("closes", WHOLE),  # closing: id of its opening
    Column("verdict", WORD),  # closing
    Column("sha256", WORD, nullable=False),
    Column("json", Text, nullable=False),
    # 123 for R-000123; the id where no other home's records are
    Column("number", WHOLE, nullable=False, server_default="0"),
    Column("signature", WORD),  # of json's bytes, 128 hexadecimal digits; null: older than signing
    Column("nodes", LargeBinary),  # of the log, see log.py
    UniqueConstraint("bench", "seq", name="records_chain"),
    Index("records_number", "number", unique=True),
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
    Column("sha256", WORD, primary_key=True),
    Column("bytes", LargeBinary, nullable=False),
)

HOMES = Table(  # of one shop's store: whose numbers have which letters
    "homes",
    METADATA,
    Column("place", Integer, primary_key=True, autoincrement=False),  # 1 for A
    Column("identity", WORD, nullable=False, unique=True),
    Column("at_ms", BigInteger, nullable=False),
)

JOINED = Table(  # which of them this home is; empty where it is a home of its own
    "joined",
    METADATA,
    Column("id", Integer, CheckConstraint("id = 1"), primary_key=True, autoincrement=False),
    Column("place", Integer, nullable=False),
    Column("identity", WORD, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
)

KEYS = Table(  # the public keys of each chain
    "keys",
    METADATA,
    Column("bench", WORD, primary_key=True),
    Column("place", Integer, primary_key=True, autoincrement=False),  # 1 for the first
    Column("since", WHOLE, nullable=False),  # the first record that it signs
    Column("public", WORD, nullable=False),  # 64 hexadecimal digits
)

HEADS = Table(  # of the logs: those that were given away
    "heads",
    METADATA,
    Column("bench", WORD, primary_key=True),
    Column("size", WHOLE, primary_key=True, autoincrement=False),
    Column("signature", WORD, nullable=False),
    Column("json", Text, nullable=False),
)

RESTORED = Table(  # when the records came back from a backup
    "restored",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),  # 1 for the first time
    Column("records", WHOLE, nullable=False),  # the newest one's id then
    Column("at_ms", BigInteger, nullable=False),
)
