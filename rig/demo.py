"""The demo: an invented shop proves fourteen invented parts on the virtual bench.

It goes the way that any user goes: intake, bench proof, run, history. The bench knows what is wrong
with each part; this file only knows the plates and what the demo expects, to compare afterwards.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from procedures.limits import limits_for
from procedures.scan import Part
from results.store import Store
from rig.approvals import approve, unapproved
from rig.errors import NotProved
from rig.hands import VirtualHands
from rig.proving import Place, find_part, prepare, prove_bench, prove_part
from rig.recording import SHOP, part_to_body
from rig.run import Result
from rig.scan_loop import Watcher
from rig.stopping import Stopped

PARTS = Path(__file__).with_name("demo_parts.toml")
BAY = 1
Watch = Callable[[str], Watcher]
PLATE = frozenset(one.name for one in fields(Part))


@dataclass(frozen=True, slots=True)
class DemoPart:
    """A part's plate and the outcome that the demo expects of it."""

    part: Part
    expect: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Done:
    """One part's closing record beside what was expected."""

    demo: DemoPart
    number: str
    record: str
    body: Mapping[str, Any]
    simulated_s: float

    @property
    def met(self) -> bool:
        """Whether each expectation holds."""
        return not unmet(self.demo.expect, self.body)

    def row(self) -> dict[str, Any]:
        """The part in the demo's JSON."""
        worst = self.body["worst"] or {}
        return {
            "part": self.number,
            "serial": self.demo.part.serial,
            "model": self.demo.part.model,
            "family": self.demo.part.family,
            "verdict": _three(self.body["verdict"]),
            "leakage_ma": _milli(worst.get("y_ua")),
            "u_ma": _milli(worst.get("u_ua")),
            "basis": worst.get("basis"),
            "condition": worst.get("name"),
            "reason": self.body["reason"],
            "cause": self.body["cause"],
            "disposition": self.body["disposition"],
            "expected": dict(self.demo.expect),
            "met": self.met,
            "record": self.record,
            "simulated_s": round(self.simulated_s, 1),
        }


def load_parts(path: Path = PARTS) -> tuple[str, list[DemoPart]]:
    """The shop's name and its parts, in the scenario's order."""
    data = tomllib.loads(path.read_text("utf-8"))
    parts = [
        DemoPart(
            Part(number="", **{k: v for k, v in one.items() if k in PLATE}),
            one["expect"],
        )
        for one in data["part"]
    ]
    return data["shop"], parts


def unmet(expect: Mapping[str, Any], body: Mapping[str, Any]) -> list[str]:
    """Names of the expectations that a closing record does not meet. ``low_ma`` and ``high_ma``
    bound the worst leakage; ``verdict`` and ``basis`` are equal; other words are contained."""
    worst = body["worst"] or {}
    found = {**body, "basis": worst.get("basis"), "verdict": _three(body["verdict"])}
    y_ma = _milli(worst.get("y_ua"))
    tests: dict[str, Callable[[Any], bool]] = {
        "low_ma": lambda low: y_ma is not None and y_ma >= low,
        "high_ma": lambda high: y_ma is not None and y_ma <= high,
        "verdict": lambda word: found["verdict"] == word,
        "basis": lambda word: found["basis"] == word,
    }
    words = ("rule", "reason", "cause", "disposition")
    return [
        name
        for name, wanted in expect.items()
        if not (wanted in str(found[name]) if name in words else tests[name](wanted))
    ]


def approve_limits(store: Store, parts: list[DemoPart], shop: str) -> None:
    """The demo's shop approves its own proposals, by name, once per home."""
    for demo in parts:
        for limit in unapproved(store, limits_for(demo.part.family, demo.part).values()):
            approve(store, limit, f"{shop} (invented)")


def prove_all(place: Place, parts: list[DemoPart], watch: Watch) -> Iterator[Done]:
    """The bench proof, then each part; NotProved when the bench proof is not passed."""
    assert place.ours.remote is not None
    result, number = prove_bench(
        place, BAY, VirtualHands(place.ours.remote, BAY), (watch("bench proof"),)
    )
    _go_on(result)
    if not place.store.get(number).body["passed"]:
        raise NotProved(f"bench {place.bench.id}", result.closing["reason"], "see the record")
    for demo in parts:
        yield _prove_one(place, demo, watch)


def _prove_one(place: Place, demo: DemoPart, watch: Watch) -> Done:
    assert place.ours.remote is not None
    intake = place.store.append("intake", SHOP, part_to_body(demo.part))
    number = str(intake.body["part"])
    job = prepare(place, find_part(place.store, number), {})
    hands = place.ours.remote.hands
    hands("lid", closed=False)
    hands("unmount", bay=BAY)
    hands("mount", bay=BAY, serial=demo.part.serial)
    watcher = watch(f"{number} {demo.part.model}")
    result = prove_part(place, job, BAY, VirtualHands(place.ours.remote, BAY), {}, (watcher,))
    _go_on(result)
    return _done(demo, number, result)


def _go_on(result: Result) -> None:
    """Who stopped one attempt wants no other."""
    if result.stop.words:
        raise Stopped(result.stop.words)


def _done(demo: DemoPart, number: str, result: Result) -> Done:
    assert result.record is not None
    body = result.record.body
    return Done(demo, number, result.record.number, body, result.duration_s)


def _three(verdict: str) -> str:
    return verdict if verdict in ("pass", "fail") else "none"


def _milli(micro: int | None) -> float | None:
    return None if micro is None else micro / 1e3
