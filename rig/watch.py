"""What looks at every scan: the trace (journal and record) and the live line on the screen."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field

from procedures.scan import (
    FEEDS,
    LEAKAGE_CAPACITIVE_MA,
    LEAKAGE_DC_MA,
    LEAKAGE_MA,
    LEAKAGE_RESISTIVE_MA,
    LOAD_A,
    POWER_W,
    SECOND_LEAKAGE_MA,
    SUPPLY_V,
    TEMPERATURE_C,
    Demand,
    Scan,
)
from rig.guard_seen import Decision

COLUMNS = {  # trace column: quantity; all in thousandths of the quantity's unit
    "leakage_ua": LEAKAGE_MA,
    "resistive_ua": LEAKAGE_RESISTIVE_MA,
    "capacitive_ua": LEAKAGE_CAPACITIVE_MA,
    "dc_ua": LEAKAGE_DC_MA,
    "second_ua": SECOND_LEAKAGE_MA,
    "supply_mv": SUPPLY_V,
    "load_ma": LOAD_A,
    "power_mw": POWER_W,
    "temperature_mc": TEMPERATURE_C,
}
IDLE_S = 1.0  # a row at least this often while nothing is energised


@dataclass(slots=True)
class Trace:
    """One row per new leakage sample, and one line in the journal for it and for each change of
    state, stage or refusal. ``put`` hands journal entries to the recorder."""

    put: Callable[[dict[str, object]], None]
    start_s: float
    columns: dict[str, list[int | None]] = field(default_factory=lambda: defaultdict(list))
    stages: list[str] = field(default_factory=list)
    _sample_s: float = -1.0
    _row_s: float = -1e9
    _seen: tuple[str, str, str] = ("", "", "")

    def __call__(self, scan: Scan, demand: Demand, decision: Decision) -> None:
        """Note one scan."""
        self._changes(scan, demand, decision)
        sample_s = scan.taken_s.get(LEAKAGE_MA, self._sample_s)
        on = decision.feed is not None or decision.state == "live"
        if (on and sample_s != self._sample_s) or scan.t_s - self._row_s >= IDLE_S:
            self._sample_s, self._row_s = sample_s, scan.t_s
            self._row(scan, demand, decision)

    def _changes(self, scan: Scan, demand: Demand, decision: Decision) -> None:
        now = (demand.stage, decision.state, decision.waiting or decision.ended)
        if now == self._seen and decision.event is None:
            return
        self._seen = now
        entry: dict[str, object] = {
            "t_ms": self._ms(scan.t_s),
            "stage": demand.stage,
            "state": decision.state,
            "words": now[2],
        }
        if decision.event is not None:
            entry["event"] = decision.event.kind
            entry["value_ua"] = round(decision.event.value * 1e3)
        self.put(entry)

    def _row(self, scan: Scan, demand: Demand, decision: Decision) -> None:
        if not self.stages or self.stages[-1] != demand.stage:
            self.stages.append(demand.stage)
        row: dict[str, int | None] = {
            "t_ms": self._ms(scan.t_s),
            "stage": len(self.stages) - 1,
            "feed": FEEDS.index(decision.feed) + 1 if decision.feed else 0,
        }
        for column, quantity in COLUMNS.items():
            value = scan.values.get(quantity)
            row[column] = None if value is None else round(value * 1e3)
        for column, number in row.items():
            self.columns[column].append(number)
        self.put({"row": row})

    def _ms(self, t_s: float) -> int:
        return round((t_s - self.start_s) * 1e3)
