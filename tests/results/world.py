"""Bodies of records for the tests, and what runs in other processes."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

from results.store import Store

HERE = Path(__file__).resolve().parents[2]
INTAKE: dict[str, Any] = {"family": "heater", "serial": "OF55-0117", "model": "Otterfall"}
WORST = {"name": "hot-wet", "basis": "measured", "y_ua": 212, "u_ua": 31}


def started(*words: str) -> subprocess.Popen[str]:
    """This module in a process of its own."""
    command = [sys.executable, "-m", "tests.results.world", *words]
    return subprocess.Popen(command, cwd=HERE, stdout=subprocess.PIPE, text=True)


def where(text: str) -> Path | str:
    """A home, or a server's URL."""
    return text if "://" in text else Path(text)


def opening(part: str = "") -> dict[str, Any]:
    """A bench proof's opening, or a part's."""
    return {"part": part, "family": "heater" if part else "bench proof", "bay": 1}


def closing(number: str, verdict: str = "pass") -> dict[str, Any]:
    """The least closing that is allowed, with a worst condition."""
    lists: dict[str, Any] = {n: [] for n in ("conditions", "checks", "limits", "cautions")}
    words = {
        "rule": "y + U",
        "reason": "within the limit",
        "cause": "none",
        "disposition": "resell",
    }
    return {"opening": number, "verdict": verdict, "worst": WORST, "facts": {}, **words, **lists}


def announce_forever(home: Path | str, bench: str, shop: str | None = None) -> None:
    """Append without end; say each number only after ``append`` has returned."""
    with Store.open(home, simulated=True, shop=shop) as store:
        print("ready", flush=True)
        place = 0
        while True:
            place += 1
            record = store.append("lockout", bench, {"reason": f"{place} " + "x" * 3000})
            print(record.number, record.sha256, flush=True)


def append_many(home: Path | str, bench: str, count: int) -> None:
    """What one of several benches does to the home it shares."""
    with Store.open(home, simulated=True) as store:
        for place in range(count):
            store.append("lockout", bench, {"reason": str(place)})


def intake_many(home: Path | str, count: int) -> None:
    """Register parts; print their numbers."""
    with Store.open(home) as store:
        for _ in range(count):
            print(store.append("intake", "", INTAKE).body["part"])


if __name__ == "__main__":
    what, home, *rest = sys.argv[1:]
    if what == "announce":
        announce_forever(where(home), *rest)
    elif what == "append":
        append_many(where(home), rest[0], int(rest[1]))
    elif what == "intake":
        intake_many(where(home), int(rest[0]))
