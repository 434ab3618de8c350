"""Who confirmed the cautions, and when (UTC): a watcher of the scan loop, for the closing record."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field

from procedures.cautions import BEFORE, END
from procedures.scan import Demand, Scan
from rig.guard_seen import Decision

FACTS: Mapping[str, str] = {  # prompt: its name among a record's facts
    BEFORE: "cautions confirmed",
    END: "lockout and test before touch confirmed",
}


@dataclass(slots=True)
class Confirmed:
    """Notes the first scan that brings each answer. ``name``: who answers here."""

    name: str
    facts: dict[str, str] = field(default_factory=dict)

    def __call__(self, scan: Scan, demand: Demand, decision: Decision) -> None:
        """Note one scan."""
        for key, fact in FACTS.items():
            if key in scan.answers and fact not in self.facts:
                now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
                self.facts[fact] = f"by {self.name}, {now}"
