"""What ``verify`` answers: six questions, each apart, since one good answer says nothing of another."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from results.verify import Problem

QUESTIONS: Mapping[str, str] = {
    "signature": "Is each signature good?",
    "whole": "Is the whole document covered, and as it was?",
    "key": "Whose key is it?",
    "log": "Is it in the log?",
    "chain": "Is the chain unbroken?",
    "heads": "Do the heads of one bench agree?",
}


@dataclass(frozen=True, slots=True)
class Answer:
    """``good``: True, False, or None where it can't be told. ``problems``: one line each."""

    question: str
    good: bool | None
    words: str
    problems: tuple[str, ...] = ()

    @property
    def json(self) -> Mapping[str, Any]:
        """For machines."""
        asked = {"question": self.question, "asked": QUESTIONS[self.question]}
        return {**asked, "good": self.good, "words": self.words, "problems": list(self.problems)}


def answered(
    problems: Iterable[Problem], words: Mapping[str, str], untold: Mapping[str, str]
) -> list[Answer]:
    """One answer per question: bad where there are problems, else what can't be told, else ``words``."""
    by_question: dict[str, list[str]] = {name: [] for name in QUESTIONS}
    for one in problems:
        by_question[one.question].append(str(one))
    return [_answer(name, found, words, untold) for name, found in by_question.items()]


def _answer(
    name: str, found: list[str], words: Mapping[str, str], untold: Mapping[str, str]
) -> Answer:
    if found:
        more = f" and {len(found) - 1} more" if len(found) > 1 else ""
        return Answer(name, False, f"{found[0]}{more}", tuple(found))
    if name in untold:
        return Answer(name, None, untold[name])
    return Answer(name, True, words[name])


def overall(answers: Iterable[Answer]) -> bool | None:
    """False when one answer is bad; None when none is, but one can't be told."""
    found = {one.good for one in answers}
    return next((one for one in (False, None) if one in found), True)
