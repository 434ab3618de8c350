"""What is shown of a likely cause and of what a verdict is held against; older records have neither."""

from __future__ import annotations

from typing import Any

from rig.commands.show_cause import cause_lines, held_against

LIKELY = {
    "cause": "pinhole",
    "confidence_millionths": 944_000,
    "evidence": [
        {"words": "leaks in water and not dry", "speaks_for": True, "source": "", "mark": "C"},
        {"words": "its place is at a terminal", "speaks_for": False, "source": "", "mark": "D"},
    ],
    "next": "scrap it",
}
GAUGE = {
    "set": "resale",
    "version": "2026.1",
    "limit": "pass limit",
    "value_millionths": 750_000,
    "unit": "mA",
    "source": "shop rule",
    "mark": "P",
    "decides": True,
    "standing": "exceeds",
    "words": "FAIL against the resale gate in the conditions listed",
}


def test_a_cause_is_shown_with_what_speaks_for_and_against_it() -> None:
    body = {"verdict": "fail", "cause": "pinhole", "likely": LIKELY}
    assert dict(cause_lines(body)) == {
        "likely cause": "pinhole (likely: 94.4 % by the table; no finding)",
        "for it": "leaks in water and not dry (C)",
        "against it": "its place is at a terminal (D)",
        "next": "scrap it",
    }


def test_certainty_is_never_claimed() -> None:
    sure = {**LIKELY, "confidence_millionths": 1_000_000}
    body = {"verdict": "fail", "cause": "pinhole", "likely": sure}
    assert "clear: 99.9 %" in dict(cause_lines(body))["likely cause"]


def test_older_records_and_sound_parts() -> None:
    assert dict(cause_lines({"verdict": "fail", "cause": "pinhole"})) == {"likely cause": "pinhole"}
    assert list(cause_lines({"verdict": "pass", "cause": "don't know", "likely": LIKELY})) == []
    unknown = {**LIKELY, "cause": "don't know", "evidence": [], "next": ""}
    body = {"verdict": "none", "cause": "don't know", "likely": unknown}
    assert dict(cause_lines(body)) == {"likely cause": "don't know"}


def test_what_decides_is_marked_and_so_is_what_does_not(capsys: Any) -> None:
    context = {**GAUGE, "words": "would be within IEC 60335-1, 4.125 mA", "decides": False}
    held_against({"gauges": [GAUGE, {**context, "mark": "S"}]})
    shown = " ".join(capsys.readouterr().out.split())
    assert "FAIL against the resale gate in the conditions listed: pass limit" in shown
    assert "P yes" in shown
    assert "would be within IEC 60335-1, 4.125 mA" in shown
    assert "S no" in shown
    held_against({})
    assert capsys.readouterr().out == ""
