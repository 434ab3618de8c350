"""How often the likely cause is right, and how often it says "don't know" where it should.

Run: python -m tests.bench.causes [--parts 4000] [--odd 1000] [--seed 1] [--plant 0]. Prints a confusion
table; with --plant a second one, of whole attempts on the virtual plant (seconds a part).
Parts and faults are invented (cause_faults.py); the readings follow from Ohm's law (cause_attempts.py).
A pair of causes that nothing tells apart counts as not decided.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from procedures.causes import EITHER, UNKNOWN, likely
from tests.bench.cause_attempts import attempt
from tests.bench.cause_faults import GROUPS, ODD, draw

UNDECIDED = "not decided"


@dataclass
class Tally:
    """Counts of (true cause, named cause), and of what was said of the odd ones out."""

    named: Counter[tuple[str, str]] = field(default_factory=Counter)

    def add(self, truth: str, said: str) -> None:
        """One part. What is not decided is told apart from what is wrong."""
        undecided = said == UNKNOWN or EITHER in said
        self.named[truth, UNDECIDED if undecided else said] += 1

    def decided(self) -> int:
        """Known faults for which a cause was named."""
        return sum(
            n for (truth, said), n in self.named.items() if said != UNDECIDED and truth != ODD
        )

    def right(self) -> float:
        """Share of the decided that is right; holes near the middle and elsewhere are one cause."""
        good = sum(n for (truth, said), n in self.named.items() if _same(truth, said))
        return good / self.decided()

    def share_decided(self) -> float:
        """Share of the known faults that is decided."""
        return self.decided() / sum(n for (truth, _), n in self.named.items() if truth != ODD)

    def odd_unknown(self) -> float:
        """Share of the odd ones out that is "don't know"."""
        odd = sum(n for (truth, _), n in self.named.items() if truth == ODD)
        return self.named[ODD, UNDECIDED] / odd


def _same(truth: str, said: str) -> bool:
    return GROUPS.get(truth, truth) == GROUPS.get(said, said)


def tally(parts: int, odd: int, seed: int) -> Tally:
    """Draw, play the attempt, ask for the cause."""
    rng, found = np.random.default_rng(seed), Tally()
    for n in range(parts + odd):
        truth = draw(rng, n < parts)
        found.add(truth.cause, likely(attempt(truth, rng)).cause)
    return found


def on_the_plant(rounds: int, seed: int) -> Tally:
    """Whole attempts on the virtual plant, each fault ``rounds`` times."""
    from tests.bench.cause_plant import proved

    found = Tally()
    for truth, said in proved(rounds, seed):
        found.add(truth, said)
    return found


def show(found: Tally) -> None:
    """The confusion table, a line for each true cause, and the three figures."""
    truths = sorted({truth for truth, _ in found.named})
    for truth in truths:
        said = [(n, name) for (t, name), n in found.named.items() if t == truth]
        words = "; ".join(f"{name} {n}" for n, name in sorted(said, reverse=True))
        print(f"{truth:<42} {words}")
    print(f"\nright of those decided     {found.right():.3f} of {found.decided()}")
    print(f"decided of known faults    {found.share_decided():.3f}")
    print(f"don't know of odd ones out {found.odd_unknown():.3f}")


def main(argv: Sequence[str] | None = None) -> None:
    """Parse, draw, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    for name, default in (("parts", 4000), ("odd", 1000), ("seed", 1), ("plant", 0)):
        parser.add_argument(f"--{name}", type=int, default=default)
    given = parser.parse_args(argv)
    if given.parts:
        show(tally(given.parts, given.odd, given.seed))
    if given.plant:
        show(on_the_plant(given.plant, given.seed))


if __name__ == "__main__":
    main()
