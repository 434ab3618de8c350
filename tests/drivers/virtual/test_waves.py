"""The meter's waveforms against its own readings, and against textbook series."""

from __future__ import annotations

import math
import struct
from random import Random

import numpy as np
import pytest

from drivers.virtual.scpi import ScpiMeter
from drivers.virtual.waves import POINTS, RATE_HZ, arc_rms, waves
from tests.drivers.virtual.operate import DEMO, Operator


def cycles(wave: np.ndarray, frequency_hz: float, count: int = 12) -> np.ndarray:
    """The last ``count`` whole cycles."""
    return wave[-round(count * RATE_HZ / frequency_hz) :]


def rms(wave: np.ndarray) -> float:
    return float(np.sqrt(np.mean(wave**2)))


@pytest.mark.parametrize("part", ["LK01-2201", "MB60-5521"])
def test_the_waveform_has_the_rms_that_the_meter_reads(part: str) -> None:
    plant = Operator(part).live("line_neutral", 3.0)
    leakage, supply = waves(plant, Random(1))
    values, hz = plant.values(), plant.supply.frequency_hz
    assert rms(cycles(leakage, hz)) == pytest.approx(values["leakage_ma"], abs=3e-3)
    assert rms(cycles(supply, hz)) == pytest.approx(plant.supply.leg_1_v, rel=2e-4)
    assert float(np.mean(cycles(leakage, hz))) == pytest.approx(plant.world.dc_ma, abs=1e-4)


def test_resistive_is_in_phase_with_leg_1_and_capacitive_leads() -> None:
    plant = Operator("MB60-5521").live("line_neutral", 3.0)
    leakage, supply = (cycles(w, plant.supply.frequency_hz) for w in waves(plant, Random(1)))
    unit = supply / rms(supply)
    quarter = round(RATE_HZ / plant.supply.frequency_hz / 4)
    ahead = np.roll(unit, -quarter)  # a sine that leads by 90 degrees is a quarter cycle early
    values = plant.values()
    assert float(np.mean(leakage * unit)) == pytest.approx(values["leakage_resistive_ma"], abs=5e-3)
    assert float(np.mean(leakage * ahead)) == pytest.approx(
        values["leakage_capacitive_ma"], abs=5e-3
    )


def test_a_half_wave_part_has_its_even_harmonics() -> None:
    """DC d and a fundamental of peak πd/2 with the even ones are a half-wave: nothing below zero."""
    plant = Operator("LK01-2201").live("line_neutral", 3.0)
    world = plant.world
    world.dc_ma, world.harmonic_ma, world.arc_ma = 1.0, 0.0, 0.0
    world.earth_a = complex(math.pi / 2.0 / math.sqrt(2.0)) / 1000.0
    leakage = cycles(waves(plant, Random(1))[0], plant.supply.frequency_hz)
    assert float(leakage.max()) == pytest.approx(math.pi, rel=0.02)
    assert float(leakage.min()) > -0.05
    assert float(np.mean(leakage)) == pytest.approx(1.0, abs=1e-3)


def test_arcs_are_there_at_full_volts_only_and_have_their_rms() -> None:
    operator = Operator(DEMO["LK01-2201"].model_copy(update={"arc_ma": 3.0}))
    plant = operator.live("limited", 3.0)
    assert plant.world.arc_ma == 0.0
    plant = operator.live("line_neutral", 3.0)
    assert plant.world.arc_ma == 3.0
    rng = Random(5)
    plant.world.earth_a, plant.world.dc_ma, plant.world.harmonic_ma = 0j, 0.0, 0.0
    squares = [rms(waves(plant, rng)[0]) ** 2 for _ in range(200)]
    expected = arc_rms(3.0, plant.supply.frequency_hz)
    assert math.sqrt(sum(squares) / len(squares)) == pytest.approx(expected, rel=0.05)


def test_the_command_answers_two_blocks() -> None:
    operator = Operator("LK01-2201")
    plant = operator.live("line_neutral", 3.0)
    reply = ScpiMeter(plant).feed(b"meas:wav?\n")
    size = 4 * POINTS
    head = f"#4{size}".encode()
    assert reply[: len(head)] == head
    assert reply[len(head) + size :][: 1 + len(head)] == b"," + head
    assert len(reply) == 2 * (len(head) + size) + 2
    first = struct.unpack(f">{POINTS}f", reply[len(head) : len(head) + size])
    assert first == pytest.approx(waves(plant, Random(1))[0], rel=1e-6)


def test_a_meter_that_lies_lies_in_its_waveform_too() -> None:
    plant = Operator("LK01-2201").live("line_neutral", 3.0)
    sound = waves(plant, Random(1))[0]
    plant.meters.lying.append(lambda values: values.update(leakage_ma=0.0))
    assert waves(plant, Random(1))[0] == pytest.approx(0.0 * sound)
