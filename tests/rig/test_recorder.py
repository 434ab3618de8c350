"""The recorder: order, lag, death. A slow or dead disk must show, never block."""

from __future__ import annotations

import threading
import time

import pytest

import rig.recorder
from rig.recorder import Recorder


class Memory:
    """A work file in memory that can be held up or broken."""

    def __init__(self) -> None:
        self.entries: list[dict[str, object]] = []
        self.synced = 0
        self.gate = threading.Event()
        self.gate.set()
        self.full = False

    def append(self, entry: dict[str, object]) -> None:
        self.gate.wait(10.0)
        if self.full:
            raise OSError(28, "No space left on device")
        self.entries.append(entry)

    def sync(self) -> None:
        self.synced = len(self.entries)


def test_entries_are_written_in_order_and_synced() -> None:
    work = Memory()
    recorder = Recorder(work, pause_s=0.0)
    for n in range(500):
        recorder.put({"n": n})
    recorder.close()
    assert [e["n"] for e in work.entries] == list(range(500))
    assert work.synced == 500


def test_a_lagging_journal_is_not_ok_and_put_never_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rig.recorder, "RECORDER_LAG_S", 0.2)
    work = Memory()
    recorder = Recorder(work, pause_s=0.0)
    work.gate.clear()
    recorder.put({"n": 0})
    assert recorder.ok
    time.sleep(0.5)
    assert not recorder.ok
    work.gate.set()
    recorder.close()
    assert recorder.ok


def test_a_full_disk_kills_the_recorder_and_shows() -> None:
    work = Memory()
    work.full = True
    recorder = Recorder(work, pause_s=0.0)
    recorder.put({"n": 0})
    with pytest.raises(OSError, match="No space left"):
        recorder.close()
    assert not recorder.ok
