"""The same store on PostgreSQL: what it keeps, what it refuses, what nobody can change."""

from __future__ import annotations

from pathlib import Path

import psycopg
import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext

from results import trace, upgrading
from results.errors import BadRecord, MixedHome, NotFound, OutOfReach, StoreUnavailable
from results.record import folded
from results.store import Store
from results.tables import METADATA
from tests.postgresql import Server, free_port
from tests.results.world import INTAKE, closing, opening, started

TRACE = trace.encode({"t_ms": [0, 100], "leakage_ua": [None, 212]})


def attempt(store: Store, part: str, verdict: str = "pass", bench: str = "b1") -> str:
    number = store.append("opening", bench, opening(part)).number
    store.append("closing", bench, closing(number, verdict), trace=TRACE)
    return number


def register(store: Store, serial: str = "OF55-0117") -> str:
    return str(store.append("intake", "", {**INTAKE, "serial": serial}).body["part"])


def test_what_is_appended_is_there_after_reopening(shop_url: str) -> None:
    with Store.open(shop_url, simulated=True) as store:
        number = attempt(store, register(store))
    with Store.open(shop_url) as store:
        assert store.simulated is True
        done = store.closing_of(number)
        assert done is not None
        assert store.trace(done.number) == {"t_ms": [0, 100], "leakage_ua": [None, 212]}
        assert store.history()[0].verdict == "pass"
        assert store.benches() == ["", "b1"]
        assert store.verify() == []


def test_the_migrations_make_exactly_the_tables_that_the_store_uses(shop: Store) -> None:
    with shop._engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), METADATA) == []


CHANGES = [
    "UPDATE records SET verdict = 'pass'",
    "DELETE FROM records WHERE id = 1",
    "TRUNCATE records",
    "TRUNCATE records, traces, home CASCADE",
    "INSERT INTO records SELECT * FROM records WHERE id=1 ON CONFLICT (id) DO UPDATE SET at_ms=1",
    "MERGE INTO records r USING home h ON r.id = h.id WHEN MATCHED THEN DELETE",
    "UPDATE traces SET bytes = ''",
    "DELETE FROM traces",
    "TRUNCATE traces",
    "UPDATE home SET simulated = false",
    "DELETE FROM home",
    "UPDATE homes SET place = 2",
    "TRUNCATE joined",
]


@pytest.mark.parametrize("change", CHANGES)
def test_no_statement_changes_what_is_stored(shop: Store, postgresql: Server, change: str) -> None:
    attempt(shop, register(shop), "fail")
    name = str(shop.place.url.database)
    before = postgresql.ask("SELECT * FROM records ORDER BY id", name)
    with pytest.raises(psycopg.IntegrityError, match="append-only"):
        postgresql.ask(change, name)
    assert postgresql.ask("SELECT * FROM records ORDER BY id", name) == before


@pytest.mark.parametrize(
    ("change", "number", "words"),
    [
        ("UPDATE records SET json=replace(json,'fail','pass') WHERE id=3", "R-000003", "altered"),
        ("DELETE FROM records WHERE id=3", "R-000003", "missing"),
        ("UPDATE records SET number=9 WHERE id=3", "R-000009", "column number"),
        ("UPDATE records SET closes=1 WHERE id=3", "R-000003", "column closes"),
        ("DELETE FROM traces", "R-000003", "trace is missing"),
    ],
)
def test_tampering_by_the_databases_owner_is_found(
    shop: Store, postgresql: Server, change: str, number: str, words: str
) -> None:
    attempt(shop, register(shop), "fail")
    attempt(shop, "P-0001")
    assert shop.verify() == []
    table = change.split(" ")[2 if change.startswith("DELETE") else 1]
    for statement in (f"ALTER TABLE {table} DISABLE TRIGGER ALL", change):
        postgresql.ask(statement, str(shop.place.url.database))
    problems = [str(problem) for problem in shop.verify()]
    assert any(p.startswith(number) and words in p for p in problems), problems


def test_one_closing_no_stranger_no_mixing(shop: Store, shop_url: str) -> None:
    number = attempt(shop, "")
    with pytest.raises(BadRecord, match="closed already by R-000002"):
        shop.append("closing", "b1", closing(number))
    with pytest.raises(NotFound, match="P-0001"):
        shop.append("opening", "b1", opening("P-0001"))
    with pytest.raises(MixedHome, match="holds simulated records"):
        Store.open(shop_url, simulated=False)


def test_a_serial_that_a_server_could_not_keep_is_refused_by_both(
    shop: Store, tmp_path: Path
) -> None:
    with Store.open(tmp_path, simulated=True) as home:
        for store in (shop, home):
            with pytest.raises(BadRecord, match="NUL"):
                register(store, "OF55\0")


def test_prefixes_and_order_are_those_of_bytes_whatever_the_servers_language(
    postgresql: Server, tmp_path: Path
) -> None:
    name = postgresql.database("de-AT")
    sorted_by_server = postgresql.ask("SELECT * FROM (VALUES ('ab'),('AC')) v ORDER BY 1", name)
    assert sorted_by_server == [("ab",), ("AC",)]  # bytes would be the other way round
    url = postgresql.url(name)
    upgrading.prepare(url)
    serials = ["ab-1", "AB-1", "ÄB-1", "aB-1", "ab1", "a-b1", "ab-\u00e9", "ab-\U0001f600"]
    with Store.open(url) as shop, Store.open(tmp_path) as home:
        for store in (shop, home):
            for serial in serials:
                register(store, serial)
        for prefix in ("ab", "AB", "a", "ab-", "Ä"):
            asked = [[r.body["serial"] for r in s.by_serial(prefix, True)] for s in (shop, home)]
            wanted = [s for s in serials[::-1] if folded(s).startswith(folded(prefix))]
            assert asked[0] == asked[1] == wanted


def test_benches_that_write_to_one_server_at_once_keep_their_chains_whole(shop_url: str) -> None:
    count = 40
    crowd = [started("append", shop_url, bench, str(count)) for bench in ("b1", "b2", "b3")]
    for process in crowd:
        with process:
            pass
        assert process.returncode == 0
    with Store.open(shop_url) as store:
        assert store.verify() == []
        for bench in ("b1", "b2", "b3"):
            reasons = [r.body["reason"] for r in store.every("lockout", bench)]
            assert reasons == [str(n) for n in range(count)][::-1]


# ---- refusals in words -------------------------------------------------------------------------------


def test_a_server_without_our_tables_says_what_to_run(postgresql: Server) -> None:
    url = postgresql.url(postgresql.database())
    with pytest.raises(
        StoreUnavailable, match=r"no tables of this program yet; run: milliproof up"
    ):
        Store.open(url)
    done = upgrading.prepare(url)
    assert (done.before, done.after, done.backup) == (None, upgrading.VERSIONS[-1], None)
    Store.open(url, simulated=True).close()


def test_another_programs_database_and_a_newer_version_are_refused(postgresql: Server) -> None:
    name = postgresql.database()
    postgresql.ask("CREATE TABLE theirs (x int)", name)
    with pytest.raises(StoreUnavailable, match="another program"):
        upgrading.prepare(postgresql.url(name))
    name = postgresql.database()
    upgrading.prepare(postgresql.url(name))
    postgresql.ask("UPDATE alembic_version SET version_num = '0999'", name)
    with pytest.raises(StoreUnavailable, match="0999, unknown here"):
        Store.open(postgresql.url(name))


def test_what_keeps_a_server_from_being_reached_is_told_without_the_password(
    postgresql: Server,
) -> None:
    good = postgresql.url()
    cases = [
        (good.replace(postgresql.password, "wrong"), StoreUnavailable, "name or password"),
        (postgresql.url("nowhere"), StoreUnavailable, "no such database"),
        (good.replace(str(postgresql.port), str(free_port())), OutOfReach, "can't be reached"),
        ("mysql://x:secret@y/z", StoreUnavailable, "names no PostgreSQL database"),
        ("postgresql://x:secret@y", StoreUnavailable, "names no PostgreSQL database"),
        ("nonsense", StoreUnavailable, "can't be read"),
    ]
    for url, error, words in cases:
        with pytest.raises(error, match=words) as caught:
            Store.open(url)
        for secret in (postgresql.password, "secret", "wrong"):
            assert secret not in str(caught.value)


def test_a_user_who_may_only_read_is_told_so(shop: Store, postgresql: Server) -> None:
    name = str(shop.place.url.database)
    attempt(shop, register(shop))
    for statement in (
        f"CREATE ROLE reader_{name} LOGIN PASSWORD 'r'",
        f"GRANT SELECT ON ALL TABLES IN SCHEMA public TO reader_{name}",
    ):
        postgresql.ask(statement, name)
    url = f"postgresql://reader_{name}:r@127.0.0.1:{postgresql.port}/{name}"
    with Store.open(url) as store:
        assert len(store.history()) == 1
        with pytest.raises(StoreUnavailable, match=r"no permission; let the database's owner"):
            store.append("lockout", "b1", {"reason": "x"})
