"""Custody, dispositions, quarantine, recalls: what records allow, and what nobody can override."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from results import quarantine
from results.errors import BadRecord, NotFound
from results.record import Record
from results.resale import AGREES, RESELL, WHAT, refusals
from results.store import Store
from tests.results.world import INTAKE, closing, opening

LATER = "2999-01-01"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """A home of real records: simulated ones can't be sold."""
    with Store.open(tmp_path, simulated=False) as opened:
        yield opened


def register(store: Store, **more: str) -> str:
    return str(store.append("intake", "", {**INTAKE, **more}).body["part"])


def attempt(store: Store, part: str, verdict: str = "pass", proposed: str = "resell") -> Record:
    begun = store.append("opening", "b1", opening(part))
    body = {**closing(begun.number, verdict), "disposition": proposed}
    return store.append("closing", "b1", body)


def dispose(store: Store, part: str, what: str = RESELL, **more: Any) -> Record:
    body = {"part": part, "what": what, "by": "R. Tarn", **more}
    return store.append("disposition", "", body)


def prove(store: Store, passed: bool, **more: Any) -> Record:
    body = {"passed": passed, "reason": "", "digest": "d", "fixture_ua": {}, "checks": [], **more}
    return store.append("bench_proof", "b1", body)


def test_a_part_that_passed_is_resold_and_changes_hands(store: Store) -> None:
    part = register(store)
    passed = attempt(store, part)
    store.append("custody", "", {"part": part, "to": "shelf 3", "by": "R. Tarn"})
    moved = store.append("custody", "", {"part": "p-1", "to": "counter", "by": "M. Fenn"})
    assert (moved.body["from"], moved.body["part"]) == ("shelf 3", part)
    decided = dispose(store, part)
    assert (decided.body["closing"], decided.body["proposed"]) == (passed.number, "resell")
    sold = store.append("sale", "", {"part": part, "buyer": "Alder", "by": "R. Tarn"})
    assert sold.body["disposition"] == decided.number
    assert store.standing(part).holder == "Alder"
    with pytest.raises(BadRecord, match=f"sold already \\({sold.number}\\)"):
        store.append("sale", "", {"part": part, "buyer": "Beech", "by": "R. Tarn"})


@pytest.mark.parametrize("verdict", ["fail", "none", "aborted", None])
def test_what_has_not_passed_is_never_resold(store: Store, verdict: str | None) -> None:
    part = register(store)
    if verdict:
        attempt(store, part, verdict, "scrap")
    words = "never proved" if verdict in (None, "aborted") else "no pass"
    override = {"reason": "we know better", "second": "M. Fenn"}
    with pytest.raises(BadRecord, match=words):
        dispose(store, part, override=override)


def test_a_later_attempt_takes_the_pass_away(store: Store) -> None:
    part = register(store)
    attempt(store, part)
    dispose(store, part)
    begun = store.append("opening", "b1", opening(part))
    with pytest.raises(BadRecord, match="still open"):
        store.append("sale", "", {"part": part, "buyer": "Alder", "by": "R. Tarn"})
    store.append("closing", "b1", closing(begun.number, "aborted"))
    store.append("sale", "", {"part": part, "buyer": "Alder", "by": "R. Tarn"})


def test_a_sale_rests_on_the_newest_attempt(store: Store) -> None:
    part = register(store)
    with pytest.raises(BadRecord, match="never proved"):
        store.append("sale", "", {"part": part, "buyer": "Alder", "by": "R. Tarn"})
    attempt(store, part)
    with pytest.raises(BadRecord, match="no disposition to resell"):
        store.append("sale", "", {"part": part, "buyer": "Alder", "by": "R. Tarn"})
    dispose(store, part)
    attempt(store, part)
    with pytest.raises(BadRecord, match="tried again since"):
        store.append("sale", "", {"part": part, "buyer": "Alder", "by": "R. Tarn"})


def test_a_part_that_came_in_again_is_proved_again(store: Store) -> None:
    part = register(store)
    attempt(store, part)
    newest = store.part(part).number
    store.append("intake", "", {**INTAKE, "part": part, "amends": newest})
    with pytest.raises(BadRecord, match="came in again"):
        dispose(store, part)
    attempt(store, part)
    dispose(store, part)


def test_gfci_and_simulated_parts_are_never_resold(store: Store, tmp_path: Path) -> None:
    device = register(store, family="gfci")
    attempt(store, device)
    override = {"reason": "it works", "second": "M. Fenn"}
    with pytest.raises(BadRecord, match="GFCI is never resold"):
        dispose(store, device, override=override)
    with Store.open(tmp_path / "virtual", simulated=True) as virtual:
        part = register(virtual)
        attempt(virtual, part)
        with pytest.raises(BadRecord, match="simulated"):
            dispose(virtual, part, override=override)


RECALL = {"family": "heater", "model": "", "date_code": "", "serial": "", "by": "R. Tarn"}


@pytest.mark.parametrize(
    ("notice", "plate", "falls"),
    [
        ({"model": "Otterfall"}, {}, True),
        ({"model": "OTTERFALL"}, {}, True),
        ({"model": "Thrushgate"}, {}, False),
        ({"serial": "of55-01"}, {}, True),
        ({"serial": "OF55-02"}, {}, False),
        ({"date_code": "2214"}, {"date_code": "2214"}, True),
        ({"date_code": "2214"}, {"date_code": "2215"}, False),
        ({"date_code": "2214"}, {}, True),  # a plate that doesn't say may be one of them
        ({"date_code": "2214", "model": "Thrushgate"}, {"date_code": "2214"}, False),
        ({"date_code": "2214", "family": "pump"}, {"date_code": "2214"}, False),
    ],
)
def test_recalled_parts_are_never_resold(
    store: Store, notice: dict[str, str], plate: dict[str, str], falls: bool
) -> None:
    part = register(store, **plate)
    attempt(store, part)
    store.append("recall", "", {**RECALL, "reason": "case can crack", **notice})
    if falls:
        with pytest.raises(BadRecord, match=r"recalled \(R-000004\): case can crack"):
            dispose(store, part)
    else:
        dispose(store, part)


def test_a_recall_of_a_whole_family_is_refused(store: Store) -> None:
    with pytest.raises(BadRecord, match="names no part of the family"):
        store.append("recall", "", {**RECALL, "reason": "all of them"})


def test_what_was_not_proposed_takes_two_persons(store: Store) -> None:
    part = register(store)
    attempt(store, part, "pass", "hold: it passed, but look for the likely cause first")
    for override in (
        None,
        {"reason": "", "second": "M. Fenn"},
        {"reason": "looked", "second": " "},
        {"reason": "looked", "second": "r.  tarn"},
    ):
        with pytest.raises(BadRecord, match="second person"):
            dispose(store, part, override=override)
    done = dispose(store, part, override={"reason": "looked", "second": "M. Fenn"})
    assert done.body["override"] == {"reason": "looked", "second": "M. Fenn"}


@pytest.mark.parametrize("proposed", [name for name in AGREES if name])
def test_one_person_decides_what_was_proposed_and_no_resale_but_of_a_pass(
    store: Store, proposed: str
) -> None:
    for verdict in ("fail", "none"):
        part = register(store, serial=verdict)
        attempt(store, part, verdict, proposed)
        for what in AGREES[proposed]:
            if what != RESELL:
                dispose(store, part, what)
        dispose(store, part, "hold")
        dispose(store, part, "return to owner")
        with pytest.raises(BadRecord, match="can't be resold"):
            dispose(store, part)


def test_unknown_dispositions_parts_and_nobodies_are_refused(store: Store) -> None:
    part = register(store)
    with pytest.raises(BadRecord, match="use one of resell"):
        dispose(store, part, "sell")
    with pytest.raises(NotFound, match="not registered"):
        dispose(store, "P-0009", "hold")
    with pytest.raises(BadRecord, match="names nobody"):
        dispose(store, part, "hold", by=" ")
    assert len(WHAT) == len(set(WHAT))


# ---- quarantine ------------------------------------------------------------------------------------


def test_quarantine_needs_a_day_to_come(store: Store) -> None:
    part = register(store)
    body = {"part": part, "reason": "smells", "by": "R. Tarn"}
    for recheck, words in (("soon", "is no date"), ("", "is no date"), ("2020-01-01", "passed")):
        with pytest.raises(BadRecord, match=words):
            store.append("quarantine", "", {**body, "recheck": recheck})
    with pytest.raises(BadRecord, match="recheck is missing"):
        store.append("quarantine", "", body)


def test_only_a_later_pass_or_two_persons_release(store: Store) -> None:
    part = register(store)
    attempt(store, part)
    body = {"part": part, "reason": "smells", "by": "R. Tarn"}
    held = store.append("quarantine", "", {**body, "recheck": LATER})
    assert refusals(store.standing(part)) == [f"in quarantine ({held.number}): smells"]
    with pytest.raises(BadRecord, match="second person"):
        store.append("release", "", body)
    passed = attempt(store, part)
    free = store.append("release", "", {**body, "reason": "passed again"})
    assert (free.body["closing"], free.body["quarantine"]) == (passed.number, [held.number])
    assert refusals(store.standing(part)) == []
    with pytest.raises(BadRecord, match="not in quarantine"):
        store.append("release", "", body)


def test_failed_closing_proof_quarantines_every_pass_since_the_last_good_proof(
    store: Store,
) -> None:
    parts = [register(store, serial=f"S{n}") for n in range(4)]
    prove(store, True)
    attempt(store, parts[0])
    prove(store, True)
    passed = attempt(store, parts[1])
    attempt(store, parts[2], "fail", "scrap")
    begun = store.append("opening", "b2", opening(parts[3]))
    store.append("closing", "b2", closing(begun.number))
    proof = prove(store, False, at_close=True, ended="fail")
    found = quarantine.after_failed_closing(store, "b1")
    assert [one.body["part"] for one in found] == [parts[1]]
    assert found[0].body["closing"] == passed.number
    assert found[0].body["proof"] == proof.number
    assert quarantine.after_failed_closing(store, "b1") == []  # asked again, nothing twice
    assert [one.number for one in quarantine.standing_now(store)] == [found[0].number]
    assert quarantine.doubted_closings(store, parts[1]) == {passed.number}
    with pytest.raises(BadRecord, match="in quarantine"):
        dispose(store, parts[1])
    dispose(store, parts[0])


@pytest.mark.parametrize(
    ("passed", "more"),
    [
        (True, {"at_close": True, "ended": "pass"}),
        (False, {"at_close": True, "ended": "aborted"}),
        (False, {}),
    ],
)
def test_only_a_closing_proof_that_failed_quarantines(
    store: Store, passed: bool, more: dict[str, Any]
) -> None:
    part = register(store)
    prove(store, True)
    attempt(store, part)
    prove(store, passed, **more)
    assert quarantine.after_failed_closing(store, "b1") == []


def test_amendments_are_records_of_the_part_they_amend(store: Store) -> None:
    part = register(store)
    body = {"amends": "r-1", "words": "serial misread", "by": "R. Tarn"}
    made = store.append("amendment", "", body)
    assert (made.body["amends"], made.body["part"]) == ("R-000001", part)
    assert [one.number for one in store.standing(part).of("amendment")] == [made.number]
    with pytest.raises(NotFound):
        store.append("amendment", "", {**body, "amends": "R-000009"})
    assert store.verify() == []
