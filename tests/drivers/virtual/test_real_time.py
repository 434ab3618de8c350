"""A bench by the wall clock: when things happened, stepped leaks, and bytes that take a wire's time."""

from __future__ import annotations

import os
import select
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from pymodbus.framer import FramerRTU

from drivers.errors import Refused
from drivers.virtual.moments import Moments
from drivers.virtual.plant import Plant
from drivers.virtual.process import Options, launch, options
from drivers.virtual.remote import RemoteBench
from drivers.virtual.scenario import load

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="the virtual bench needs Linux pseudo-terminals"
)
SHELF = """
[parts.STEP-1]
family = "transformer"
rated_v = 120.0
rated_w = 30.0
leaks = [{ resistive_ma = 0.5, law = "step" }]

[parts.PLAIN-1]
family = "transformer"
rated_v = 120.0
rated_w = 30.0
leaks = [{ resistive_ma = 0.5 }]
"""


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    path = tmp_path / "shelf.toml"
    path.write_text(SHELF, "utf-8")
    return path


@pytest.fixture
def plant(shelf: Path) -> Plant:
    """A part in bay 1, live on one leg."""
    plant = Plant(load(shelf))
    plant.mount(1, "STEP-1")
    plant.mount(2, "PLAIN-1")
    plant.lid(True)
    for name in ("lid_lock", "bay_1", "feed_line_neutral", "contactor_1", "contactor_2"):
        plant.set_output(name, True)
    plant.step(1.0)
    assert plant.live
    return plant


def test_a_stepped_leak_shows_in_the_meters_next_sample(plant: Plant) -> None:
    assert plant.values()["leakage_ma"] == pytest.approx(0.5, abs=0.2)
    plant.step_leaks(1, 3.0)
    plant.step(0.2)
    assert plant.values()["leakage_ma"] == pytest.approx(3.0, abs=0.2)


@pytest.mark.parametrize("bay", [2, 3])
def test_only_a_part_made_for_it_can_be_stepped(plant: Plant, bay: int) -> None:
    with pytest.raises(Refused, match=f"no stepping leak in bay {bay}"):
        plant.step_leaks(bay, 3.0)


def test_moments_are_those_of_the_ticks_that_saw_them(plant: Plant) -> None:
    moments, last = Moments(), Moments().last
    moments.look(plant, 100.0)
    last = moments.last
    assert (last.beat_s, last.dead_s, last.told_off_s) == (None, None, None)
    plant.beat(7)
    plant.step(0.01)
    moments.look(plant, 101.0)
    plant.beat(7)  # the same value is no sign of life
    plant.step(0.3)
    moments.look(plant, 102.0)
    plant.set_output("contactor_1", False)
    moments.look(plant, 103.0)
    plant.step(0.1)
    moments.look(plant, 104.0)
    assert last.beat_s == pytest.approx(100.99)  # the tick that ended at 101 was 0.01 s long
    assert (last.told_off_s, last.dead_s) == (103.0, 104.0)


def test_the_first_sample_after_a_step_is_dated(plant: Plant) -> None:
    moments = Moments()
    moments.look(plant, 100.0)
    plant.step_leaks(1, 3.0)
    moments.stepped(100.5)
    moments.look(plant, 101.0)
    assert moments.last.sampled_s is None
    plant.step(0.2)
    moments.look(plant, 102.0)
    plant.step(0.2)
    moments.look(plant, 103.0)
    assert (moments.last.stepped_s, moments.last.sampled_s) == (100.5, 102.0)


def test_a_wire_takes_no_time_in_lockstep() -> None:
    with pytest.raises(SystemExit):
        options(["--baud", "19200"])


@pytest.fixture
def slow_line(shelf: Path, tmp_path: Path) -> Iterator[tuple[int, RemoteBench]]:
    chosen = Options(shelf, real_time=True, bench_out=tmp_path / "bench.toml", baud=9600)
    with launch(chosen) as said:
        host, port = said["control"].split(":")
        remote = RemoteBench(host, int(port))
        line = os.open(said["relays_pty"], os.O_RDWR | os.O_NOCTTY)
        yield line, remote
        os.close(line)
        remote.close()


def test_bytes_take_the_time_of_the_wire_and_the_bench_file_says_its_speed(
    slow_line: tuple[int, RemoteBench], tmp_path: Path
) -> None:
    # 8 bytes and 3.5 characters out, 12 bytes back, 11 bits each at 9600: 27 ms at the least
    line, _ = slow_line
    pdu = bytes([1, 1, 0, 0, 0, 50])
    request = pdu + FramerRTU.compute_CRC(pdu).to_bytes(2, "big")
    start_s = time.monotonic()
    os.write(line, request)
    assert select.select([line], [], [], 5.0)[0]
    took_s = time.monotonic() - start_s
    assert len(os.read(line, 64)) == 12
    assert took_s > 23.5 * 11 / 9600
    assert "baud = 9600" in (tmp_path / "bench.toml").read_text("utf-8")


def test_hands_step_a_leak_and_the_moment_is_told(slow_line: tuple[int, RemoteBench]) -> None:
    _, remote = slow_line
    remote.hands("mount", bay=1, serial="STEP-1")
    before_s = time.monotonic()
    remote.hands("step", bay=1, ma=20.0)
    stepped_s = remote.moments()["stepped_s"]
    assert stepped_s is not None
    assert before_s <= stepped_s <= time.monotonic()
    with pytest.raises(Refused, match="0 to 300"):
        remote.hands("step", bay=1, ma=301.0)
