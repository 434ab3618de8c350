"""A person's wish to end is never lost, even where Python swallows what a signal handler raises."""

from __future__ import annotations

import signal
from collections.abc import Iterator

import pytest

from rig.stopping import WORDS, Stop, Stopped, noted, raise_stopped


@pytest.fixture(autouse=True)
def handlers() -> Iterator[None]:
    before = {number: signal.getsignal(number) for number in WORDS}
    yield
    raise_stopped()  # forgets what was told
    for number, handler in before.items():
        signal.signal(number, handler)


def test_a_wish_that_was_swallowed_counts_at_the_next_attempt() -> None:
    raise_stopped()
    with pytest.raises(Stopped):  # stands for a callback in which the interpreter drops it
        signal.raise_signal(signal.SIGTERM)
    stop = Stop()
    with noted(stop):
        assert stop.words == "program told to end"


def test_nothing_is_remembered_from_an_earlier_command() -> None:
    raise_stopped()
    with pytest.raises(Stopped):
        signal.raise_signal(signal.SIGINT)
    raise_stopped()
    stop = Stop()
    with noted(stop):
        assert stop.words == ""
        signal.raise_signal(signal.SIGHUP)
    assert stop.words == "terminal closed"
