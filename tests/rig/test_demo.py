"""The demo as anyone starts it, twice in one home: fourteen parts, each with its expected outcome."""

from __future__ import annotations

from pathlib import Path

from results.store import Store
from tests.rig.whole_program import Program

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
LONGEST_S = 180.0  # on two cores; half an hour of soak and more goes by in it


def test_demo_twice_in_one_home(tmp_path: Path) -> None:
    program = Program(tmp_path / "home", tmp_path / "state")
    for times in (1, 2):
        ran = program("demo", "--json", within_s=2 * LONGEST_S)
        assert ran.code == 0, ran.err
        said = ran.json
        assert [one["part"] for one in said["parts"] if not one["met"]] == []
        assert (len(said["parts"]), said["hazards"], said["simulated"]) == (PARTS, 0, True)
        assert all(one.keys() >= KEYS and one["verdict"] in VERDICTS for one in said["parts"])
        assert {one["family"] for one in said["parts"]} == FAMILIES
        assert said["home"] == str(program.home)
        print(f"{said['simulated_s']} simulated s in {said['wall_s']} s")
        attempts = program("history", "--limit", 100, "--json").json["attempts"]
        assert len(attempts) == times * (PARTS + 1)  # with the bench proofs
        assert all(one["simulated"] and one["closing"] for one in attempts)
    with Store.open(program.home) as store:
        assert store.verify() == []
    assert list(program.state.glob("virtual-*")) == []  # the demo's benches are gone
