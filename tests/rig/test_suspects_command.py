"""The command suspects: ranking from this home's findings, and guided isolation at a spa."""

from __future__ import annotations

import itertools
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from procedures.suspects import WIRING, rank
from results.store import Store
from rig.commands import suspects as command
from rig.errors import Exit
from rig.field import Isolation
from tests.rig.kept import attempted, closing

FITTED = ("ozone_corona", "heater", "pump", "blower")


def isolated(home: Path, guilty: set[str], fitted: Sequence[str] = FITTED) -> tuple[str, Isolation]:
    """Isolate at a spa where each of ``guilty`` trips while it is connected."""

    def ask(lines: Sequence[str], question: str) -> str:
        assert any("test dead" in line for line in lines)
        said = next(line for line in lines if line.startswith("Disconnect"))
        off = set(said.removeprefix("Disconnect: ").split(";")[0].split(", "))
        return "trips" if guilty - off else "holds"

    with Store.open(home) as store:
        isolation = Isolation(store, "Alder 12", "R. Tarn", ["at once"], ask)
        return isolation.find(rank(fitted, ["at once"])), isolation


@pytest.mark.parametrize("guilty", [*FITTED, WIRING])
def test_each_culprit_is_found_and_each_step_recorded(tmp_path: Path, guilty: str) -> None:
    culprit, isolation = isolated(tmp_path, {guilty})
    assert culprit == guilty
    bodies = [record.body for record in isolation.records]
    assert [bodies[0]["what"], bodies[-1]["what"]] == ["begun", "ended"]
    steps = [body for body in bodies if body["what"] == "step"]
    assert [body["step"] for body in steps] == list(range(1, len(steps) + 1))
    assert all(body["begun"] == isolation.records[0].number for body in bodies[1:])
    assert all(WIRING not in body["off"] for body in steps)
    with Store.open(tmp_path) as store:
        assert store.verify() == []


@pytest.mark.parametrize("pair", list(itertools.combinations(FITTED, 2)))
def test_two_culprits_are_never_told_as_one(tmp_path: Path, pair: tuple[str, str]) -> None:
    """Any single name would be a wrong finding; only the wiring can be told from two, and is not."""
    culprit, isolation = isolated(tmp_path, set(pair))
    assert culprit == ""
    assert "more than one" in isolation.records[-1].body["words"][0]


def test_a_spa_that_does_not_trip_ends_at_once(tmp_path: Path) -> None:
    culprit, isolation = isolated(tmp_path, set())
    assert (culprit, len(isolation.records)) == ("", 3)


def test_own_findings_count_each_part_once_and_comebacks(cli: Any, tmp_path: Path) -> None:
    home = tmp_path / "home"
    attempted(home, "fail", simulated=True)
    with Store.open(home, simulated=True) as store:
        part = str(store.append("intake", "shop", {"family": "pump", "serial": "P"}).body["part"])
        for verdict in ("pass", "fail", "fail"):
            opening = store.append("opening", "bench-1", {"part": part, "family": "pump"})
            body = {**closing(verdict), "opening": opening.number}
            store.append("closing", "bench-1", body)
        found = command.findings(store)
    assert (found["heater"].culprits, found["heater"].comebacks) == (1, 0)
    assert (found["pump"].culprits, found["pump"].comebacks) == (1, 1)
    told = cli("suspects", "--fitted", "pump", "--fitted", "heater", "--json").json
    assert told["own_findings"]["pump"] == {"culprits": 1, "comebacks": 1}
    assert told["expected_steps"] >= 1.0


def test_ranking_and_plan_are_shown_with_the_cautions(cli: Any) -> None:
    ran = cli("suspects", "--fitted", "blower", "--fitted", "heater", "--clue", "on purge")
    assert ran.out.index("blower") < ran.out.index("heater")
    assert "lock it out, test dead" in ran.out
    assert "1. disconnect blower" in ran.out
    assert "no finding" in ran.err


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ((), "Missing option"),
        (("--fitted", "sauna"), "unknown family"),
        (("--fitted", "heater", "--clue", "loudly"), "unknown clue"),
        (("--fitted", "heater", "--field"), "needs --spa and --by"),
        (("--fitted", "heater", "--field", "--spa", "A", "--by", "B"), "in a terminal"),
    ],
)
def test_wrong_use_is_told(cli: Any, given: tuple[str, ...], words: str) -> None:
    ran = cli("suspects", *given)
    assert ran.code == Exit.WRONG_USE
    assert words in ran.err


def test_guided_isolation_hands_the_culprit_over_to_intake(
    cli: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = iter(["trips", "holds", "holds"])  # everything on; heater off; heater off again
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True)
    monkeypatch.setattr(command, "_ask", lambda lines, question: next(answers))
    given = ("--fitted", "heater", "--field", "--spa", "Alder 12", "--by", "R. Tarn", "--json")
    ran = cli("suspects", *given)
    assert ran.code == Exit.DONE
    assert ran.json["culprit"] == "heater"
    assert "milliproof intake --family heater" in ran.err
    assert ran.json["records"][0] in ran.err
