"""What is shown of records: verdicts, history, JSON; on narrow and on poor screens."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from rig.errors import Exit
from tests.rig.kept import Terminal, attempted, closing

ROOT = Path(__file__).parents[2]
HEAVY = ("pydantic", "numpy", "sqlalchemy", "rich", "serial", "pymodbus", "pyvisa", "alembic")
PUMP = ("intake", "--family", "pump", "--serial", "x", "--rated-v", "240")
HEATER = ("intake", "--family", "heater", "--serial", "OF55-0117", "--rated-v", "240")


def test_show_and_history(cli: Any, tmp_path: Path) -> None:
    opening, closed = attempted(tmp_path / "home", "fail", simulated=True)
    ran = cli("show", closed)
    for words in ("SIMULATED", "FAIL against limit set 2026.1", "2.004 ± 0.031 measured", "scrap"):
        assert words in ran.out
    assert "[bold]" in ran.out  # words in a record are no markup
    assert "shop rule" in ran.out
    assert "0.062 ohm" in ran.out
    assert "both hot" in ran.out
    assert [one["number"] for one in cli("show", opening, "--json").json] == [opening, closed]
    listed = cli("history")
    assert "SIMULATED" in listed.out
    assert "FAIL" in listed.out
    row = cli("history", "--json").json["attempts"][0]
    assert (row["verdict"], row["leakage_ma"], row["u_ma"]) == ("fail", 2.004, 0.031)
    assert cli("history", "--verdict", "pass", "--json").json["attempts"] == []


def test_show_prints_the_budget_and_the_probability(cli: Any, tmp_path: Path) -> None:
    from results.store import Store

    opening, _ = attempted(tmp_path / "home", "none", simulated=True)
    line = {
        "input": "meter accuracy",
        "value_millionths": 730_000,
        "unit": "mA",
        "u_millionths": 9991,
        "distribution": "rectangular",
        "sensitivity_millionths": -1_000_000,
        "contribution_na": -9991,
        "dof_thousandths": None,
    }
    noise = {**line, "input": "noise", "dof_thousandths": 9400, "contribution_na": None}
    budget = {
        "u_na": 12_300,
        "dof_thousandths": None,
        "k_millionths": 2_000_000,
        "lines": [line, noise],
    }
    body = closing("none")
    body["worst"] = {**body["worst"], "budget": budget}
    body["conformity_millionths"] = 943_400
    with Store.open(tmp_path / "home", simulated=True) as store:
        part = store.get(opening).body["part"]
        again = store.append("opening", "bench-1", {"part": part, "family": "heater"})
        done = store.append("closing", "bench-1", {**body, "opening": again.number})
    out = cli("show", done.number).out
    assert "94.34 % that cold wet is truly at most 0.75 mA" in out
    assert "standard 0.0123 mA, k = 2 (∞ degrees of freedom)" in " ".join(out.split())
    for words in ("meter accuracy", "rectangular", "0.009991 mA", "-1 mA/mA", "sensitivity"):
        assert words in out
    told = next(row for row in out.splitlines() if "noise" in row)
    assert "--" in told
    assert "9.4" in told


def test_show_says_where_the_leak_is_and_what_that_leaves_open(cli: Any, tmp_path: Path) -> None:
    from results.store import Store

    facts = {
        "place_millionths": 301_000,
        "place_low_millionths": 280_000,
        "place_high_millionths": 320_000,
        "place, not told apart": "one hole or several",
        "predicted, leg to leg": "predicted 0.8: agrees",
        "fault impedance, limited step, cold wet": "59.7 ± 2.9 kohm",
        "hidden": "leg to leg alone would have passed it",
    }
    opening, _ = attempted(tmp_path / "home", "none", simulated=True)
    with Store.open(tmp_path / "home", simulated=True) as store:
        part = store.get(opening).body["part"]
        again = store.append("opening", "bench-1", {"part": part, "family": "heater"})
        body = {**closing("none"), "facts": facts, "opening": again.number}
        done = store.append("closing", "bench-1", body)
    out = cli("show", done.number).out
    assert "place: 0.301 along from terminal A, 0.28 to 0.32: one hole or several" in out
    assert "predicted: leg to leg: predicted 0.8: agrees" in out
    assert "fault impedance: limited step, cold wet: 59.7 ± 2.9 kohm" in out
    assert "hidden: leg to leg alone would have passed it" in out


@pytest.mark.parametrize(
    ("thousandths", "words"),
    [(None, "∞"), (1_000_001, "over 1000"), (1_000_000, "1000.0"), (9400, "9.4")],
)
def test_degrees_of_freedom_in_words(thousandths: int | None, words: str) -> None:
    from rig.commands.show import _freedom

    assert _freedom(thousandths) == words


@pytest.mark.parametrize(
    ("millionths", "words"),
    [(1_000_000, "more than 99.99 %"), (999_900, "99.99 %"), (3, "less than 0.01 %")],
)
def test_a_probability_is_never_rounded_to_certainty(millionths: int, words: str) -> None:
    from rig.commands.show import _percent

    assert _percent(millionths) == words


def test_history_keeps_words_whole_on_eighty_columns(
    cli: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, closed = attempted(tmp_path / "home", "fail", simulated=True)
    screen = Terminal()
    monkeypatch.setattr(sys, "stdout", screen)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("TERM", "dumb")
    assert cli("history").code == 0
    words = screen.getvalue().split()
    assert {closed, "P-0001", "OF55-0231", "FAIL", "2.004", "measured"} <= set(words)
    assert max(map(len, screen.getvalue().splitlines())) <= 80


def test_history_says_when_a_choice_leaves_nothing(cli: Any, tmp_path: Path) -> None:
    assert "no attempts here yet" in cli("history").err
    attempted(tmp_path / "home", "fail", simulated=True)
    assert "no attempt here is like that" in cli("history", "--verdict", "pass").err


@pytest.mark.parametrize("args", [["show", "R-000003"], ["show", "R-000003", "--json"]])
def test_screen_that_lacks_a_sign_still_shows_the_verdict(tmp_path: Path, args: list[str]) -> None:
    attempted(tmp_path, "fail", simulated=True)
    env = {**os.environ, "PYTHONIOENCODING": "ascii", "MILLIPROOF_HOME": str(tmp_path)}
    program = [sys.executable, "-c", "from rig.main import main; main()", *args]
    done = subprocess.run(program, cwd=ROOT, env=env, capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
    assert "fail" in done.stdout.lower()
    if "--json" in args:
        assert "\u00b1" in json.loads(done.stdout)[1]["body"]["reason"]


def test_virtual_writes_over_no_bench_file_of_yours(cli: Any, tmp_path: Path) -> None:
    mine = tmp_path / "my-bench.toml"
    cli("bench", "describe", "--out", mine)
    before = mine.read_bytes()
    ran = cli("virtual", "--bench-out", mine)
    assert ran.code == Exit.WRONG_USE
    assert f"{mine}: exists and is no virtual bench's file" in ran.err
    assert mine.read_bytes() == before


def test_real_records_are_not_called_simulated(cli: Any, tmp_path: Path) -> None:
    _, closed = attempted(tmp_path / "home", "pass", simulated=False)
    shown, listed = cli("show", closed).out, cli("history").out
    assert "PASS against limit set 2026.1 in the conditions listed" in shown
    assert "SIMULATED" not in shown + listed
    for word in ("safe", "certified", "compliant"):
        assert word not in shown.lower()


def test_words_in_every_mode_are_json_alone_on_stdout(cli: Any, tmp_path: Path) -> None:
    attempted(tmp_path / "home", "none", simulated=True)
    for args in (["history"], ["limits"], ["families"], ["show", "P-0001"], ["bench", "ports"]):
        json.loads(cli(*args, "--json").out)
