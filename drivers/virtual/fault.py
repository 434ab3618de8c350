"""One fault in the virtual bench, and what a kind of fault is. The kinds stand in the three tables of
``fault_wires.py``, ``fault_meters.py`` and ``fault_bench.py``."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from random import Random
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from drivers.virtual.wires import Wire

if TYPE_CHECKING:
    from drivers.virtual.plant import Plant

Group = Literal["bus", "instrument", "bench"]


@dataclass(slots=True)
class Fault:
    """One fault: what it is, and the account of what followed. Times are simulated seconds.

    ``off_s`` is when the bench was next without volts (no live bus, no test source). ``left``: how
    many more replies it strikes. ``counting`` false: the fault is there but has not done harm yet.
    """

    number: int
    kind: str
    where: str
    onset_s: float
    energised: bool
    group: Group
    falsifies: bool
    allowed_s: float | None
    how: Mapping[str, float]
    for_s: float | None = None
    left: int | None = None
    off_s: float | None = None
    ended_s: float | None = None
    hits: int = 0
    over: bool = False
    counting: bool = True
    live_s: float = 0.0
    late: bool = False

    def strike(self) -> bool:
        """Whether it acts on the reply at hand; counts it."""
        if self.over:
            return False
        self.hits += 1
        if self.left is not None:
            self.left -= 1
            self.over = self.left <= 0
        return True

    def told(self) -> dict[str, Any]:
        """The account of it, for the control channel."""
        names = ("number", "kind", "where", "onset_s", "energised", "off_s", "ended_s", "hits")
        return {name: getattr(self, name) for name in (*names, "allowed_s", "late")}


@dataclass(slots=True)
class Scene:
    """Where faults act. Without servers in front of the plant there are no ``wires``."""

    plant: Plant
    wires: Mapping[str, Wire]
    rng: Random = field(default_factory=lambda: Random(1))


Undo = Callable[[], None]
Begin = Callable[[Scene, Fault], Undo]


class Number(NamedTuple):
    """A number that a kind takes, with its bounds. ``default`` None: it depends on the place."""

    default: float | None
    low: float
    high: float


class Kind(NamedTuple):
    """A kind of fault. ``allowed_s``: how long the bus may be live with it, by place, where time
    decides. ``grace_s``: how long a hazard may last that it begins, by hazard. ``falsifies``: a
    reading may lie because of it."""

    group: Group
    words: str
    where: tuple[str, ...]
    begin: Begin
    falsifies: bool = False
    allowed_s: Mapping[str, float] = {}
    grace_s: Mapping[str, float] = {}
    takes: Mapping[str, Number] = {}
