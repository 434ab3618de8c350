"""The control channel and simulated time, without sockets."""

from __future__ import annotations

import json
from typing import Any

import pytest

from drivers.virtual.control import Control, ControlConnection
from drivers.virtual.pace import FREE_AFTER_S, Pace
from drivers.virtual.plant import Plant
from tests.drivers.virtual.operate import DEMO


class Channel:
    def __init__(self, lockstep: bool = True) -> None:
        self.plant = Plant(DEMO)
        self.advanced = 0
        self.link = ControlConnection(Control(Pace(self.plant, lockstep), self._note))

    def _note(self) -> None:
        self.advanced += 1

    def ask(self, request: object) -> Any:
        return json.loads(self.link.feed(json.dumps(request).encode() + b"\n"))


def test_advance() -> None:
    channel = Channel()
    assert channel.ask({"do": "advance", "s": 0.1})["t_s"] == pytest.approx(0.1)
    assert channel.ask({"do": "advance", "s": 25})["t_s"] == pytest.approx(25.1)
    assert channel.advanced == 2


def test_hands_and_eyes() -> None:
    channel = Channel()
    acts: list[dict[str, object]] = [
        {"act": "mount", "bay": 2, "serial": "LK01-2201"},
        {"act": "lid", "closed": True},
        {"act": "arm", "pressed": True},
        {"act": "stop", "pressed": False},
        {"act": "reset_gfci"},
        {"act": "supply", "v": 120.0},
        {"act": "interlock", "name": "hood_ok", "opened": True},
        {"act": "lamp", "bay": 3},
    ]
    for act in acts:
        assert channel.ask({"do": "hands", **act}) == {"said": "done"}
    assert channel.ask({"do": "hands", "act": "eyes", "key": "look", "bay": 2}) == {"said": "clean"}
    assert channel.plant.inputs()["lid_closed"]
    assert channel.plant.inputs()["arm_pressed"]
    assert channel.ask({"do": "hands", "act": "unmount", "bay": 2}) == {"said": "done"}


def test_account_and_shelf() -> None:
    channel = Channel()
    channel.plant.set_output("source_bond", True)
    channel.plant.step(0.1)
    account = channel.ask({"do": "account"})
    assert (account["hazards"], account["kinds"]) == (1, {"source": 1})
    assert account["entries"][0]["words"]
    shelf = channel.ask({"do": "shelf"})["shelf"]
    assert shelf["OF55-0231"]["rated_w"] == 5500.0
    assert "leaks" not in json.dumps(shelf)


@pytest.mark.parametrize(
    ("request_body", "words"),
    [
        ([], "JSON object"),
        ({}, "'do' must be"),
        ({"do": "jump"}, "'do' must be"),
        ({"do": "advance"}, "'s' must be"),
        ({"do": "advance", "s": -1}, "'s' must be"),
        ({"do": "advance", "s": float("nan")}, "'s' must be"),
        ({"do": "advance", "s": 1e9}, "'s' must be"),
        ({"do": "advance", "s": True}, "'s' must be"),
        ({"do": "advance", "s": "1"}, "'s' must be"),
        ({"do": "hands"}, "'act' must be"),
        ({"do": "hands", "act": "mount", "bay": "1", "serial": "x"}, "'bay' must be"),
        ({"do": "hands", "act": "mount", "bay": 1, "serial": "x"}, "no part"),
        ({"do": "hands", "act": "lid", "closed": 1}, "'closed' must be"),
    ],
)
def test_wrong_requests_are_answered_in_words(request_body: object, words: str) -> None:
    channel = Channel()
    assert words in channel.ask(request_body)["error"]
    assert channel.plant.t_s == 0.0


def test_broken_json_and_pieces() -> None:
    channel = Channel()
    assert b"error" in channel.link.feed(b"{nonsense\n")
    assert channel.link.feed(b'{"do": "adv') == b""
    assert b"t_s" in channel.link.feed(b'ance", "s": 0}\n')
    assert b"too long" in channel.link.feed(b"x" * 70_000)


def test_real_time_bench_refuses_to_be_told() -> None:
    assert "real time" in Channel(lockstep=False).ask({"do": "advance", "s": 1})["error"]


# ---- lockstep and free run, with wall time given by hand ----------------------------------------


def test_lockstep_stands_still_then_runs_free_after_a_second() -> None:
    plant = Plant(DEMO)
    pace = Pace(plant, True, now_s=100.0)
    for n in range(1, 50):
        pace.tick(100.0 + n * 0.02)
    assert plant.t_s == 0.0
    for n in range(50, 151):
        pace.tick(100.0 + n * 0.02)
    assert plant.t_s == pytest.approx(3.02 - FREE_AFTER_S, abs=0.05)


def test_an_advance_ends_the_free_run() -> None:
    plant = Plant(DEMO)
    pace = Pace(plant, True, now_s=0.0)
    pace.tick(1.2)
    assert plant.t_s > 0.0
    t_s = pace.advance(0.5, 1.25)
    pace.tick(2.0)
    assert plant.t_s == t_s


def test_a_stalled_machine_does_not_make_the_bench_jump() -> None:
    plant = Plant(DEMO)
    pace = Pace(plant, False, now_s=0.0)
    pace.tick(30.0)
    assert plant.t_s <= 0.51


def test_hung_controller_meets_its_watchdog() -> None:
    plant = Plant(DEMO, guarded=True)
    pace = Pace(plant, True, now_s=0.0)
    plant.beat(1)
    plant.set_output("contactor_1", True)
    pace.advance(0.1, 0.0)
    assert not plant.inputs()["contactor_1_open"]
    for n in range(1, 130):
        pace.tick(n * 0.02)
    assert plant.inputs()["contactor_1_open"]
