"""Cautions and lockout are confirmed around an attempt, and the record says by whom and when."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.virtual.process import Options, launch
from drivers.virtual.scenario import DEMO
from procedures.bench_proof import CAUTIONS
from procedures.cautions import BEFORE, END
from procedures.scan import Ask
from rig.bench_file import load_bench
from rig.guard_seen import Decision
from rig.hands import VirtualHands
from rig.proving import Place, at_bench, prove_bench


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Place]:
    monkeypatch.setenv("MILLIPROOF_STATE", str(tmp_path / "state"))
    path = tmp_path / "virtual.toml"
    with (
        launch(Options(DEMO, real_time=False, seed=1, bench_out=path)),
        at_bench(load_bench(path), tmp_path / "home") as place,
    ):
        yield place


class Noting(VirtualHands):
    """Hands that note what was asked; at ``leaves_at`` nobody is there any more."""

    asked: list[tuple[str, str]]
    leaves_at = ""

    def tend(self, ask: Ask | None, decision: Decision, answers: dict[str, str | float]) -> bool:
        if ask is not None and ask.key not in answers:
            self.asked.append((ask.key, ask.words))
            if ask.key == self.leaves_at:
                self.gone = "nobody answers any more"
                return False
        return super().tend(ask, decision, answers)


def hands(place: Place, leaves_at: str = "") -> Noting:
    assert place.ours.remote is not None
    made = Noting(place.ours.remote, 1)
    made.asked, made.leaves_at = [], leaves_at
    return made


def test_who_confirmed_and_when_stand_in_the_closing_record(place: Place) -> None:
    noting = hands(place)
    result, _ = prove_bench(place, 1, noting)
    assert result.closing["verdict"] == "pass"
    assert (noting.asked[0][0], noting.asked[-1][0]) == (BEFORE, END)
    assert all(words in noting.asked[0][1] for words in CAUTIONS)
    assert result.record is not None
    assert result.record.body["cautions"] == list(CAUTIONS)
    for name in ("cautions confirmed", "lockout and test before touch confirmed"):
        who, _, when = result.record.body["facts"][name].rpartition(", ")
        assert who == "by the virtual bench's hands"
        age = datetime.datetime.now(datetime.UTC) - datetime.datetime.fromisoformat(when)
        assert datetime.timedelta(0) <= age < datetime.timedelta(minutes=5)


def test_without_the_first_confirmation_nothing_is_energised(place: Place) -> None:
    states: set[str] = set()
    watch = (lambda scan, demand, decision: states.add(decision.state),)
    result, number = prove_bench(place, 1, hands(place, leaves_at=BEFORE), watch)
    assert result.closing["verdict"] == "aborted"
    assert not states & {"routed", "closing", "live", "testing"}
    assert result.closing["facts"] == {}
    assert not place.store.get(number).body["passed"]


def test_without_the_last_one_there_is_no_verdict_but_what_was_measured_stays(place: Place) -> None:
    result, number = prove_bench(place, 1, hands(place, leaves_at=END))
    closing = result.closing
    assert closing["verdict"] == "aborted"
    assert closing["reason"].startswith("nobody answers any more, when the procedure had ended")
    assert len(closing["checks"]) > 10
    assert list(closing["facts"]) == ["cautions confirmed"]
    assert not place.store.get(number).body["passed"]
