"""Alembic's entry: run the migrations in the transaction that the caller has begun.

SQLite can roll back table changes, so a migration is made complete or not at all.
"""

from __future__ import annotations

from alembic import context

context.configure(connection=context.config.attributes["connection"], transactional_ddl=True)
with context.begin_transaction():
    context.run_migrations()
