"""Many homes and one server: letters, handing over, going on without, and never mixing."""

from __future__ import annotations

import shutil
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import event
from sqlalchemy.exc import OperationalError

from results import shop as shop_module
from results import trace, upgrading
from results.errors import KeyUnusable, OutOfReach, StoreUnavailable
from results.store import Store
from tests.postgresql import Server, free_port, server
from tests.results.world import INTAKE, closing, opening, started

TRACE = trace.encode({"t_ms": [0, 100], "leakage_ua": [None, 212]})


@pytest.fixture(autouse=True)
def _patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """A busy machine is no lost server."""
    monkeypatch.setattr("results.shop.PATIENCE_S", 60.0)


@pytest.fixture(scope="module")
def mortal() -> Iterator[Server]:
    with server() as running:
        yield running


@pytest.fixture
def own_server(mortal: Server) -> Server:
    """For tests that end it: each has a database of its own there."""
    if mortal.process is None:
        mortal.start()
    mortal.used = mortal.database()
    upgrading.prepare(mortal.url())
    return mortal


def home(path: Path, url: str, name: str = "one") -> Store:
    return Store.open(path / name, simulated=True, shop=url)


def attempt(store: Store, part: str, verdict: str = "pass", bench: str = "b1") -> str:
    number = store.append("opening", bench, opening(part)).number
    store.append("closing", bench, closing(number, verdict), trace=TRACE)
    return number


def register(store: Store, serial: str = "OF55-0117") -> str:
    return str(store.append("intake", "shop", {**INTAKE, "serial": serial}).body["part"])


def words(store: Store) -> str:
    assert store.shop is not None
    return store.shop.words


def again(store: Store) -> None:
    """Ask the server now, however lately it was lost."""
    assert store.shop is not None
    store.shop._ask_again_s = 0.0
    store.shop.exchange()


def everything(store: Store) -> set[tuple[str, str]]:
    kinds = ("intake", "opening", "closing", "lockout")
    return {(r.number, r.sha256) for kind in kinds for r in store.every(kind)}


# ---- together ----------------------------------------------------------------------------------------


def test_each_home_numbers_with_letters_of_its_own_and_learns_of_the_others(
    tmp_path: Path, shop_url: str
) -> None:
    with home(tmp_path, shop_url) as one, home(tmp_path, shop_url, "two") as two:
        assert register(one) == "P-A0001"
        assert register(two) == "P-B0001"
        assert attempt(two, "P-A0001", bench="b2") == "R-B000002"
        again(one)
        assert attempt(one, "P-B0001") == "R-A000002"
        again(two)
        with Store.open(shop_url) as whole:
            for store in (one, two, whole):
                assert store.verify() == []
                assert store.benches() == ["b1", "b2", "shop-A", "shop-B"]
                assert [row.part for row in store.history()] == ["P-B0001", "P-A0001"]
                assert store.trace("R-B000003")["leakage_ua"] == [None, 212]
                assert len(store.by_serial("OF55-0117")) == 2
            assert everything(one) == everything(two) == everything(whole)
        assert (words(one), words(two)) == ("", "")


def test_letters_stay_with_the_home(tmp_path: Path, shop_url: str) -> None:
    for count in (1, 2):
        with home(tmp_path, shop_url) as one, home(tmp_path, shop_url, "two") as two:
            assert register(one) == f"P-A{count:04d}"
            assert register(two) == f"P-B{count:04d}"
    with Store.open(tmp_path / "one") as alone:  # without the server its numbers go on
        assert register(alone) == "P-A0003"
    with home(tmp_path, shop_url) as one, Store.open(shop_url) as whole:
        assert words(one) == ""
        assert whole.part("p-a3").number == "R-A000003"


def test_a_part_is_registered_again_by_another_home(tmp_path: Path, shop_url: str) -> None:
    with home(tmp_path, shop_url) as one:
        part = register(one)
        first = one.part(part).number
    with home(tmp_path, shop_url, "two") as two:
        body = {**INTAKE, "part": part, "amends": first, "model": "Nimmersatt"}
        newer = two.append("intake", "shop", body)
        assert newer.number == "R-B000001"
    with home(tmp_path, shop_url) as one:
        assert one.part(part).body["model"] == "Nimmersatt"


# ---- without -----------------------------------------------------------------------------------------


def test_a_bench_goes_on_without_the_server_and_hands_over_later(
    tmp_path: Path, own_server: Server
) -> None:
    with home(tmp_path, own_server.url()) as one:
        before = attempt(one, register(one))
        open_one = one.append("opening", "b1", opening("P-A0001")).number
        own_server.kill()
        one.append("closing", "b1", closing(open_one, "fail"), trace=TRACE)
        assert "kept in this home, to be handed over later" in words(one)
        assert "can't be reached" in words(one)
        offline = attempt(one, register(one, "OF55-0118"))
        assert one.verify() == []
        own_server.start()
        again(one)
        assert words(one) == ""
        with Store.open(own_server.url()) as whole:
            assert whole.verify() == []
            assert everything(whole) == everything(one)
            found = {row.number: row.verdict for row in whole.history()}
            assert found == {before: "pass", open_one: "fail", offline: "pass"}


def test_the_next_start_hands_over_what_the_last_one_could_not(
    tmp_path: Path, own_server: Server
) -> None:
    with home(tmp_path, own_server.url()) as one:
        register(one)
        own_server.kill()
    with home(tmp_path, own_server.url()) as one:
        attempt(one, "P-A0001")
        assert "can't be reached" in words(one)
    own_server.start()
    with home(tmp_path, own_server.url()) as one, Store.open(own_server.url()) as whole:
        assert everything(whole) == everything(one)
        assert len(everything(whole)) == 3


def test_a_server_that_hangs_costs_patience_and_no_record(
    tmp_path: Path, own_server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    with home(tmp_path, own_server.url()) as one:
        part = register(one)
        sessions = own_server.ask("SELECT pid FROM pg_stat_activity WHERE backend_type LIKE 'c%'")
        with own_server.frozen([pid for (pid,) in sessions]):
            monkeypatch.setattr(shop_module, "PATIENCE_S", 0.3)
            began_s = time.monotonic()
            attempt(one, part)
            assert time.monotonic() - began_s < 30.0  # it would hang as long as it is frozen
            assert "doesn't answer" in words(one)
            monkeypatch.setattr(shop_module, "PATIENCE_S", 60.0)
        again(one)
        _until_quiet(one)
        again(one)
        with Store.open(own_server.url()) as whole:
            assert everything(whole) == everything(one)
            assert whole.verify() == []


def _until_quiet(store: Store) -> None:
    assert store.shop is not None
    assert store.shop._thread is not None
    store.shop._thread.join(30.0)


def test_an_answer_that_is_lost_doubles_nothing(tmp_path: Path, shop_url: str) -> None:
    with home(tmp_path, shop_url) as one:
        part = register(one)
        assert one.shop is not None
        engine = one.shop.store._engine
        lost = []

        def lose(connection: object) -> None:
            """The server has committed; the cable is pulled before it can say so."""
            getattr(connection, "connection").driver_connection.commit()  # noqa: B009
            lost.append(1)
            raise OperationalError("COMMIT", {}, Exception("connection lost"))

        event.listen(engine, "commit", lose)
        attempt(one, part)
        assert lost
        assert "kept in this home" in words(one)
        event.remove(engine, "commit", lose)
        again(one)
        assert words(one) == ""
        with Store.open(shop_url) as whole:
            assert whole.verify() == []
            assert everything(whole) == everything(one)
            assert len(everything(whole)) == 3


def test_a_server_lost_in_the_middle_of_a_run_loses_and_doubles_nothing(
    tmp_path: Path, own_server: Server
) -> None:
    url = own_server.url()
    with started("announce", str(tmp_path / "one"), "b1", url) as process:
        assert process.stdout is not None
        lines = [process.stdout.readline() for _ in range(20)]
        own_server.kill()
        lines += [process.stdout.readline() for _ in range(20)]
        process.send_signal(signal.SIGKILL)
        lines += process.stdout.readlines()
    own_server.start()
    announced = dict(line.split() for line in lines[1:] if line.endswith("\n"))
    assert len(announced) >= 39
    with home(tmp_path, url) as one, Store.open(url) as whole:
        assert words(one) == ""
        assert everything(one) == everything(whole)
        assert announced.items() <= dict(everything(whole)).items()
        assert one.verify() == whole.verify() == []


# ---- what does not belong together -------------------------------------------------------------------


def test_a_home_needs_the_server_its_first_time(tmp_path: Path, own_server: Server) -> None:
    own_server.kill()
    with pytest.raises(OutOfReach, match="can't be reached"):
        home(tmp_path, own_server.url())
    own_server.start()
    home(tmp_path, own_server.url()).close()


def test_records_from_before_joining_are_not_renumbered(tmp_path: Path, shop_url: str) -> None:
    with Store.open(tmp_path / "one", simulated=True) as alone:
        register(alone)
    with pytest.raises(StoreUnavailable, match=r"from before it joined.*milliproof backup"):
        home(tmp_path, shop_url)


def test_a_home_of_another_shop_is_refused(
    tmp_path: Path, shop_url: str, postgresql: Server
) -> None:
    other = postgresql.url(postgresql.database())
    upgrading.prepare(other)
    home(tmp_path, shop_url).close()
    home(tmp_path, other, "two").close()
    for url, name in ((other, "one"), (shop_url, "two")):
        with pytest.raises(StoreUnavailable, match="is not of this shop"):
            home(tmp_path, url, name)


def test_simulated_and_real_homes_never_share_a_server(tmp_path: Path, shop_url: str) -> None:
    home(tmp_path, shop_url).close()
    with Store.open(tmp_path / "two", simulated=False, shop=shop_url) as two:
        assert "holds simulated records, this home real ones" in words(two)
        two.append("lockout", "b2", {"reason": "x"})
    with Store.open(shop_url) as whole:
        assert whole.benches() == []


def test_one_bench_in_two_homes_at_once_is_told_and_nothing_is_mixed(
    tmp_path: Path, shop_url: str
) -> None:
    with home(tmp_path, shop_url) as one:
        one.append("lockout", "b1", {"reason": "first"})
    home(tmp_path, shop_url, "two").close()  # has fetched the first
    with Store.open(tmp_path / "two") as two, pytest.raises(KeyUnusable, match="chain 'b1'"):
        two.append("lockout", "b1", {"reason": "the key is in the other home"})
    shutil.copytree(tmp_path / "one" / "keys", tmp_path / "two" / "keys", dirs_exist_ok=True)
    with Store.open(tmp_path / "two") as two:
        two.append("lockout", "b1", {"reason": "went on without the server"})
    with home(tmp_path, shop_url) as one:
        one.append("lockout", "b1", {"reason": "went on too"})
    with home(tmp_path, shop_url, "two") as two, Store.open(shop_url) as whole:
        assert "have parted in the chain of b1" in words(two)
        assert register(two) == "P-B0001"  # its other chains go on
        assert [r.body["reason"] for r in whole.every("lockout")] == ["went on too", "first"]
        assert len(two.every("lockout")) == 2
        assert whole.part("P-B0001").body["serial"] == "OF55-0117"


def test_a_wrong_url_is_told_before_anything_is_made(tmp_path: Path) -> None:
    with pytest.raises(StoreUnavailable, match="names no PostgreSQL database"):
        home(tmp_path, f"mysql://127.0.0.1:{free_port()}/shop")
