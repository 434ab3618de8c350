"""Drawing the drill's tries: which fault, where, on which part, at which moment. Pure but for the seed.

The same count and seed draw the same tries. Of all tries a quarter is faultless, a twentieth meets a
single bad frame, about one in sixteen two faults; the rest deals single faults evenly over all cells
(fault, guard state), so that 2000 tries meet each cell at least five times.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import cycle, islice
from random import Random
from typing import Literal

from rig.drill_kinds import CELLS, KINDS, ONE_FRAME, PARTS, Kind

FAULTLESS, ONE_BAD_FRAME, PAIRS = 0.25, 0.05, 0.06
EARLY = 0.5  # share of moments in the first scans of a visit: that is where switching happens
EARLY_SCANS = 4
PASSING, PASSING_S = {"bus": 0.75, "instrument": 0.3, "bench": 0.3}, (0.3, 1.0, 3.0)
PAIR_SCANS = 5  # the second fault follows the first within so many scans

Group = Literal["faultless", "one bad frame", "single", "pair"]


@dataclass(frozen=True, slots=True)
class Moment:
    """A scan in a run: the ``visit`` share of all visits to ``state``; in that visit the scan
    number ``early``, else the ``within`` share of its scans."""

    state: str
    visit: float
    within: float
    early: int | None = None

    def scan(self, visits: Sequence[int]) -> tuple[int, int]:
        """(visit, scan in it), counted from 0, when a faultless run's visits have these lengths."""
        n = min(len(visits) - 1, int(self.visit * len(visits)))
        last = visits[n] - 1
        return n, min(last, int(self.within * (last + 1)) if self.early is None else self.early)


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of a try, limited to so many replies or simulated seconds, else until it is mended;
    ``after`` scans behind the first."""

    kind: str
    where: str
    count: int | None = None
    for_s: float | None = None
    after: int = 0


@dataclass(frozen=True, slots=True)
class Try:
    """One try. Without a moment it is faultless. ``fresh``: how often it was drawn again."""

    number: int
    group: Group
    part: str
    moment: Moment | None = None
    faults: tuple[Fault, ...] = ()
    fresh: int = 0

    @property
    def name(self) -> str:
        """What the table calls it."""
        if self.group == "one bad frame":
            return f"one bad frame: {self.faults[0].kind}"
        if self.group == "pair":
            return "two faults"
        return self.faults[0].kind if self.faults else "no fault"


@dataclass(frozen=True, slots=True)
class Wish:
    """What to draw from: parts by serial number and kinds by name; empty: all."""

    parts: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()

    def cells(self) -> list[tuple[str, str]]:
        """Fault and state, for the kinds asked for that have a part."""
        asked = [cell for cell in CELLS if not self.kinds or cell[0] in self.kinds]
        return [(name, state) for name, state in asked if self.parts_for(KINDS[name], state)]

    def parts_for(self, kind: Kind, state: str) -> list[str]:
        """Parts whose run meets this kind in this state."""
        named = [PARTS[serial] for serial in kind.parts] or [p for p in PARTS.values() if p.common]
        return [p.serial for p in named if self._may(p.serial) and state not in p.never]

    def common(self) -> list[str]:
        """Parts for faultless runs."""
        return [
            p.serial for p in PARTS.values() if self._may(p.serial) and (p.common or self.parts)
        ]

    def _may(self, serial: str) -> bool:
        return not self.parts or serial in self.parts


def draw(count: int, seed: int, wish: Wish | None = None) -> list[Try]:
    """``count`` tries in a drawn order. Without cells to draw from all are faultless."""
    rng, wish = Random(seed), wish or Wish()
    cells = wish.cells()
    frames = [name for name in ONE_FRAME if not wish.kinds or name in wish.kinds]
    shares = _shares(count, bool(cells), bool(frames), len({name for name, _ in cells}) > 1)
    rng.shuffle(cells)
    tries = [_faultless(rng, wish) for _ in range(shares["faultless"])]
    tries += [
        _one_frame(rng, wish, name) for name in islice(cycle(frames), shares["one bad frame"])
    ]
    tries += [_single(rng, wish, *cell) for cell in islice(cycle(cells), shares["single"])]
    tries += [_pair(rng, wish, cells) for _ in range(shares["pair"])]
    rng.shuffle(tries)
    return [replace(one, number=number) for number, one in enumerate(tries, 1)]


def _shares(count: int, cells: bool, frames: bool, pairs: bool) -> Mapping[Group, int]:
    if not cells:
        return {"faultless": count, "one bad frame": 0, "pair": 0, "single": 0}
    faultless = round(FAULTLESS * count)
    one_bad_frame = round(ONE_BAD_FRAME * count) if frames else 0
    pair = round(PAIRS * count) if pairs else 0
    single = count - faultless - one_bad_frame - pair
    return {
        "faultless": faultless,
        "one bad frame": one_bad_frame,
        "pair": pair,
        "single": single,
    }


def _faultless(rng: Random, wish: Wish) -> Try:
    return Try(0, "faultless", rng.choice(wish.common()))


def _one_frame(rng: Random, wish: Wish, name: str) -> Try:
    kind = KINDS[name]
    state = rng.choice([s for s in kind.states if wish.parts_for(kind, s)])
    one = _single(rng, wish, name, state)
    fault = replace(one.faults[0], count=1, for_s=None)
    return replace(one, group="one bad frame", faults=(fault,))


def _single(rng: Random, wish: Wish, name: str, state: str) -> Try:
    kind = KINDS[name]
    part = rng.choice(wish.parts_for(kind, state))
    fault = _fault(rng, kind)
    return Try(0, "single", part, _moment(rng, state), (fault,))


def _pair(rng: Random, wish: Wish, cells: list[tuple[str, str]]) -> Try:
    """Two different kinds; the second comes within half a second, before the first has ended the
    run. A program that is gone can't break again, so such a kind comes last."""
    first = _single(rng, wish, *rng.choice(cells))
    others = sorted({name for name, _ in cells} - {first.faults[0].kind})
    kind = KINDS[rng.choice(others)]
    second = _fault(rng, kind)
    faults = sorted((first.faults[0], second), key=lambda f: KINDS[f.kind].side == "program")
    after = rng.randrange(PAIR_SCANS)
    return replace(first, group="pair", faults=(faults[0], replace(faults[1], after=after)))


def _fault(rng: Random, kind: Kind) -> Fault:
    """Some faults pass by themselves, on the lines most; the others stay until they are mended."""
    passes = rng.random() < PASSING.get(kind.side, 0.0)
    return Fault(
        kind.name, rng.choice(kind.places), for_s=rng.choice(PASSING_S) if passes else None
    )


def _moment(rng: Random, state: str) -> Moment:
    early = rng.randrange(EARLY_SCANS) if rng.random() < EARLY else None
    return Moment(state, rng.random(), rng.random(), early)


def again(one: Try) -> Try:
    """The same try at an earlier moment: the drawn one did not come."""
    assert one.moment is not None
    earlier = replace(one.moment, visit=one.moment.visit / 2.0, within=0.0, early=0)
    return replace(one, moment=earlier, fresh=one.fresh + 1)
