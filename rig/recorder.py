"""The recorder: its own thread between the scan and the journal.

A slow disk never delays a scan; a journal that lags, or a dead recorder, withholds the heartbeat
(``ok`` is false), because what is not recorded must not go on.
"""

from __future__ import annotations

import queue
import threading
import time
from typing import Protocol

RECORDER_LAG_S = 5.0
GATHER_S = 0.2  # at most so much is lost with the machine; a sync at each scan wears cards out
Stamped = tuple[float, dict[str, object]]


class WorkFile(Protocol):
    """What the recorder needs of a journal."""

    def append(self, entry: dict[str, object]) -> None: ...

    def sync(self) -> None: ...


class Recorder:
    """Writes entries in order and syncs after each batch. ``died`` keeps what stopped it."""

    def __init__(self, journal: WorkFile, pause_s: float = GATHER_S) -> None:
        self._journal = journal
        self._queue: queue.SimpleQueue[Stamped | None] = queue.SimpleQueue()
        self._oldest_s: float | None = None
        self._pause_s = pause_s
        self._closing = threading.Event()
        self.died: BaseException | None = None
        self._thread = threading.Thread(target=self._work, name="recorder", daemon=True)
        self._thread.start()

    def put(self, entry: dict[str, object]) -> None:
        """Hand an entry over; never blocks."""
        now_s = time.monotonic()
        if self._oldest_s is None:
            self._oldest_s = now_s
        self._queue.put((now_s, entry))

    @property
    def ok(self) -> bool:
        """Alive and at most ``RECORDER_LAG_S`` behind, in wall time."""
        oldest_s = self._oldest_s
        on_time = oldest_s is None or time.monotonic() - oldest_s < RECORDER_LAG_S
        return self.died is None and on_time

    def close(self) -> None:
        """Write what is left and stop. Raises what killed the recorder, if something did."""
        self._queue.put(None)
        self._closing.set()
        self._thread.join()
        if self.died is not None:
            raise self.died

    def _work(self) -> None:
        try:
            while self._write(self._take()):
                self._closing.wait(self._pause_s)  # let a batch gather: one sync for many entries
        except Exception as fault:  # kept: the scan sees it as not ok, close() raises it
            self.died = fault

    def _take(self) -> list[Stamped | None]:
        batch = [self._queue.get()]
        while not self._queue.empty():
            batch.append(self._queue.get())
        return batch

    def _write(self, batch: list[Stamped | None]) -> bool:
        entries = [item for item in batch if item is not None]
        if entries:
            self._oldest_s = entries[0][0]
            for _, entry in entries:
                self._journal.append(entry)
            self._journal.sync()
        self._oldest_s = None
        return len(entries) == len(batch)
