"""May this bench energise? The decision, pure: a table of what is missing and what to run.

A virtual bench, proved by its token, may. A real one may when a fault drill of this version of the
program has passed on this machine **and** a commissioning record of this bench holds: for exactly one
bench file (its digest) and exactly one version. Deny by default: whatever is unknown is missing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from rig.errors import Exit, RigError

LEAST_TRIES = 2000  # each single fault at least 5 times in each state it can occur in


class NotCommissioned(RigError):
    """A real bench whose drill or commissioning is missing: it does not energise."""

    exit_code = Exit.NOT_READY


@dataclass(frozen=True, slots=True)
class Drill:
    """The newest fault drill on this machine: ``passed`` with ``count`` tries from ``seed``."""

    version: str
    passed: bool
    count: int
    seed: int
    at: str = ""


def counts(standing: Drill | None, new: Drill) -> Drill:
    """Which of two drills counts: the newer one, unless it has only shown less of the same."""
    same = standing is not None and standing.version == new.version and standing.passed
    return standing if standing and same and new.passed and new.count < standing.count else new


@dataclass(frozen=True, slots=True)
class Standing:
    """What is known: the bench's file and the program now, the newest drill and commissioning."""

    virtual: bool
    digest: str
    version: str
    drill: Drill | None = None
    commissioning: Mapping[str, Any] | None = None


class Lack(NamedTuple):
    """``missing`` says whether it is; ``words`` what it is."""

    about: str
    words: str
    missing: Callable[[Standing], bool]


def _drill(good: Callable[[Drill, Standing], bool]) -> Callable[[Standing], bool]:
    return lambda s: s.drill is None or not good(s.drill, s)


def _record(good: Callable[[Mapping[str, Any], Standing], bool]) -> Callable[[Standing], bool]:
    return lambda s: s.commissioning is None or not good(s.commissioning, s)


LACKS: tuple[Lack, ...] = (
    Lack("drill", "no fault drill on this machine", lambda s: s.drill is None),
    Lack("drill", "the newest fault drill did not pass", _drill(lambda d, _: d.passed is True)),
    Lack(
        "drill",
        "the newest fault drill was of another version of this program",
        _drill(lambda d, s: d.version == s.version),
    ),
    Lack(
        "drill",
        f"the newest fault drill had fewer than {LEAST_TRIES} tries",
        _drill(lambda d, _: d.count >= LEAST_TRIES),
    ),
    Lack("commissioning", "no commissioning on record", lambda s: s.commissioning is None),
    Lack(
        "commissioning",
        "its newest commissioning did not pass",
        _record(lambda c, _: c.get("passed") is True),
    ),
    Lack(
        "commissioning",
        "its bench file has changed since it was commissioned",
        _record(lambda c, s: c.get("digest") == s.digest),
    ),
    Lack(
        "commissioning",
        "it was commissioned with another version of this program",
        _record(lambda c, s: c.get("version") == s.version),
    ),
)
RUN: Mapping[str, str] = {
    "drill": f"milliproof drill --count {LEAST_TRIES}",
    "commissioning": "milliproof bench commission --bench {path}",
}


def lacks(standing: Standing, about: tuple[str, ...] = ("drill", "commissioning")) -> list[Lack]:
    """What is missing, at most one of each kind; empty: it may energise."""
    if standing.virtual:
        return []
    found = [lack for lack in LACKS if lack.about in about and lack.missing(standing)]
    return [next(lack for lack in found if lack.about == kind) for kind in _kinds(found)]


def _kinds(found: list[Lack]) -> list[str]:
    return list(dict.fromkeys(lack.about for lack in found))


def refuse(bench_id: str, path: str, missing: list[Lack]) -> None:
    """Raise NotCommissioned with everything that is missing and what to run, in its order."""
    if not missing:
        return
    words = " and ".join(lack.words for lack in missing)
    runs = ", then: ".join(RUN[lack.about].format(path=path) for lack in missing)
    raise NotCommissioned(f"bench {bench_id}", f"is a real bench: {words}", f"run: {runs}")
