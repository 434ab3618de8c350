"""Judging a drill: what each try came to, the table of all, and whether the rig stood.

- *detected*: the run ended without a verdict of pass or fail (by the guard, a lockout, a person's
  part, a refusal or the end of the program), and says why
- *harmless*: the verdict is the one that the part gets without faults
- *undetected*: another verdict than that: the fault was taken for a property of the part
- *missed*: the drawn moment did not come
"""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from procedures.binomial import upper_bound
from rig.drill import Seen
from rig.drill_kinds import KINDS, PARTS, STATES

Judgement = Literal["detected", "harmless", "undetected", "missed"]
ENDED = ("none", "aborted", "interrupted", "")
LEAST_FINISHED = 0.99  # of the runs that meet one bad frame


def judge(seen: Seen) -> Judgement:
    """What the try came to."""
    if seen.one.faults and not seen.struck:
        return "missed"
    if seen.ended.defect:
        return "undetected"
    if seen.ended.verdict == PARTS[seen.one.part].verdict and not seen.ended.lockout:
        return "harmless"
    return "detected" if seen.ended.verdict in ENDED or seen.ended.lockout else "undetected"


def false_stop(seen: Seen) -> bool:
    """A run without a fault that did not come to its part's verdict."""
    return seen.one.group == "faultless" and judge(seen) != "harmless"


def is_bad(seen: Seen) -> bool:
    """Whether the try shows something that the rig must not do."""
    return bool(seen.hazards or seen.lost or false_stop(seen) or judge(seen) == "undetected")


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the table. Times in s from onset until the bus was dead, of the runs that the fault
    ended; ``bound`` is the 95 % upper bound of the probability of a hazard."""

    fault: str
    state: str
    tries: int
    detected: int
    harmless: int
    undetected: int
    hazards: int
    median_off_s: float | None
    worst_off_s: float | None
    lost: int
    bound: float

    def as_json(self) -> dict[str, Any]:
        """The row for machines."""
        return {
            "fault": self.fault,
            "state": self.state,
            "tries": self.tries,
            "detected": self.detected,
            "harmless": self.harmless,
            "undetected": self.undetected,
            "hazards": self.hazards,
            "median_off_s": self.median_off_s,
            "worst_off_s": self.worst_off_s,
            "records_lost": self.lost,
            "hazard_bound_95": round(self.bound, 6),
        }


def row(fault: str, state: str, seen: Sequence[Seen]) -> Row:
    """Sum up tries of one kind; hazards are tries with at least one."""
    judged = [judge(one) for one in seen]
    # where nothing ended the run the bus died when the part was done with: no figure
    ended = [one for one, word in zip(seen, judged, strict=True) if word == "detected"]
    off_s = [round(s, 3) for one in ended for s in one.off_s]
    hazards = sum(bool(one.hazards) for one in seen)
    return Row(
        fault,
        state,
        len(seen),
        judged.count("detected"),
        judged.count("harmless"),
        judged.count("undetected"),
        hazards,
        round(statistics.median(off_s), 3) if off_s else None,
        max(off_s, default=None),
        sum(len(one.lost) for one in seen),
        upper_bound(hazards, len(seen)),
    )


def table(seen: Iterable[Seen], by_state: bool = True) -> list[Row]:
    """A row per fault and guard state, in the order of the kinds; missed tries are in none."""
    groups: dict[tuple[str, str], list[Seen]] = defaultdict(list)
    for one in seen:
        if judge(one) != "missed":
            state = one.struck[0].state if one.struck and one.one.group == "single" else ""
            groups[one.one.name, state if by_state else ""].append(one)
    places = {name: n for n, name in enumerate(("no fault", *KINDS))}

    def order(key: tuple[str, str]) -> tuple[int, str, int]:
        return places.get(key[0], len(places)), key[0], STATES.index(key[1]) if key[1] else -1

    return [row(*key, groups[key]) for key in sorted(groups, key=order)]


@dataclass(frozen=True, slots=True)
class Sum:
    """The whole drill in numbers. ``stood``: nothing was found that the rig must not do."""

    asked: int
    tries_done: int
    missed: int
    hazards: int
    lost: int
    undetected: int
    falsified: int
    faultless: int
    false_stops: int
    one_frame: int
    one_frame_finished: int
    bound: float

    @property
    def stood(self) -> bool:
        """No hazard, no lost record, no lie believed, no false stop, bad frames survived."""
        bad = self.hazards or self.lost or self.undetected or self.false_stops
        return not bad and self.one_frame_finished >= LEAST_FINISHED * self.one_frame

    def as_json(self) -> dict[str, Any]:
        """For machines."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__} | {
            "stood": self.stood
        }


def sum_up(asked: int, seen: Sequence[Seen]) -> Sum:
    """Count everything that was to be shown."""
    met = [one for one in seen if judge(one) != "missed"]
    faultless = [one for one in met if one.one.group == "faultless"]
    frames = [one for one in met if one.one.group == "one bad frame"]
    hazards = sum(bool(one.hazards) for one in met)
    return Sum(
        asked=asked,
        tries_done=len(met),
        missed=len(seen) - len(met),
        hazards=sum(len(one.hazards) for one in met),
        lost=sum(len(one.lost) for one in met),
        undetected=sum(judge(one) == "undetected" for one in met),
        falsified=sum(falsifies(one) for one in met),
        faultless=len(faultless),
        false_stops=sum(false_stop(one) for one in faultless),
        one_frame=len(frames),
        one_frame_finished=sum(judge(one) == "harmless" for one in frames),
        bound=upper_bound(hazards, len(met)),
    )


def falsifies(seen: Seen) -> bool:
    """Whether one of the try's faults makes a reading lie."""
    return any(KINDS[fault.kind].falsifies for fault in seen.one.faults)


# ---- in words --------------------------------------------------------------------------------------


def try_json(seen: Seen) -> dict[str, Any]:
    """One try for machines."""
    ended = seen.ended
    return {
        "try": seen.one.number,
        "group": seen.one.group,
        "part": seen.one.part,
        "struck": [dict(stroke._asdict()) for stroke in seen.struck],
        "judgement": judge(seen),
        "false_stop": false_stop(seen),
        "verdict": ended.verdict,
        "rule": ended.rule,
        "reason": ended.reason or ended.refused or ended.defect or seen.gone,
        "lockout": ended.lockout,
        "hazards": list(seen.hazards),
        "off_s": [round(s, 3) for s in seen.off_s],
        "records_lost": list(seen.lost),
        "wall_s": round(seen.wall_s, 1),
    }


def story(seen: Seen) -> list[str]:
    """What happened, what the operator would see, and what the bench did: for training."""
    return [
        f"try {seen.one.number}: {seen.one.part}, {judge(seen)}",
        *(f"  broken    {_stroke_words(*stroke)}" for stroke in seen.struck),
        f"  operator  {_operator_sees(seen)}",
        f"  bench     {_bench_did(seen)}",
    ]


def _stroke_words(kind: str, where: str, state: str, t_s: float) -> str:
    place = f" ({where})" if where else ""
    return f"{KINDS[kind].words}{place}, while {state}, at {t_s:.1f} s"


def _operator_sees(seen: Seen) -> str:
    ended = seen.ended
    words: Mapping[str, str] = {"": "no verdict on the screen", "none": "NO VERDICT"}
    said = ended.reason or ended.refused or ended.defect or seen.gone
    lockout = f"; LOCKED OUT: {ended.lockout}" if ended.lockout else ""
    late = f"; after the next start: {', '.join(seen.books.closed)}" if seen.books.closed else ""
    return f"{words.get(ended.verdict, ended.verdict.upper())}: {said}{lockout}{late}"


def _bench_did(seen: Seen) -> str:
    off = f"dead {max(seen.off_s):.2f} s after the fault" if seen.off_s else "not live at the time"
    hazards = "; ".join(f"HAZARD {words}" for words in seen.hazards) or "no hazard"
    lost = "".join(f"; RECORD LOST {words}" for words in seen.lost)
    return f"{off}; {hazards}{lost}"
