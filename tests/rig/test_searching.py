"""History by what is asked of it, files of it, and what it adds up to."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest
from scipy.stats import binomtest  # type: ignore[import-untyped, unused-ignore]

from results.searching import PAGE, Wanted
from results.statistics import courses, grouped
from results.store import Store
from rig.statistics import rows, share
from tests.rig.kept import closing

DAY_MS = 86_400_000
T0 = 1_767_225_600_000  # 2026-01-01
PARTS = (
    {"family": "heater", "serial": "OF55-0117", "model": "Otterfall 5.5 kW", "date_code": "2214"},
    {"family": "heater", "serial": "of40-0001", "model": "Thrushgate", "date_code": "2215"},
    {"family": "pump", "serial": "MW10-4410", "model": "=HYPERLINK(1)", "date_code": ""},
)


def tried(store: Store, part: str, verdict: str, at_ms: int, cause: str = "pinhole") -> str:
    """One attempt; its opening's number."""
    body = {"part": part, "family": store.part(part).body["family"]}
    opening = store.append("opening", "b1", body, at_ms=at_ms)
    ended = {**closing(verdict), "opening": opening.number, "cause": cause, "duration_ms": 60_000}
    store.append("closing", "b1", ended, at_ms=at_ms + 60_000)
    return opening.number


@pytest.fixture
def home(tmp_path: Path) -> Path:
    where = tmp_path / "home"
    with Store.open(where, simulated=False) as store:
        parts = [str(store.append("intake", "", plate).body["part"]) for plate in PARTS]
        for day, (part, verdict) in enumerate(
            ((0, "fail"), (1, "pass"), (1, "fail"), (2, "pass"), (2, "aborted"))
        ):
            cause = "damp filler" if day == 1 else "pinhole"
            tried(store, parts[part], verdict, T0 + day * DAY_MS, cause)
    return where


@pytest.mark.parametrize(
    ("options", "days"),
    [
        ((), (4, 3, 2, 1, 0)),
        (("--serial", "OF"), (2, 1, 0)),
        (("--serial", "of55"), (0,)),
        (("--part", "p-3"), (4, 3)),
        (("--family", "heater"), (2, 1, 0)),
        (("--model", "otterfall"), (0,)),
        (("--date-code", "2215"), (2, 1)),
        (("--verdict", "fail"), (2, 0)),
        (("--cause", "FILLER"), (1,)),
        (("--since", "2026-01-03"), (4, 3, 2)),
        (("--until", "2026-01-02"), (1, 0)),
        (("--since", "2026-01-02", "--until", "2026-01-02"), (1,)),
        (("--family", "heater", "--verdict", "pass"), (1,)),
        (("--family", "heater", "--limit", "1"), (2,)),
        (("--bench-id", "b2"), ()),
    ],
)
def test_attempts_are_found_by(
    cli: Any, home: Path, options: tuple[str, ...], days: tuple[int, ...]
) -> None:
    found = cli("history", *options, "--json").json["attempts"]
    assert tuple((one["opened_ms"] - T0) // DAY_MS for one in found) == days


def test_a_search_reads_on_past_what_it_reads_at_once(tmp_path: Path) -> None:
    from results import searching

    with Store.open(tmp_path, simulated=False) as store:
        part = str(store.append("intake", "", PARTS[0]).body["part"])
        other = str(store.append("intake", "", PARTS[2]).body["part"])
        wanted = [tried(store, part, "fail", T0)]
        for _ in range(7):
            tried(store, other, "fail", T0)
        wanted.insert(0, tried(store, part, "fail", T0))
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(searching, "PAGE", 3)
            for verdict in (None, "fail"):
                found = store.search(Wanted(family="heater", verdict=verdict), None)
                assert [one.number for one in found] == wanted
    assert PAGE > 50


def test_csv_holds_every_attempt_and_no_formula(cli: Any, home: Path, tmp_path: Path) -> None:
    out = tmp_path / "attempts.csv"
    assert cli("history", "--out", out).code == 0
    with out.open(newline="", encoding="utf-8") as file:
        found = list(csv.DictReader(file))
    assert len(found) == 5
    assert found[0]["model"] == "'=HYPERLINK(1)"
    assert found[0]["worst_ua"] == "2004"
    assert found[-1]["simulated"] == "false"
    again = cli("history", "--out", out)
    assert "exists already" in again.err


def test_json_lines_and_parquet_hold_the_same(cli: Any, home: Path, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    for name in ("a.jsonl", "a.parquet"):
        assert cli("history", "--out", tmp_path / name).code == 0
    lines = (tmp_path / "a.jsonl").read_text("utf-8").splitlines()
    table = parquet.read_table(tmp_path / "a.parquet")
    assert [json.loads(line) for line in lines] == table.to_pylist()
    assert str(table.schema.field("worst_ua").type) == "int64"
    assert "unknown ending" in cli("history", "--out", tmp_path / "a.xls").err


# ---- what it adds up to -----------------------------------------------------------------------------


@pytest.mark.parametrize("total", [1, 2, 7, 30, 400])
def test_intervals_are_those_of_scipy(total: int) -> None:
    """scipy.stats.binomtest(...).proportion_ci(method="exact"): Clopper and Pearson by someone else."""
    for hits in {0, 1, total // 3, total}:
        ours = share(hits, total)
        theirs = binomtest(hits, total).proportion_ci(0.95, method="exact")
        assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


def test_an_interval_as_published() -> None:
    """Rule of three's exact form: none of n gives 1 - 0.025^(1/n) at the top (Clopper, Pearson 1934)."""
    assert share(0, 10).high == pytest.approx(1 - 0.025 ** (1 / 10), abs=1e-12)
    assert share(0, 0).value is None
    assert (share(0, 0).low, share(0, 0).high) == (0.0, 1.0)


def test_parts_count_once_and_comebacks_show(cli: Any, home: Path) -> None:
    with Store.open(home) as store:
        store.append("disposition", "", {"part": "P-0003", "what": "resell", **BY_US})
        sale = {"part": "P-0003", "buyer": "Alder", "price_minor": 12050, "currency": "USD"}
        store.append("sale", "", {**sale, "by": "R. Tarn"})
        found = rows(grouped(courses(store.history(None)), "family", store.every("sale")))
    heater, pump = found
    assert (heater["parts"], heater["failed"], heater["failed_of"]) == (2, 2, 2)
    assert (heater["came_back"], heater["came_back_of"]) == (1, 1)
    assert (pump["parts"], pump["failed"], pump["came_back"]) == (1, 0, 0)
    assert pump["recovered"] == {"USD": 120.5}
    assert (heater["attempts"], heater["median_minutes"]) == (3, 1.5)
    told = cli("statistics", "--by", "family", "--json").json
    assert told["groups"] == found
    assert "2 of 2: 100 % (16 to 100)" in cli("statistics").out
    by_lot = cli("statistics", "--by", "date_code", "--json").json["groups"]
    assert [one["group"] for one in by_lot] == ["(not told)", "2214", "2215"]


BY_US = {
    "by": "R. Tarn",
    "override": {"reason": "it hums no more", "second": "M. Fenn"},
}
