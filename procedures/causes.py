"""Likely cause: a table of signatures, weighed against "something else". No finding, and no black box.

Each signature says how often each sign shows with that cause; "something else" has the signs as often
as faults outside the table do. Signs that were not looked for are no evidence. The probabilities are
shop experience (common practice, no source) in five steps; they are multiplied as if the signs were
independent (Bayes' rule). What no signature explains well enough stays "don't know".
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cache

import numpy as np
import numpy.typing as npt

from procedures.arrays import FloatArray
from procedures.cause_signs import PLACES, SIGNS, Sign, signs_of
from procedures.cause_table import SIGNATURES, Signature
from procedures.scan import Likely, ShownSign
from procedures.story import Story

UNKNOWN = "don't know"
EITHER = ", or "  # between two causes that nothing tells apart
UNEXPLAINED = 0.2  # of how often it shows elsewhere: an abnormal sign that a signature doesn't list
IN_ORDER = 0.05  # the same of a part that is in order
DECIDED = 0.8  # posterior from which a cause is named
CLEAR = 0.95  # from here on its confidence is called clear
ODD_WEIGHT = 1.0  # prior of "something else", in causes
SPEAKS = 1.5  # likelihood ratio from which a sign is evidence worth telling

BY_CAUSE: Mapping[str, Signature] = {row.cause: row for row in SIGNATURES}


def likely(story: Story) -> Likely:
    """The likely cause of one attempt with its evidence, confidence, and what to do next."""
    shown = signs_of(story)
    signs = np.array([[np.nan if one is None else float(one) for one in shown]])
    rows = rows_of(story.part.family)
    chances = posterior(signs, story.part.family)[0]
    named = _named(chances)
    if not named:
        best = int(chances[:-1].argmax()) if rows else -1
        nearest = rows[best].cause if rows and chances[best] > chances[-1] else ""
        return Likely(UNKNOWN, float(chances.max(initial=0.0)), (), _unsettled(nearest))
    chosen = _broader([rows[n] for n in named])
    words = EITHER.join(row.cause for row in chosen)
    confidence = min(1.0, float(chances[list(named)].sum()))
    todo = "; or ".join(dict.fromkeys(row.next for row in chosen))
    return Likely(words, confidence, _evidence(chosen[0], shown), todo)


def posterior(signs: npt.ArrayLike, family: str) -> FloatArray:
    """Probability of each signature of the family, "something else" last; parts x (causes + 1).

    ``signs`` parts x signs: 1 shows, 0 does not, NaN was not looked for.
    """
    shows, hides, prior = _tables(family)
    given = np.asarray(signs, np.float64)
    known = np.isfinite(given)
    there = np.where(known, given, 0.0)
    score = there @ shows.T + (known - there) @ hides.T + prior
    score -= score.max(axis=1, keepdims=True)
    weights = np.exp(score)
    chances: FloatArray = weights / weights.sum(axis=1, keepdims=True)
    return chances


def rows_of(family: str) -> tuple[Signature, ...]:
    """The signatures of a family, in the order of ``posterior``."""
    return tuple(row for row in SIGNATURES if family in row.families)


def _named(chances: FloatArray) -> tuple[int, ...]:
    """The cause that is likely enough, or the two that nothing tells apart; empty: don't know."""
    order = np.argsort(chances[:-1])[::-1]
    if order.size == 0:
        return ()
    if chances[order[0]] >= DECIDED:
        return (int(order[0]),)
    pair = tuple(sorted(int(n) for n in order[:2]))
    alike = order.size > 1 and chances[order[0]] < 2.0 * chances[order[1]]
    return pair if alike and chances[list(pair)].sum() >= DECIDED else ()


def _broader(chosen: Sequence[Signature]) -> list[Signature]:
    """Of a cause and a kind of it, the cause alone."""
    causes = {row.cause for row in chosen}
    return [row for row in chosen if row.kind_of not in causes]


@cache
def _tables(family: str) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Logarithms of how often each sign shows and does not, and of the priors."""
    rows = rows_of(family)
    shares = np.array([[_shares(row, sign) for sign in SIGNS] for row in rows])
    shares = shares.reshape(len(rows), len(SIGNS), 2)
    odd = np.array([sign.odd for sign in SIGNS])
    shows, hides = (
        np.vstack(both) for both in zip(np.moveaxis(shares, 2, 0), (odd, 1.0 - odd), strict=True)
    )
    prior = np.log(np.array([*(1.0 for _ in rows), ODD_WEIGHT]))
    return np.log(shows), np.log(hides), prior


def _shares(row: Signature, sign: Sign) -> tuple[float, float]:
    """How often a sign shows with a cause, and how often it does not.

    One that isn't listed is as elsewhere; an abnormal one is not explained where it shows, and that it
    doesn't show is evidence only for a part in order: other faults miss most abnormal signs too.
    """
    listed = row.signs.get(sign.name)
    if listed is not None and not math.isnan(listed):
        return listed, 1.0 - listed
    if listed is not None or not sign.abnormal:
        return sign.odd, 1.0 - sign.odd
    share = sign.odd * (IN_ORDER if row.sound else UNEXPLAINED)
    return share, 1.0 - (share if row.sound else sign.odd)


def _evidence(row: Signature, shown: Sequence[bool | None]) -> tuple[ShownSign, ...]:
    """The signs that speak for a cause, and those that speak against it, strongest first."""
    found: list[tuple[float, ShownSign]] = []
    for sign, seen in zip(SIGNS, shown, strict=True):
        if seen is not None:
            shows, hides = _shares(row, sign)
            ratio = shows / sign.odd if seen else hides / (1.0 - sign.odd)
            words = sign.words if seen else sign.absent
            found.append((ratio, ShownSign(words, ratio > 1.0, sign.source, sign.mark)))
    strong = [pair for pair in found if pair[0] >= SPEAKS or pair[0] <= 1.0 / SPEAKS]
    return tuple(one for _, one in sorted(strong, key=lambda pair: -abs(np.log(pair[0]))))


def _unsettled(nearest: str) -> str:
    like = f"; most like {nearest}, but not enough" if nearest else ""
    return f"no signature explains the readings well enough{like}"


def sign_array(**shown: bool) -> FloatArray:
    """Signs by name as a row for ``posterior``; what isn't named was not looked for."""
    row = np.full(len(SIGNS), np.nan)
    for name, value in shown.items():
        row[PLACES[name]] = float(value)
    return row
