"""Looks at a soak while it runs: whether it may end, whether it must go on, and what people are told.

Fail may be called at any look, pass only from the family's minimum on and at a stable point. A soak whose
verdict is open (the interval holds the pass or the fail limit) goes on within its bounds. Because it is
looked at more than once, type A uncertainty counts at each look by the bound of ``sequential.py`` for the
information there is, instead of by k = 2: fail looks and pass looks each spend their own error. Type B is
the same error at every look, and does not grow by looking again.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from procedures.conditions import so_far, trend
from procedures.leakage import LOOK_S, Enough, Live, Stage
from procedures.sequential import REACH, spending_bounds
from procedures.series import STEADY_MA_PER_S, Drying, drying, settle

LOOKS = 20  # at most, over the longest soak
K = 2.0  # what type A counts by where there is one look
PLATEAU_S = 120.0
TELL_S = 60.0  # a shorter series foretells nothing
JUST_S = 0.5  # looks come at the first scan after their time


@dataclass(slots=True)
class Soak:
    """The looks of one stage. ``bound`` is what type A of its result counts by (2: one look)."""

    stage: Stage
    enough: Enough | None = None
    bound: float = K
    cut_short: bool = False
    open: bool = True
    _looked: int = 0

    def __post_init__(self) -> None:
        if self.stage.counts:
            self.bound = self._bounds(self.first)[-1]

    @property
    def longest_s(self) -> float:
        """The most that this stage may take."""
        return max(self.stage.seconds, self.stage.longest_s)

    @property
    def step_s(self) -> float:
        """From one look to the next."""
        return max(LOOK_S, self.longest_s / LOOKS)

    @property
    def first(self) -> int:
        """Number of the first look that may pass."""
        return min(self.last, math.ceil(self.stage.seconds / self.step_s))

    @property
    def last(self) -> int:
        """Number of the last look, at the end of the longest soak."""
        return max(1, math.ceil(self.longest_s / self.step_s))

    def over(self, live: Live) -> bool:
        """Look: whether the stage may end now."""
        elapsed_s = live.run.scan.t_s - live.on_s
        look = int((elapsed_s + JUST_S) / self.step_s)
        if self.stage.counts and look > self._looked:
            self._looked = look
            if self._clearly_fails(live, look):
                return True
            self.open = self._straddles(live, look)
        ripe = elapsed_s >= self.stage.seconds - JUST_S and self._may_end(live)
        tell(live, self, elapsed_s)
        return ripe

    def _may_end(self, live: Live) -> bool:
        if self.enough is None or not self.enough(live):
            return False
        return not (self.stage.counts and self.open)

    def _clearly_fails(self, live: Live, look: int) -> bool:
        """Above the fail limit by more than the bound, and no longer rising: how far it rises is what a
        supplier asks, and the cut-off stands behind it."""
        figure = so_far(live, self._bound(1, look))
        if figure is None or figure[0] - figure[1] <= live.run.limit("fail_ma") or rising(live):
            return False
        self.bound, self.cut_short = self._bound(1, look), True
        return True

    def _straddles(self, live: Live, look: int) -> bool:
        """Whether the verdict is open: the interval holds the pass or the fail limit."""
        if look < self.first:
            return True
        bound = self.pass_bound(look)
        figure = so_far(live, bound)
        if figure is None:
            return True
        limits = (live.run.limit(name) for name in ("pass_ma", "fail_ma"))
        if not all(abs(figure[0] - limit_ma) > figure[1] for limit_ma in limits):
            return True
        self.bound = bound
        return False

    def pass_bound(self, look: int) -> float:
        """What type A counts by at a look that may pass, instead of 2."""
        return self._bound(self.first, look)

    def _bound(self, first: int, look: int) -> float:
        return self._bounds(first)[min(max(look, first), self.last) - first]

    def _bounds(self, first: int) -> list[float]:
        """By look from ``first`` on; beyond ``REACH`` there is nothing left to spend that counts."""
        shares = tuple(k / self.last for k in range(first, self.last + 1))
        return [min(bound, REACH) for bound in spending_bounds(shares)]


def steady(live: Live) -> bool:
    """Whether a soak has reached a plateau: no more slope over its last two minutes."""
    t_s, y_ma = trend(live)
    return settle(t_s, y_ma, window_s=PLATEAU_S).steady


def rising(live: Live) -> bool:
    """Whether the last two minutes rise by more than a plateau may."""
    t_s, y_ma = trend(live)
    return settle(t_s, y_ma, window_s=PLATEAU_S).slope_per_s > STEADY_MA_PER_S


# ---- what people are told ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Outlook:
    """What the words need: times to go in s, currents in mA."""

    dry: Drying
    limit_ma: float
    end_in_s: float  # until the fall is over
    least_s: float  # until the minimum
    most_s: float  # until the longest
    stable: bool
    open: bool


OUTLOOKS: tuple[tuple[Callable[[Outlook], bool], str], ...] = (
    (
        lambda o: o.dry.falling and o.dry.asymptote > o.limit_ma,
        "falls only towards {asymptote:.2f} mA, limit {limit:.2f}: no pass to expect, it may be stopped",
    ),
    (
        lambda o: o.dry.falling and o.end_in_s <= o.most_s,
        "drying towards {asymptote:.2f} mA, over in about {end}: wait",
    ),
    (
        lambda o: o.dry.falling,
        "drying, no end foreseen within the longest soak of {most} more",
    ),
    (lambda o: o.least_s > 0.0, "at least {least} more"),
    (lambda o: not o.stable, "not stable yet, at most {most} more: wait"),
    (lambda o: o.open, "too close to call so far, at most {most} more: wait"),
)


def tell(live: Live, soak: Soak, elapsed_s: float) -> None:
    """Put the outlook into the demand, for the screen; progress goes by the foreseen end."""
    t_s, y_ma = trend(live)
    if t_s.size < 5 or t_s[-1] - t_s[0] < TELL_S:
        return
    limit_ma = live.stage.dry_ma or live.run.limit("pass_ma")
    fit = drying(t_s, y_ma)
    seen = Outlook(
        dry=fit,
        limit_ma=limit_ma,
        end_in_s=max(0.0, fit.end_s - live.run.scan.t_s),
        least_s=soak.stage.seconds - elapsed_s,
        most_s=soak.longest_s - elapsed_s,
        stable=settle(t_s, y_ma, window_s=PLATEAU_S).steady,
        open=soak.open and soak.stage.counts,
    )
    live.want = replace(live.want, outlook=outlook_words(seen))
    live.due_s = max(soak.stage.seconds, elapsed_s + min(seen.end_in_s, seen.most_s))


def outlook_words(seen: Outlook) -> str:
    """The first line of ``OUTLOOKS`` that holds; nothing where none does."""
    words = next((words for holds, words in OUTLOOKS if holds(seen)), "")
    return words.format(
        asymptote=seen.dry.asymptote,
        limit=seen.limit_ma,
        end=_minutes(seen.end_in_s),
        least=_minutes(seen.least_s),
        most=_minutes(seen.most_s),
    )


def _minutes(seconds: float) -> str:
    if not math.isfinite(seconds):
        return "an unknown time"
    return f"{seconds / 60.0:.0f} min" if seconds >= 90.0 else f"{max(0.0, seconds):.0f} s"
