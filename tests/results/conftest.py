"""One PostgreSQL server for the session's tests; each test gets a database of its own."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from results import upgrading
from results.store import Store
from tests.postgresql import Server, server


@pytest.fixture(scope="session")
def postgresql() -> Iterator[Server]:
    with server() as running:
        yield running


@pytest.fixture
def shop_url(postgresql: Server) -> str:
    """A database with the store's tables."""
    url = postgresql.url(postgresql.database())
    upgrading.prepare(url)
    return url


@pytest.fixture
def shop(shop_url: str) -> Iterator[Store]:
    with Store.open(shop_url, simulated=True) as store:
        yield store
