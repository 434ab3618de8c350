"""The demo as anyone starts it, twice in one home: fourteen parts, each with its expected outcome."""

from __future__ import annotations

from pathlib import Path

import pytest

from results.store import Store
from tests.rig.whole_program import Program, Ran, ended, until

PARTS = 14
VERDICTS = {"pass", "fail", "none"}
FAMILIES = {
    *("heater", "pump", "circulation_pump", "blower", "ozone_corona", "ozone_uv"),
    *("converter", "transformer", "gfci", "light"),
}
KEYS = {
    *("part", "family", "verdict", "leakage_ma", "u_ma", "basis", "condition", "reason"),
    *("expected", "met"),
}
LONGEST_S = 500.0  # a hung demo; what it may take is judged by the benchmarks


def assert_all_met(ran: Ran, home: Path) -> None:
    """Everything that the demo's JSON has to say, and that each part met what was expected."""
    assert ran.code == 0, ran.err
    said = ran.json
    assert [one["part"] for one in said["parts"] if not one["met"]] == []
    assert (len(said["parts"]), said["hazards"], said["simulated"]) == (PARTS, 0, True)
    assert all(one.keys() >= KEYS and one["verdict"] in VERDICTS for one in said["parts"])
    assert {one["family"] for one in said["parts"]} == FAMILIES
    assert said["home"] == str(home)
    print(f"{said['simulated_s']} simulated s in {said['wall_s']} s")


@pytest.mark.timeout(600)
def test_demo_and_a_second_one_in_the_same_home(tmp_path: Path) -> None:
    """The second begins when the first has records there; then both go on, each at its own bench."""
    program = Program(tmp_path / "home", tmp_path / "state")
    first = program.start("demo", "--json")
    until(lambda: list(program.home.glob("R-*3.journal")), 60.0)  # its bench proof is closed
    second = program.start("demo", "--json")
    for demo in (first, second):
        assert_all_met(ended(demo, LONGEST_S), program.home)
    attempts = program("history", "--limit", 100, "--json").json["attempts"]
    assert len(attempts) == 2 * (PARTS + 1)  # with the bench proofs
    assert all(one["simulated"] and one["closing"] for one in attempts)
    assert len({one["bench"] for one in attempts}) == 2
    with Store.open(program.home) as store:
        assert store.verify() == []
    assert list(program.state.glob("virtual-*")) == []  # the demo's benches are gone
