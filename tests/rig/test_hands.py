"""Answers typed at a prompt: what is one, what is none, and that none is taken for another."""

from __future__ import annotations

import queue

import pytest

from procedures.scan import Ask
from rig.guard_seen import Decision
from rig.hands import Person, parse_answer

CONFIRM = Ask("empty", "Is the bay empty?")
CHOICE = Ask("look", "What do you see?", "choice", ("clean", "pit"))
NUMBER = Ask("ambient_c", "Ambient temperature", "number", unit="°C")
IDLE = Decision(frozenset(), True, "off", None, None)


@pytest.mark.parametrize(
    ("ask", "line", "answer"),
    [
        (CONFIRM, "yes", "yes"),
        (CONFIRM, " Y ", "yes"),
        (CONFIRM, "no", None),
        (CONFIRM, "", None),
        (CHOICE, "1", "clean"),
        (CHOICE, "PIT", "pit"),
        (CHOICE, "3", None),
        (CHOICE, "0", None),
        (NUMBER, "21.5", 21.5),
        (NUMBER, "nan", None),
        (NUMBER, "inf", None),
        (NUMBER, "21,5", None),
    ],
)
def test_what_is_an_answer(ask: Ask, line: str, answer: str | float | None) -> None:
    assert parse_answer(ask, line) == answer


def person(*lines: str) -> tuple[Person, list[str], list[bool]]:
    said: list[str] = []
    asking: list[bool] = []
    typed: queue.SimpleQueue[str] = queue.SimpleQueue()
    for line in lines:
        typed.put(line)
    one = Person(said.append, asking.append, typed)
    one._listen = lambda: None  # type: ignore[method-assign]
    return one, said, asking


def test_a_question_is_said_once_and_answered_once() -> None:
    one, said, asking = person()
    answers: dict[str, str | float] = {}
    assert one.tend(CHOICE, IDLE, answers)
    assert one.tend(CHOICE, IDLE, answers)
    one.lines.put("2")
    assert not one.tend(CHOICE, IDLE, answers)
    assert answers == {"look": "pit"}
    assert len(said) == 1
    assert asking == [True, False]


def test_what_is_no_answer_is_said_and_asked_again() -> None:
    one, said, _ = person("perhaps")
    answers: dict[str, str | float] = {}
    assert one.tend(CONFIRM, IDLE, answers)
    assert not answers
    one.lines.put("yes")
    one.tend(CONFIRM, IDLE, answers)
    assert answers == {"empty": "yes"}
    assert said[1] == "'perhaps' is no answer to that."
    assert said[0] == said[2]


def test_what_the_guard_needs_is_said_in_words() -> None:
    one, said, _ = person()
    needing = Decision(frozenset(), True, "off", None, None, person_needed="arm")
    assert one.tend(None, needing, {})
    assert "press and hold" in said[0]
