"""One thread per line that polls it at its own period, for real-time mode."""

from __future__ import annotations

import threading
from collections.abc import Callable

from drivers.roles import Clock, Station


class PollingThread:
    """Polls ``station`` every ``period_s`` until stopped. ``died``: the exception that ended it.
    ``polled`` is called after each poll, in this thread.

    A station's ``poll`` keeps line faults to itself; whatever else gets out ends the thread, the
    readings grow stale, and the scan sees both.
    """

    def __init__(
        self,
        station: Station,
        clock: Clock,
        period_s: float,
        polled: Callable[[Station], None] = lambda _station: None,
    ) -> None:
        self._station, self._clock, self._period_s = station, clock, period_s
        self._polled = polled
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"poll {station.name}", daemon=True)
        self.died: Exception | None = None

    def start(self) -> None:
        """Start polling; once only."""
        self._thread.start()

    def stop(self) -> None:
        """Ask the thread to end and wait for it: at most one poll and one period."""
        self._stopped.set()
        if self._thread.is_alive():
            self._thread.join()

    def _run(self) -> None:
        next_s = self._clock.now_s()
        try:
            while not self._stopped.is_set():
                self._station.poll()
                self._polled(self._station)
                # after a poll that overran its period the missed turns are dropped, not made up
                next_s = max(next_s + self._period_s, self._clock.now_s())
                self._clock.sleep_until(next_s)
        except Exception as exc:
            self.died = exc
