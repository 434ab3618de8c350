"""What a family is: its words, what it may use, what it needs, and how its procedure starts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from procedures.errors import BadPlate
from procedures.limits import Limit
from procedures.scan import Declaration, Feed, Part, Procedure, Setup

ALWAYS = (  # quantities that no leakage verdict can do without
    "leakage_ma",
    "leakage_resistive_ma",
    "leakage_capacitive_ma",
    "supply_v",
    "bond_ohm",
    "insulation_mohm",
)


@dataclass(frozen=True, slots=True)
class Family:
    """One family of parts. ``required`` are the conditions a pass needs, in words for a listing;
    ``plate`` the fields of ``Part`` that its plate must give."""

    name: str
    title: str
    does: tuple[str, ...]
    required: tuple[str, ...]
    cautions: tuple[str, ...]
    plate: tuple[str, ...]
    declaration: Callable[[Part, Setup], Declaration]
    procedure: Callable[[Part, Setup, Mapping[str, Limit]], Procedure]
    needs: tuple[str, ...] = ()  # besides ALWAYS: quantities, "feed ...", "aid ...", "input ..."

    def start(self, part: Part, setup: Setup, limits: Mapping[str, Limit]) -> Procedure:
        """Begin an attempt. Raises BadPlate at once, before any demand, where the plate lacks."""
        self.check_plate(part)
        return self.procedure(part, setup, limits)

    def check_plate(self, part: Part) -> None:
        """Refuse a part whose plate lacks what this family needs. Raises BadPlate."""
        needed = self.plate + (("low_a",) if part.speeds == 2 else ())
        missing = [name for name in needed if not getattr(part, name)]
        if missing:
            where = f"part {part.number}"
            raise BadPlate(where, f"no {', '.join(missing)}", "enter it from the plate at intake")
        high_a, low_a = part.rated_a or 0.0, part.low_a or 0.0
        if part.speeds == 2 and low_a > high_a:
            words = f"low_a {low_a:g} is above rated_a {high_a:g}"
            raise BadPlate("plate", words, "low speed takes at most what high speed takes")

    def lacks(self, setup: Setup) -> list[str]:
        """What the bench lacks to prove this family, in words; empty when nothing."""
        return [words for need in (*ALWAYS, *self.needs) if (words := _lack(setup, need))]


def _lack(setup: Setup, need: str) -> str:
    kind, _, name = need.partition(" ")
    fitted: Mapping[str, frozenset[str]] = {
        "feed": frozenset(setup.feeds),
        "aid": frozenset(setup.aids),
        "source": frozenset(setup.sources),
        "input": setup.inputs,
        "proof": setup.proof,
    }
    if kind in fitted:
        return "" if name in fitted[kind] else f"{kind} {name}"
    return "" if need in setup.quantities or need in setup.hand else f"reading {need}"


def rated_feed(part: Part, setup: Setup) -> Feed:
    """The feed of real service: leg to leg for parts rated well above one leg, else line-neutral."""
    return "line_line" if part.rated_v > 1.5 * setup.nominal_v else "line_neutral"
