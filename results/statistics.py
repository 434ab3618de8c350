"""What the attempts and sales of a home add up to: per part, then per group of parts. Counts only.

A part is judged by its newest attempt that passed or failed; it came back when it failed after it had
passed. Shares and their intervals are for whoever knows how to make them (``rig/statistics.py``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from results.history import Attempt
from results.record import Record

UNTOLD = "(not told)"


@dataclass(frozen=True, slots=True)
class Course:
    """One part: its verdicts, oldest first, without aborted ones; bench time of all its attempts, ms."""

    part: str
    groups: Mapping[str, str]
    verdicts: tuple[str, ...]
    attempts: int
    duration_ms: int

    @property
    def judged(self) -> str | None:
        """pass or fail, by the newest of these; None where there is none."""
        return next((v for v in reversed(self.verdicts) if v in ("pass", "fail")), None)

    @property
    def came_back(self) -> bool:
        """It had passed, and failed later."""
        if "pass" not in self.verdicts:
            return False
        return "fail" in self.verdicts[self.verdicts.index("pass") :]


@dataclass(slots=True)
class Group:
    """Parts that have something in common. ``recovered``: sums of sales in hundredths, by currency."""

    name: str
    parts: int = 0
    failed: int = 0
    judged: int = 0
    passed_once: int = 0
    came_back: int = 0
    attempts: int = 0
    minutes: list[float] = field(default_factory=list)
    recovered: dict[str, int] = field(default_factory=dict)

    def add(self, one: Course, sales: Iterable[Record]) -> None:
        """Count one part, and what it was sold for."""
        self.parts += 1
        self.attempts += one.attempts
        self.judged += one.judged is not None
        self.failed += one.judged == "fail"
        self.passed_once += "pass" in one.verdicts
        self.came_back += one.came_back
        self.minutes.append(one.duration_ms / 60_000)
        for sale in sales:
            price, currency = sale.body.get("price_minor"), sale.body.get("currency", "")
            if price is not None:
                self.recovered[currency] = self.recovered.get(currency, 0) + price


BY: Mapping[str, Callable[[Attempt], str]] = {
    "family": lambda one: one.family,
    "model": lambda one: one.model,
    "date_code": lambda one: one.date_code,
    "bench": lambda one: one.bench,
}


def courses(attempts: Iterable[Attempt]) -> list[Course]:
    """Each part's course, from attempts newest first; bench proofs are no part's."""
    per_part: dict[str, list[Attempt]] = {}
    for one in attempts:
        if one.part:
            per_part.setdefault(one.part, []).insert(0, one)
    return [_course(part, found) for part, found in sorted(per_part.items())]


def _course(part: str, found: list[Attempt]) -> Course:
    counted = tuple(a.verdict for a in found if a.verdict in ("pass", "fail", "none"))
    spent = sum(a.duration_ms or 0 for a in found)
    groups = {name: of(found[-1]) or UNTOLD for name, of in BY.items()}
    return Course(part, groups, counted, len(found), spent)


def grouped(found: Iterable[Course], by: str, sales: Iterable[Record]) -> list[Group]:
    """The groups by one of ``BY``, by name. ``sales``: the home's records of that kind."""
    sold: dict[str, list[Record]] = {}
    for sale in sales:
        sold.setdefault(str(sale.body["part"]), []).append(sale)
    groups: dict[str, Group] = {}
    for one in found:
        name = one.groups[by]
        groups.setdefault(name, Group(name)).add(one, sold.get(one.part, ()))
    return [groups[name] for name in sorted(groups)]
