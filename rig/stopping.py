"""A person's wish to end: Ctrl-C, a closed terminal, a polite kill.

Anywhere in the program it raises ``Stopped``. Inside ``noted`` it only leaves its words: there a bench
is on, being proved off, or its books are being closed, and to leave at once would be the worse end.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager

WORDS = {
    signal.SIGINT: "stopped by the operator (Ctrl-C)",
    signal.SIGHUP: "terminal closed",
    signal.SIGTERM: "program told to end",
}


_told: list[str] = []  # what a signal said; Stopped raised inside a callback is swallowed by Python


class Stopped(KeyboardInterrupt):
    """Raised where nothing has to be finished first."""


class Stop:
    """Whether a person wants to end, in words; empty while nobody does."""

    def __init__(self) -> None:  # no dataclass: every command imports this, and that takes 1 ms
        self.words = ""


def raise_stopped() -> None:
    """From here on each of the signals raises Stopped, as Ctrl-C always does; the first one only: who
    presses Ctrl-C again must not break off what it set going."""
    _told.clear()
    for number in WORDS:
        signal.signal(number, _raise)


def _raise(number: int, _frame: object) -> None:
    ignore()
    _told.append(WORDS[signal.Signals(number)])
    raise Stopped(WORDS[signal.Signals(number)])


def ignore() -> None:
    """From here on the program ends by itself."""
    for number in WORDS:
        signal.signal(number, signal.SIG_IGN)


@contextmanager
def noted(stop: Stop) -> Iterator[None]:
    """Within the block the signals only set ``stop``; the first one's words stay. After it the program
    ends by itself if there was one. A wish that was swallowed before counts here."""

    def note(number: int, _frame: object) -> None:
        stop.words = stop.words or WORDS[signal.Signals(number)]

    if threading.current_thread() is not threading.main_thread():
        yield  # signals reach the main thread only
        return
    stop.words = stop.words or "".join(_told[:1])
    before = {number: signal.signal(number, note) for number in WORDS}
    try:
        yield
    finally:
        for number, handler in before.items():
            known = stop.words and handler is _raise
            signal.signal(number, signal.SIG_IGN if known else handler)
