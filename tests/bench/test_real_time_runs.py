"""The real-time benchmarks run; on a shared machine their times are not for a test to judge."""

from __future__ import annotations

import json
import sys

import pytest

from procedures.protection import longest_trip_s
from tests.bench import drop_out, time_to_off

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="needs Linux pseudo-terminals"
)


def test_a_killed_and_a_stopped_controller_drop_out_by_the_boards_own_watchdog(
    capsys: pytest.CaptureFixture[str],
) -> None:
    drop_out.main(["--count", "2", "--json"])
    found = json.loads(capsys.readouterr().out)
    assert [one["signal"] for one in found["tries"]] == ["SIGKILL", "SIGSTOP"]
    for one in found["tries"]:  # never before the watchdog's time; long after is a machine's stall
        assert found["watchdog_s"] <= one["from_beat_s"] < 5.0
        assert one["from_signal_s"] <= one["from_beat_s"]


def test_a_broken_bound_is_told() -> None:
    late = drop_out.Try("SIGKILL", from_beat_s=1.2, from_signal_s=1.1, stall_s=0.1)
    stalled = drop_out.Try("SIGSTOP", from_beat_s=1.2, from_signal_s=1.1, stall_s=0.2)
    good = drop_out.Try("SIGSTOP", from_beat_s=1.03, from_signal_s=1.0, stall_s=0.0)
    assert drop_out.kept([good, good, stalled], 1.0) == {"median": True, "worst": True}
    assert drop_out.kept([good, good, late], 1.0) == {"median": True, "worst": False}
    assert drop_out.kept([late, late, good], 1.0) == {"median": False, "worst": False}
    assert "BROKEN" in drop_out.report([late], 1.0)


def test_each_current_is_switched_off_in_the_order_of_events(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MILLIPROOF_STATE", "")  # the benchmark sets its own; here it is put back
    monkeypatch.setattr(time_to_off, "CURRENTS_MA", (10.0, 100.0))
    time_to_off.main(["--count", "1", "--json"])
    found = json.loads(capsys.readouterr().out)
    assert [one["ma"] for one in found["tries"]] == [10.0, 100.0]
    for one in found["tries"]:  # how long is the machine's affair, that it comes in order is ours
        parts = [one[step] for step in time_to_off.STEPS]
        assert sum(parts) == pytest.approx(one["total_s"])
        assert one["meter_s"] > 0.0
        assert one["release_s"] > 0.0
    assert found["tries"][0]["path"] == "cut_off"
    assert "gfci_trip" not in {one["path"] for one in found["tries"]}


def step(ma: float, total_s: float, stall_s: float = 0.0) -> time_to_off.Try:
    return time_to_off.Try(ma, "cut_off", 0.1, 0.1, 0.01, 0.02, total_s, stall_s)


def test_a_broken_bound_and_the_crossing_are_told() -> None:
    most = time_to_off.Bound(0.2, 0.1, 0.01, 0.02)
    assert most.total_s == pytest.approx(0.33)
    good, late, stalled = step(6.0, 0.32), step(20.0, 0.4), step(20.0, 0.4, stall_s=0.08)
    assert time_to_off.within([good, stalled], most)
    assert not time_to_off.within([good, late], most)
    assert "BROKEN" in time_to_off.report([late], most)
    crossing_ma = time_to_off.crossing_ma([good, late])
    assert longest_trip_s(crossing_ma) == pytest.approx(0.4)  # UL 943: (20/I)^1.43
    assert crossing_ma == pytest.approx(37.96, abs=0.05)  # 20·0.4^(-1/1.43), by hand


def test_the_write_of_two_coils_takes_the_wires_time() -> None:
    # 10 bytes and 3.5 characters of 11 bits at 19200: 7.7 ms (MODBUS over Serial Line V1.02)
    tick_s = time_to_off.REAL_TICK_S
    assert time_to_off.bound(0.1, 19200).write_s - tick_s == pytest.approx(13.5 * 11 / 19200)
