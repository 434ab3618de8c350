"""Records that tests put into a home, and a screen in memory."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def closing(verdict: str) -> dict[str, Any]:
    condition = {
        "name": "cold wet",
        "feed": "both_hot",
        "basis": "measured",
        "y_ua": 2004,
        "u_ua": 31,
        "resistive_ua": 2003,
        "capacitive_ua": 12,
        "dc_ua": None,
        "second_ua": 2010,
        "supply_mv": 120_100,
        "samples": 90,
        "start_ms": 0,
        "end_ms": 20_000,
        "temperature_mc": None,
        "rise_ua": 0,
        "control_seen": True,
        "counts": True,
        "after_ms": None,
        "note": "[bold]",
    }
    check = {
        "name": "ground bond",
        "value_millionths": 62_000,
        "unit": "ohm",
        "allowed": "at most 0.1",
        "met": True,
        "words": "",
    }
    limit = {
        "name": "pass_ma",
        "value_millionths": 750_000,
        "unit": "mA",
        "source": "shop rule",
        "mark": "P",
        "version": "2026.1",
    }
    return {
        "verdict": verdict,
        "rule": "above the fail limit",
        "reason": "worst 2.00 mA ± 0.03 in cold wet",
        "worst": condition,
        "conditions": [condition],
        "checks": [check],
        "limits": [limit],
        "cause": "pinhole near the middle",
        "disposition": "scrap",
        "cautions": ["Water and element are hot."],
        "facts": {},
        "duration_ms": 1_500_000,
    }


def attempted(home: Path, verdict: str, simulated: bool) -> tuple[str, str]:
    from results.store import Store

    with Store.open(home, simulated=simulated) as store:
        part = store.append("intake", "shop", {"family": "heater", "serial": "OF55-0231"})
        body = {"part": part.body["part"], "family": "heater"}
        opening = store.append("opening", "bench-1", body)
        done = store.append("closing", "bench-1", {**closing(verdict), "opening": opening.number})
    return opening.number, done.number
