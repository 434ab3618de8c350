"""What each fault of the bench and of an instrument does, seen at the plant."""

from __future__ import annotations

import math

import pytest

from drivers.virtual.fault_meters import CHANNELS
from drivers.virtual.names import COILS, FEEDS
from drivers.virtual.registers import STATUS, input_words
from drivers.virtual.scpi import ScpiMeter
from drivers.virtual.truth import LeakTruth, PartTruth
from tests.drivers.virtual.operate import heater
from tests.drivers.virtual.test_faults import LEAKY, Broken

# ---- contactors and relays ---------------------------------------------------------------------------


@pytest.mark.parametrize("welded", ["contactor_1", "contactor_2"])
def test_a_welded_contactor_stays_in_and_the_other_breaks(welded: str) -> None:
    broken = Broken()
    broken.begin("welded", welded)
    broken.plant.step(0.5)
    assert broken.plant.contactors_open  # not before it closes
    broken.live()
    broken.bench.off()
    other = "contactor_2" if welded == "contactor_1" else "contactor_1"
    inputs = broken.plant.inputs()
    assert (inputs[f"{welded}_open"], inputs[f"{other}_open"]) == (False, True)
    assert not broken.plant.live


@pytest.mark.parametrize("name", list(COILS))
def test_a_dead_relay_has_its_coil_on_and_its_contact_open(name: str) -> None:
    broken = Broken()
    broken.begin("dead_relay", name)
    broken.bench.on([name])
    broken.plant.step(1.0)
    assert broken.plant.outputs[name]
    assert not broken.plant.contacts[name]


def test_what_a_dead_relay_means() -> None:
    broken = Broken(LEAKY)
    broken.begin("dead_relay", "contactor_2")
    broken.live()
    assert not broken.plant.live
    assert broken.plant.inputs()["contactor_2_open"]
    broken = Broken(LEAKY)
    broken.begin("dead_relay", "feed_both_hot")
    broken.live()
    assert broken.plant.live
    assert broken.plant.feed is None
    assert abs(broken.plant.world.earth_a) < 1e-6
    assert broken.plant.inputs()["feeds_open"]
    broken = Broken(LEAKY)
    broken.begin("dead_relay", "bay_1")
    broken.live()
    assert broken.plant.routed == ()
    assert broken.plant.inputs()["bays_open"]


@pytest.mark.parametrize("feed", FEEDS)
def test_a_stuck_feed_relay_keeps_the_others_out(feed: str) -> None:
    broken = Broken().live(feed)
    broken.begin("feed_stuck", f"feed_{feed}")
    broken.bench.off()
    for other in FEEDS:
        broken.bench.on([f"feed_{other}"], False)
        broken.plant.step(0.1)
        assert broken.plant.feed == feed
        assert not broken.plant.inputs()["feeds_open"]
        broken.bench.on([f"feed_{other}"])
        broken.plant.step(0.1)
        assert broken.plant.feed == feed
        broken.bench.on([f"feed_{other}"], False)


def test_a_feed_relay_sticks_at_its_next_closing() -> None:
    broken = Broken()
    broken.begin("feed_stuck", "feed_limited")
    broken.plant.step(1.0)
    assert broken.plant.feed is None
    broken.bench.on(["feed_limited"])
    broken.plant.step(0.1)
    broken.bench.on(["feed_limited"], False)
    broken.plant.step(0.1)
    assert broken.plant.feed == "limited"


@pytest.mark.parametrize("says", ["open", "closed"])
@pytest.mark.parametrize("number", [1, 2])
def test_a_mirror_contact_lies(number: int, says: str) -> None:
    broken = Broken()
    broken.begin("mirror", f"contactor_{number} {says}")
    assert broken.plant.inputs()[f"contactor_{number}_open"] is (says == "open")
    broken.live()
    assert broken.plant.live
    assert broken.plant.inputs()[f"contactor_{number}_open"] is (says == "open")
    assert broken.plant.inputs()[f"contactor_{3 - number}_open"] is False


# ---- lid, stop, water --------------------------------------------------------------------------------


def test_the_lid_is_forced_although_locked_and_closes_again() -> None:
    broken = Broken()
    broken.begin("lid", for_s=1.0)
    inputs = broken.plant.inputs()
    assert (inputs["lid_closed"], inputs["lid_locked"]) == (False, False)
    broken.plant.step(2.0)
    inputs = broken.plant.inputs()
    assert (inputs["lid_closed"], inputs["lid_locked"]) == (True, True)


def test_stop_drops_the_contactors_in_hardware_and_stays_in() -> None:
    broken = Broken().live()
    broken.begin("stop")
    broken.plant.step(0.1)
    assert not broken.plant.live
    assert broken.plant.contactors_open
    assert not broken.plant.inputs()["stop_healthy"]


def test_water_flow_and_thermal_cut_out() -> None:
    broken = Broken()
    broken.bench.water()
    broken.begin("flow_lost")
    broken.plant.step(0.1)
    assert (broken.plant.water.level_ok, broken.plant.water.flow_ok) == (True, False)
    broken.begin("water_lost")
    broken.plant.step(0.1)
    assert not broken.plant.water.level_ok
    broken.plant.step(1.0)
    assert broken.plant.water.level == 0.0
    assert broken.plant.inputs()["thermal_ok"]
    broken.begin("thermal")
    assert not broken.plant.inputs()["thermal_ok"]


# ---- supply, reference, earth, GFCI ------------------------------------------------------------------


@pytest.mark.parametrize(("kind", "share"), [("brown_out", 0.70), ("over_voltage", 1.15)])
def test_the_supply_sags_or_rises(kind: str, share: float) -> None:
    broken = Broken().live()
    before_v = broken.plant.supply.leg_1_v
    broken.begin(kind)
    broken.plant.step(0.2)
    assert broken.plant.supply.leg_1_v / before_v == pytest.approx(share, abs=0.005)
    assert broken.plant.supply.leg_2_v / before_v == pytest.approx(share, abs=0.01)


def test_without_its_reference_a_leak_finds_no_return() -> None:
    """1 mA at 120 V through 120 kohm; 1 nF of stray capacity is 2.65 Mohm at 60 Hz: 0.045 mA by hand,
    seen through 120 kohm in series hardly less."""
    broken = Broken(LEAKY).live()
    assert 1000.0 * abs(broken.plant.world.earth_a) == pytest.approx(1.0, abs=0.05)
    broken.begin("reference_lost")
    broken.plant.step(0.2)
    assert 1000.0 * abs(broken.plant.world.earth_a) == pytest.approx(0.045, abs=0.005)
    assert broken.plant.world.live
    assert abs(broken.plant.world.across_v) < 1.0  # both hot: nothing else changed


def test_without_its_reference_the_gfci_is_blind() -> None:
    broken = Broken()
    broken.begin("reference_lost")
    broken.bench.on(["trip_leg_1", "contactor_1", "contactor_2"])
    broken.plant.step(7.0)
    assert broken.plant.gfci.closed
    broken.bench.off()
    broken.bench.on(["neutral_upstream"])
    broken.plant.step(0.1)
    assert broken.plant.values()["injection_ma"] < 0.1


@pytest.mark.parametrize(("where", "alarm"), [("shown", True), ("silent", False)])
def test_without_its_earth_both_sensors_read_nothing(where: str, alarm: bool) -> None:
    broken = Broken(LEAKY).live()
    broken.begin("ground_lost", where)
    broken.plant.step(0.1)
    assert broken.plant.inputs()["earth_ok"]
    broken.plant.step(0.3)
    assert broken.plant.inputs()["earth_ok"] is not alarm
    values = broken.plant.values()
    assert values["leakage_ma"] < 0.05
    assert values["second_leakage_ma"] < 0.1
    assert broken.plant.live


def test_a_positive_control_is_missed_without_earth_or_reference() -> None:
    """0.25 mA from leg 1 to the chassis has no way back."""
    for kind, where in (("ground_lost", "silent"), ("reference_lost", "supply")):
        broken = Broken()
        broken.bench.on(["positive_control"])
        broken.live("limited")
        with_earth_ma = broken.plant.values()["leakage_resistive_ma"]
        assert with_earth_ma == pytest.approx(0.25, abs=0.05)
        broken.begin(kind, where)
        broken.plant.step(0.5)
        assert abs(broken.plant.values()["leakage_resistive_ma"]) < 0.05


def test_a_gfci_that_trips_and_one_that_can_not() -> None:
    broken = Broken().live()
    broken.begin("gfci_trips")
    broken.plant.step(0.05)
    assert not broken.plant.inputs()["gfci_live"]
    assert not broken.plant.live
    broken = Broken()
    broken.begin("gfci_dead")
    broken.bench.on(["trip_leg_1", "contactor_1", "contactor_2"])
    broken.plant.step(7.0)
    assert broken.plant.gfci.closed


# ---- instruments -------------------------------------------------------------------------------------

POWERED = PartTruth(
    family="converter",
    rated_w=600.0,
    leaks=(LeakTruth(resistive_ma=0.6, capacitive_ma=0.8),),
)


def _leaking() -> Broken:
    broken = Broken(POWERED).live("line_neutral")
    broken.plant.step(1.0)
    return broken


@pytest.mark.parametrize("channel", ["leakage", "second_leakage", "bay_v", "supply_v", "load_a"])
def test_frozen_keeps_every_digit_while_the_world_changes(channel: str) -> None:
    broken = _leaking()
    names = CHANNELS[channel].quantities
    before = [broken.plant.values()[name] for name in names]
    broken.begin("frozen", channel)
    broken.bench.off()
    broken.plant.step(3.0)
    assert [broken.plant.values()[name] for name in names] == before
    if channel == "leakage":
        assert broken.plant.values()["second_leakage_ma"] < 0.05


def test_a_frozen_test_meter_shows_an_earlier_part() -> None:
    broken = Broken()
    assert broken.bench.source("bond")["bond_ohm"] == pytest.approx(0.03, abs=0.01)
    broken.begin("frozen", "bond")
    broken.plant.contactors["contactor_1"].state = False
    broken.bench.on(["bay_1"], False)  # nothing is connected: open
    broken.bench.on(["source_bond"])
    broken.plant.step(1.2)
    shown = broken.plant.meters.read(broken.plant.meters.dead_tests)
    assert broken.plant.meters.dead_tests["bond_ohm"] == math.inf
    assert shown["bond_ohm"] == pytest.approx(0.03, abs=0.01)


def test_a_frozen_test_meter_that_never_showed_anything_keeps_its_first_digits() -> None:
    broken = Broken()
    broken.begin("frozen", "ohms")
    first = broken.bench.source("ohms")["resistance_ohm"]
    assert broken.bench.source("ohms")["resistance_ohm"] == first


def test_not_a_number_and_over_range_on_each_kind_of_wire() -> None:
    """SCPI-99: 9.91E37 and 9.9E37. Registers: IEEE 754, else the status bits or a count that can't be."""
    broken = _leaking()
    for channel in CHANNELS:
        broken.begin("nan", channel)
    meter = ScpiMeter(broken.plant)
    assert meter.leakage() == ",".join(["9.91E+37"] * 4)
    words = input_words(broken.plant.values())
    assert words[0:2] == words[6:8] == [0x7FC0, 0x0000]
    assert (words[14], words[15], words[STATUS]) == (0x8000, 0x8000, 1)
    broken = _leaking()
    for channel in CHANNELS:
        broken.begin("over_range", channel)
    assert ScpiMeter(broken.plant).leakage() == ",".join(["9.9E+37"] * 4)
    words = input_words(broken.plant.values())
    assert words[0:2] == [0x7F80, 0x0000]
    assert (words[14], words[STATUS], words[20:22]) == (0x7FFF, 4, [0xFFFF, 0x7FFF])


def test_drift_moves_a_whole_vector_evenly() -> None:
    broken = _leaking()
    before = broken.plant.values()
    broken.begin("drift", "leakage", how={"per_min": -0.3})
    broken.plant.step(60.0)
    after = broken.plant.values()
    assert after["leakage_ma"] == pytest.approx(before["leakage_ma"] - 0.3, abs=0.03)
    ratio = after["leakage_ma"] / before["leakage_ma"]
    for name in ("leakage_resistive_ma", "leakage_capacitive_ma"):
        assert after[name] / before[name] == pytest.approx(ratio, abs=0.04)
    assert after["second_leakage_ma"] == pytest.approx(before["second_leakage_ma"], abs=0.03)


def test_drift_ends_at_nothing() -> None:
    broken = _leaking()
    broken.begin("drift", "second_leakage")
    broken.plant.step(600.0)
    assert broken.plant.values()["second_leakage_ma"] == 0.0


@pytest.mark.parametrize("channel", ["leakage", "second_leakage", "load_a", "supply_v"])
def test_a_lost_scale_reads_a_tenth(channel: str) -> None:
    broken = _leaking()
    name = CHANNELS[channel].quantities[0]
    before = broken.plant.values()[name]
    broken.begin("scale", channel)
    broken.plant.step(1.0)
    assert broken.plant.values()[name] == pytest.approx(before / 10.0, rel=0.1)


@pytest.mark.parametrize("channel", ["leakage", "second_leakage", "load_a", "bay_v"])
def test_a_blind_sensor_shows_only_its_noise(channel: str) -> None:
    broken = _leaking()
    broken.begin("blind", channel)
    seen = set()
    for _ in range(5):
        broken.plant.step(0.2)
        values = broken.plant.values()
        for name in CHANNELS[channel].quantities:
            assert abs(values[name]) < 1.0 if name != "power_w" else abs(values[name]) < 2.0
        seen.add(values[CHANNELS[channel].quantities[0]])
    assert len(seen) == 5
    if "leakage" in channel:
        assert values[CHANNELS[channel].quantities[0]] < 0.02


def test_a_blind_ohm_meter_reads_zero() -> None:
    broken = Broken(heater())
    broken.begin("blind", "ohms")
    assert broken.bench.source("ohms")["resistance_ohm"] < 0.05
