"""Homes with attempts as a bench records them, and papers about them, for the tests."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from results import issuing, trace
from results.issuing import Issued, Order
from results.record import Record
from results.report import making, seal
from results.store import Store

BENCH = "bench-7"
READERS = ("pdftotext", "pdfsig", "zbarimg")  # of poppler-utils and zbar-tools
missing = [name for name in READERS if shutil.which(name) is None]
with_readers = pytest.mark.skipif(
    bool(missing) and not os.environ.get("CI"), reason=f"not installed: {', '.join(missing)}"
)
INTAKE: dict[str, Any] = {
    "family": "heater",
    "serial": "OF55-0117",
    "model": "Otterfall heater 5.5 kW",
    "rated_mv": 240000,
    "rated_mw": 5500000,
    "source": "Quillmere Parts",
    "complaint": "shelved 14 months",
    "protective_class": "I",
}
TRACE = trace.encode(
    {
        "t_ms": [place * 250 for place in range(400)],
        "feed": [0 if place < 40 or 180 < place < 220 else 3 for place in range(400)],
        "leakage_ua": [
            None if place < 40 else 2900 if place == 300 else 190 + place % 7
            for place in range(400)
        ],
    }
)
LIMITS = (
    ("pass_ma", 750000, "mA", "shop rule, the figure of IEC 60335-1 13.2 as quoted", "P", "resale"),
    ("fail_ma", 1500000, "mA", "shop rule", "P", "resale"),
    ("bond_ohm", 100000, "ohm", "common practice, no source; the lead is added", "C", "dead_tests"),
)


def condition(name: str, y_ua: int | None, basis: str = "measured", **more: Any) -> dict[str, Any]:
    """One condition as a closing has it."""
    counted = {"y_ua": y_ua, "u_ua": 19 if basis != "above" else None, "resistive_ua": y_ua}
    plain = {"capacitive_ua": 50, "dc_ua": 4, "second_ua": None, "supply_mv": 120177}
    at = {"start_ms": 15000, "end_ms": 60000, "temperature_mc": 23100, "rise_ua": 1}
    told = {"control_seen": True, "counts": True, "note": "", "samples": 82, "after_ms": None}
    kinds = {"name": name, "feed": "both_hot", "basis": basis}
    return {**kinds, **counted, **plain, **at, **told, **more}


def check(
    name: str, met: bool | None, value: int | None = 30680, unit: str = "ohm"
) -> dict[str, Any]:
    """One dead test or function check."""
    said = {"allowed": "<= 0.1", "words": "" if met else "not as it should be"}
    return {"name": name, "met": met, "value_millionths": value, "unit": unit, **said}


def opening(part: str, **more: Any) -> dict[str, Any]:
    """An attempt's opening."""
    bench = {"bay": 1, "operator": "R. Tarn", "bench_name": "Bench seven", "attempt": 1}
    made = {"program": "milliproof 0.1.0", "bench_file_sha256": "c9" * 32, "bench_proof": ""}
    calibration = {"leakage": {"calibrated": "2026-01-11", "due": "2027-01-11"}}
    supply = {"system": "split-phase", "line_to_neutral_mv": 120000, "frequency_mhz": 60000}
    facts = {"calibration": calibration, "supply": supply, "approvals": [], "hand": {}}
    return {**INTAKE, "part": part, **bench, **made, **facts, **more}


def closing(number: str, verdict: str, **more: Any) -> dict[str, Any]:
    """An attempt's closing, a heater's in small."""
    y_ua = {"pass": 196, "none": 735}.get(verdict, 2010)
    conditions = [
        condition("limited step, cold wet", y_ua - 20, "prospective"),
        condition("both ends hot, after re-soak", y_ua),
        condition("rated run, hot wet", None, counts=False, note="not done"),
    ]
    names = ("name", "value_millionths", "unit", "source", "mark", "set")
    limits = [dict(zip(names, row, strict=True), version="2026.1") for row in LIMITS]
    gauge = {"decides": True, "limit": "pass limit", "standing": "within", "words": "PASS"}
    told = {
        "opening": number,
        "verdict": verdict,
        "rule": "y + U",
        "reason": f"worst {y_ua / 1000:.3f} mA ± 0.019 in both ends hot, after re-soak",
        "worst": conditions[1],
        "conditions": conditions,
        "checks": [check("ground bond", True), check("insulation, wet", verdict != "fail")],
        "limits": limits,
        "gauges": [{**limits[0], **gauge}],
        "cause": {"pass": "no fault found", "fail": "pinhole"}.get(verdict, "don't know"),
        "disposition": {"pass": "resell", "fail": "scrap"}.get(verdict, "hold"),
        "cautions": ["Never at heating voltage without level and flow inputs."],
        "facts": {"cautions confirmed": "by R. Tarn, 2026-11-25T10:00:00+00:00"},
        "likely": None,
        "duration_ms": 100_000,
        "stages": [],
    }
    return {**told, **more}


def attempted(
    store: Store,
    part: str,
    verdict: str = "pass",
    opened: dict[str, Any] | None = None,
    **more: Any,
) -> Record:
    """One attempt; its closing."""
    number = store.append("opening", BENCH, opening(part, **(opened or {}))).number
    return store.append("closing", BENCH, closing(number, verdict, **more), trace=TRACE)


def registered(store: Store, **more: Any) -> str:
    """A part; its number."""
    return str(store.append("intake", "shop", {**INTAKE, **more}).body["part"])


def order(store: Store, form: str = "report", paper: str = "letter", **more: Any) -> Order:
    """What is asked for."""
    certificate = seal.seal_of(store.keyring, BENCH).sha256
    return Order(form, paper, "R. Tarn", making.program(), certificate, **more)


def issued(
    store: Store, number: str, form: str = "report", paper: str = "letter", **more: Any
) -> Issued:
    """A paper's record and all that belongs to it."""
    record = issuing.issue(store, number, order(store, form, paper, **more))
    return issuing.issued(store, record.number)


def paper(
    store: Store, number: str, form: str = "report", size: str = "letter", **more: Any
) -> bytes:
    """A sealed paper."""
    made = issued(store, number, form, size, **more)
    return making.paper(made, seal.seal_of(store.keyring, BENCH))


def text_of(path: Path) -> str:
    """What a reader sees, each run of blanks as one. poppler's pdftotext."""
    ran = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, check=True)
    return " ".join(ran.stdout.decode().replace("\u200b", "").split())


def asked(*words: object) -> str:
    """What one of poppler's tools says."""
    command = [str(word) for word in words]
    return subprocess.run(command, capture_output=True, check=False, text=True).stdout
