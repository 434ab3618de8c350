"""The real-time benchmarks run; on a shared machine their times are not for a test to judge."""

from __future__ import annotations

import json
import sys

import pytest

from tests.bench import drop_out

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
