"""The proof at the close of the day: what ran is told to the records, and a failed one quarantines."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import nullcontext
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from results.store import Store
from rig import proving
from rig.run import Result
from tests.rig.kept import closing


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """A bench whose proof ends as the test says, with a home that holds one pass of it."""
    for name in ("permit", "bench_proof", "proof_declaration", "opening_facts", "setup_of"):
        monkeypatch.setattr(proving, name, lambda *_: {})
    monkeypatch.setattr(proving, "noted", lambda _: nullcontext())
    bench = SimpleNamespace(id="bench-1", digest="d")
    with Store.open(tmp_path, simulated=True) as store:
        here = SimpleNamespace(bench=bench, store=store, ours=None, home=tmp_path)
        store.append("bench_proof", "bench-1", {**PROOF, "passed": True})
        intake = store.append("intake", "", {"family": "heater", "serial": "S"})
        body = {"part": intake.body["part"], "family": "heater"}
        opening = store.append("opening", "bench-1", body)
        store.append("closing", "bench-1", {**closing("pass"), "opening": opening.number})
        yield here


PROOF = {"reason": "", "digest": "d", "fixture_ua": {}, "checks": []}


def ended(monkeypatch: pytest.MonkeyPatch, verdict: str) -> None:
    result = Result({"verdict": verdict, "reason": verdict})
    monkeypatch.setattr(proving, "attempt", lambda *_: result)


@pytest.mark.parametrize(
    ("verdict", "at_close", "quarantined"),
    [
        ("fail", True, ["P-0001"]),
        ("none", True, ["P-0001"]),
        ("aborted", True, []),
        ("fail", False, []),
    ],
)
def test_only_a_failed_proof_at_the_close_quarantines(
    place: Any,
    monkeypatch: pytest.MonkeyPatch,
    verdict: str,
    at_close: bool,
    quarantined: list[str],
) -> None:
    ended(monkeypatch, verdict)
    _, number = proving.prove_bench(place, 1, None, at_close=at_close)  # type: ignore[arg-type]
    body = place.store.get(number).body
    assert body["passed"] is False
    assert body.get("ended") == (verdict if at_close else None)
    held = proving.quarantined_by(place.store, number)
    assert [one.body["part"] for one in held] == quarantined
    assert proving.counted(place.store, "P-0001") == (0 if quarantined else 1)
