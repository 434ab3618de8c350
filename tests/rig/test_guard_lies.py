"""What lies or stands still while the guard switches: mirrors, one leakage sensor, the program itself.

Honest mirrors open before the main contacts close (IEC 60947-4-1, from memory), so a bus that is live
behind an "open" mirror is a lie of one of them. The bus may be live for half a second then, the time that
the virtual bench's account allows for what an input tells at once (common practice, no source).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from procedures.scan import Demand, Event
from rig.guard_bus import above, not_closed, split, told
from rig.guard_seen import Decision, Doubted
from tests.rig.guard_view import PROOF, decide, view
from tests.rig.guard_world import COMMISSIONING, FACTS, World, live

CONTACTORS = frozenset({"contactor_1", "contactor_2"})
MIRRORS = ("contactor_1_open", "contactor_2_open")
NAMES = ("leakage_ma", "second_leakage_ma")


def scans_on(world: World, demand: Demand, most: int = 60) -> tuple[int, Decision]:
    """For how many scans the contactors stay commanded, and the decision that ends it."""
    for n in range(most):
        decision = world.step(demand)
        if not decision.on & CONTACTORS:
            return n, decision
    raise AssertionError("never off")


# ---- a mirror that says open while its contactor is closed -----------------------------------------


@pytest.mark.parametrize("mirror", MIRRORS)
def test_a_mirror_that_lies_open_ends_closing_and_the_run_within_half_a_second(mirror: str) -> None:
    world = World()
    world.force[mirror] = True
    assert world.until(live(), "closing").on >= CONTACTORS
    scans, decision = scans_on(world, live())
    assert 0.1 * (scans + 1) <= 0.5
    name = mirror.removesuffix("_open")
    said = f"bus live while a mirror says open: the mirror of {name} does not say closed"
    assert decision.ended == said
    assert (decision.state, decision.person) == ("opening", False)
    world.force.clear()
    for _ in range(60):
        assert not world.step(live()).on & CONTACTORS


@pytest.mark.parametrize("mirror", MIRRORS)
def test_a_mirror_that_follows_a_scan_late_is_honest(mirror: str) -> None:
    world = World()
    world.until(live(), "closing")
    world.force[mirror] = True
    world.step(live())
    assert world.guard.memory.state == "closing"
    world.force.clear()
    assert world.step(live()).state == "live"


def test_the_time_begins_anew_when_bus_and_mirror_agree_in_between() -> None:
    """Bounce: two short spells do not add up."""
    world = World()
    world.until(live(), "closing")
    for bay_v in (120.0, 0.0, 120.0, 0.0, 120.0):
        world.force |= {"contactor_1_open": True, "bay_v": bay_v}
        assert world.step(live()).state == "closing"


def test_a_bus_that_was_read_before_closing_says_nothing_about_it() -> None:
    world = World()
    world.until(live(), "closing")
    world.force |= {"contactor_1_open": True, "bay_v": 0.0}
    for _ in range(15):
        assert world.step(live()).state == "closing"


def test_contactors_that_do_not_close_end_the_run_and_say_which() -> None:
    world, demand = World(), live()
    world.until(demand, "closing")
    world.force |= {"contactor_1_open": True, "contactor_2_open": True, "bay_v": 0.0}
    scans, decision = scans_on(world, demand)
    assert 1.9 < 0.1 * scans < 2.2  # the time that closing may take
    said = "contactors did not close: the mirror of contactor_1 and contactor_2 does not say closed"
    assert decision.ended == said


def test_mirrors_without_volts_are_told_as_that() -> None:
    world = World()
    world.until(live(), "closing")
    world.force["bay_v"] = 0.0
    _, decision = scans_on(world, live())
    said = "contactors did not close: the mirrors say closed, the bus reads 0 V"
    assert decision.ended == said


@pytest.mark.parametrize(
    ("values", "inputs", "state", "held"),
    [
        ({}, {"contactor_1_open": True}, "closing", True),
        ({"bay_v": 10.0}, {"contactor_2_open": True}, "closing", True),
        ({"bay_v": -10.0}, {"contactor_2_open": True}, "closing", True),
        ({"bay_v": 9.99}, {"contactor_2_open": True}, "closing", False),
        ({"bay_v": None}, {"contactor_2_open": True}, "closing", False),
        ({}, {}, "closing", False),
        ({}, {"contactor_1_open": True}, "live", False),
    ],
)
def test_when_bus_and_mirror_contradict_one_another(
    values: dict[str, float | None], inputs: dict[str, bool | None], state: str, held: bool
) -> None:
    """Dead is below 10 V (P); in live the feedback rule says so at once."""
    assert split(view(values, inputs, state=state)) is held


def test_a_bus_that_is_not_read_is_not_told_as_0_v() -> None:
    assert not_closed(view({"bay_v": None})) == "the mirrors say closed, the bus reads nothing"


@pytest.mark.parametrize("declaration", [PROOF, COMMISSIONING])
def test_proofs_look_for_such_contactors_and_go_on(declaration: object) -> None:
    world = World(declaration=declaration)  # type: ignore[arg-type]
    world.guard.memory.been_live_v = frozenset({0.0, 24.0})
    world.force["contactor_2_open"] = True
    world.until(live(), "closing")
    _, decision = scans_on(world, live())
    assert decision.state == "opening"
    assert not decision.ended


# ---- a program that stood still --------------------------------------------------------------------


@pytest.mark.parametrize("state", ["closing", "live", "breaking", "testing"])
def test_after_a_pause_nothing_stays_on_and_nothing_is_a_result(state: str) -> None:
    """The board's watchdog (1 s here, lease 0.4 s) may have dropped the outputs meanwhile."""
    world = World()
    bond = Demand("bond", source="bond")
    demand = bond if state == "testing" else live()
    world.until(demand, "live" if state == "breaking" else state)
    if state == "breaking":
        world.step(Demand("off"))
    assert world.guard.memory.state == state
    world.t_s += 2.9
    world.force |= dict.fromkeys(NAMES, 5.0) | {"gfci_live": False}
    decision = world.step(demand)
    assert not decision.on & (CONTACTORS | {"source_bond"})
    assert decision.event is None
    said = "the program stood still: 3.0 s; the board's watchdog may have dropped the outputs"
    assert (decision.ended, decision.person) == (said, False)


def test_a_pause_while_nothing_is_on_ends_nothing() -> None:
    world = World()
    for state in ("off", "routed"):
        decision = world.until(live() if state == "routed" else Demand("off"), state)
        world.t_s += 3.0
        assert not world.step(Demand("off")).ended, decision


def test_a_heartbeat_withheld_on_purpose_is_no_pause() -> None:
    world = World(declaration=PROOF)
    world.until(live(), "live")
    for _ in range(15):
        decision = world.step(live(withhold_heartbeat=True))
        assert (decision.beat, decision.ended, decision.state) == (False, "", "live")


def test_the_first_scan_has_no_scan_before_it() -> None:
    world = World(t_s=1e6)
    assert not world.step(Demand("off")).ended
    assert world.guard.memory.decided_s == world.t_s


# ---- one leakage sensor alone ----------------------------------------------------------------------


def cut(one: str, ma: float, **more: object) -> tuple[World, Decision]:
    """Live, then one sensor asks for the cut-off, and the other disagrees."""
    world = World()
    world.until(live(), "live")
    world.force[one] = ma
    world.apart = True
    for name, value in more.items():
        setattr(world, name, value)
    return world, world.step(live())


@pytest.mark.parametrize("one", NAMES)
def test_one_sensor_alone_switches_off_in_the_same_scan_without_a_result(one: str) -> None:
    world, decision = cut(one, 10.0)
    assert not decision.on & CONTACTORS
    assert (decision.event, decision.ended, decision.state) == (None, "", "opening")
    said = ""
    for _ in range(8):
        decision = world.step(live())
        assert decision.event is None
        assert not decision.on & CONTACTORS
        said = said or decision.ended
    assert said.startswith("only one leakage sensor asked for the cut-off: ")
    assert f"{one} 10.00 mA" in said
    assert "0.10 mA" in said
    assert not decision.person


@pytest.mark.parametrize("after", [0, 1, 3])
def test_the_slower_sensor_confirms_what_the_faster_one_said(after: int) -> None:
    """Meters update at different moments; the event keeps the first one's time and value."""
    world, _ = cut("leakage_ma", 10.0)
    cut_s = world.t_s
    for _ in range(after):
        assert world.step(live()).event is None
    world.force = {"leakage_ma": 0.0, "second_leakage_ma": 4.0}  # the first has seen off meanwhile
    decision = world.step(live())
    event = decision.event
    assert event is not None
    assert (event.kind, event.value, event.at_s) == ("cut_off", 10.0, cut_s)
    assert not decision.ended
    for _ in range(20):
        decision = world.step(live())
        assert (decision.event, decision.ended) == (None, "")
        assert not decision.on & CONTACTORS


def test_a_confirmation_that_comes_too_late_is_none() -> None:
    world, _ = cut("leakage_ma", 10.0)
    for _ in range(6):
        world.step(live())
    world.force["second_leakage_ma"] = 4.0
    decision = world.step(live())
    assert decision.event is None
    assert decision.ended.startswith("only one")


def test_a_confirmation_in_another_stage_is_none() -> None:
    """The procedure has gone on meanwhile: nothing would take the event for this stage's."""
    world, _ = cut("leakage_ma", 10.0)
    world.force["second_leakage_ma"] = 4.0
    decision = world.step(live(stage="the next one"))
    assert decision.event is None
    assert decision.ended.startswith("only one")


def test_both_above_the_limit_are_a_result_however_far_apart() -> None:
    world = World()
    world.until(live(), "live")
    world.force |= {"leakage_ma": 10.0, "second_leakage_ma": 3.6}
    world.apart = True
    decision = world.step(live())
    assert decision.event is not None
    assert decision.event.value == 10.0


def test_a_trip_does_not_wait_for_the_sensors() -> None:
    world = World()
    world.until(live(), "live")
    world.force |= {"gfci_live": False, "leakage_ma": 3.0}
    world.apart = True
    event = world.step(live()).event
    assert event is not None
    assert event.kind == "gfci_trip"


def test_the_confirmation_is_of_the_limit_that_was_exceeded() -> None:
    world = World()
    lowered = live(cutoff_ma=3.0)
    world.until(lowered, "live")
    world.force["leakage_ma"] = 3.3
    world.apart = True
    assert world.step(lowered).event is None
    world.force["second_leakage_ma"] = 3.1
    assert world.step(lowered).event is not None


@pytest.mark.parametrize(("over", "event"), [(frozenset({"second_leakage_ma"}), True), ((), False)])
def test_a_sensor_without_a_number_confirms_only_when_it_is_over_its_range(
    over: frozenset[str], event: bool
) -> None:
    world = World()
    world.until(live(), "live")
    world.force |= {"leakage_ma": 10.0, "second_leakage_ma": None}
    world.over = frozenset(over)
    decision = world.step(live())
    assert not decision.on & CONTACTORS
    assert (decision.event is not None) is event
    if not event:
        for _ in range(6):
            decision = world.step(live())
        assert "second_leakage_ma not read" in decision.ended


@pytest.mark.parametrize("confirmed", [True, False])
def test_a_sensor_over_its_range_switches_off_at_once_and_waits_for_the_other(
    confirmed: bool,
) -> None:
    """A large fault at once: the first meter is over its range, the other has not sampled it yet."""
    world = World()
    world.until(live(), "live")
    world.force["leakage_ma"], world.over = None, frozenset({"leakage_ma"})
    decision = world.step(live())
    assert (decision.event, decision.ended, decision.state) == (None, "", "opening")
    if confirmed:
        world.force["second_leakage_ma"] = 29.0
        event = world.step(live()).event
        assert event is not None
        assert (event.kind, event.value) == ("cut_off", 29.0)
        return
    for _ in range(6):
        decision = world.step(live())
    said = "leakage_ma over its range, second_leakage_ma 0.10 mA"
    assert decision.ended == f"only one leakage sensor asked for the cut-off: {said}"


def test_what_is_over_its_range_has_no_number_to_tell() -> None:
    """The event then keeps the greatest that was read, however little."""
    world = World()
    world.until(live(), "live")
    world.force |= {"leakage_ma": None, "second_leakage_ma": 0.05}
    world.over = frozenset({"leakage_ma"})
    assert world.step(live()).event is None
    world.force["second_leakage_ma"], world.over = None, frozenset(NAMES)
    event = world.step(live()).event
    assert event is not None
    assert event.value == 0.05


@pytest.mark.parametrize(("at_s", "ended"), [(9.5, False), (9.49, True)])
def test_how_long_a_doubted_cut_off_waits(at_s: float, ended: bool) -> None:
    event = Event("cut_off", 10.0, 1.0, at_s)
    doubted = Doubted(event, "live limited", 3.5, frozenset({"leakage_ma"}), "words")
    decision = decide(view(demand=live(), state="opening", doubted=doubted, arm="none"))
    assert decision.event is None
    assert decision.ended == ("only one leakage sensor asked for the cut-off: words" * ended)


def test_the_greatest_that_the_loop_has_found_counts_whatever_it_is_from() -> None:
    decision = decide(view(demand=live(), seen={"worst_leakage_ma": 3.6}))
    assert decision.event is not None
    assert decision.event.value == 3.6


def test_a_missing_reading_is_above_nothing() -> None:
    read = view({"leakage_ma": None, "second_leakage_ma": 0.06})
    assert above(read, 0.05) == {"second_leakage_ma"}
    assert told(read) == "leakage_ma not read, second_leakage_ma 0.06 mA"


def test_a_bench_with_one_sensor_believes_it() -> None:
    facts = replace(FACTS, quantities=FACTS.quantities - {"second_leakage_ma"})
    facts = replace(facts, vital_quantities=facts.vital_quantities - {"second_leakage_ma"})
    world = World(facts=facts)
    world.until(live(), "live")
    world.force |= {"leakage_ma": 10.0, "second_leakage_ma": None}
    assert world.step(live()).event is not None


def test_what_ended_meanwhile_stays_ended_with_its_own_words() -> None:
    world, _ = cut("leakage_ma", 10.0)
    world.guard.end("told to end", True)
    world.force["second_leakage_ma"] = 10.0
    decision = world.step(live())
    assert (decision.event, decision.ended, decision.person) == (None, "told to end", True)
