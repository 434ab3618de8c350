"""The letter and the customer's page: the same verdict in everybody's words, no more and no less."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from results.issuing import Issued
from results.report.blocks import Block, lines, points, verdict
from results.report.part_blocks import intake_of
from results.report.words import VERDICTS, against, day, spaced

Body = Mapping[str, Any]
WORDS: Mapping[str, str] = {
    "pass": "passed",
    "fail": "failed",
    "none": "ended without a verdict",
    "aborted": "was broken off before it could say anything",
    "interrupted": "was interrupted before it could say anything",
}
NOW: Mapping[str, tuple[str, ...]] = {
    "pass": (
        "It may be installed where its listing, local code and authority permit, by a licensed person, "
        "behind a working ground-fault breaker (GFCI).",
        "Have the breaker's own test button pressed every month.",
    ),
    "fail": (
        "DO NOT ENERGISE this part: do not plug it in or switch it on, not even to try.",
        "Ask the shop whether it can be repaired, and have the spa checked by a licensed person.",
    ),
    "none": (
        "Do not use the part on the strength of this test: it neither passed nor failed.",
        "The shop can tell you what would settle it.",
    ),
}
MEANS = (
    "Electricity that leaves a part by the ground wire is called leakage. A ground-fault breaker cuts "
    "off near 4 to 6 thousandths of an ampere (mA). We measured how much this one part leaked on our "
    "bench on that day, earthed, in the water and at the voltages of the full report.",
    "Values called prospective were calculated from a test at low current, not measured. It was no test "
    "to a product standard, no listing and no warranty, and a part can change.",
)


def verdict_block(issued: Issued) -> Block:
    """The verdict for somebody who has never seen a test report."""
    body, opening = issued.closing.body, issued.opening.body
    word = VERDICTS.get(body["verdict"], "NO VERDICT")
    what = f"Your {spaced(str(opening['family']))} {WORDS.get(body['verdict'], WORDS['none'])}"
    return verdict(word, f"{what} on {day(issued.closing.at_ms)}", "", _banner(issued), 4.0)


def _banner(issued: Issued) -> str:
    return "SIMULATED: no real part was tested" if issued.closing.simulated else ""


def found_block(issued: Issued) -> Block:
    """Which part, what was found."""
    plate = intake_of(issued).body
    serial = plate.get("serial") or "not readable"
    which = f"{plate.get('model') or 'No model name'}, serial number {serial}"
    told = [f"{which}, with us as {issued.record.body['part']}."]
    complaint = plate.get("complaint")
    told += [f"You told us: {complaint}"] if complaint else []
    return lines("What we tested and found", [*told, *_found(issued.closing.body)])


def _found(body: Body) -> list[str]:
    worst, limits = body.get("worst") or {}, {one["name"]: one for one in body["limits"]}
    said = [_leak(worst, limits.get("pass_ma"))] if worst.get("y_ua") is not None else []
    if body["verdict"] != "pass":
        said.append(f"Why: {body['reason']}.")
    if body["cause"] not in ("", "don't know", "no fault found"):
        said.append(f"Likely cause: {body['cause']} (no finding, only what the readings fit best).")
    return said


def _leak(worst: Body, limit: Body | None) -> str:
    ma = worst["y_ua"] / 1000
    leaked = {
        "above": f"In its worst condition it leaked more than {ma:.2f} mA, and we cut it off",
        "prospective": f"At full voltage it would leak {ma:.2f} mA, as calculated",
    }.get(worst["basis"], f"In its worst condition it leaked {ma:.2f} mA")
    if limit is None:
        return f"{leaked}."
    return f"{leaked}; we let pass at most {limit['value_millionths'] / 1e6:g} mA."


def now_block(issued: Issued) -> Block:
    """What to do now."""
    body = issued.closing.body
    told = NOW.get(body["verdict"], NOW["none"])
    return points("What to do now", [*told, *body["cautions"]])


def meaning_block(_issued: Issued) -> Block:
    """What leakage is, and what the test was not."""
    return lines("What that means", MEANS)


def letter_block(issued: Issued) -> Block:
    """A pass as a letter says it: nothing was found, in these conditions."""
    body = issued.closing.body
    reason = f"Tested on {day(issued.closing.at_ms)}: {body['reason']}"
    return verdict("NO FAULT FOUND", against(body), reason, _banner(issued), 2.6)


def still_block(_issued: Issued) -> Block:
    """What a bench can't exclude."""
    return lines(
        "If the breaker still trips",
        (
            "A part can leak only in conditions that a bench does not have: its own wiring, other parts "
            "on the same breaker, other water. Parts that each hold can trip a breaker together.",
        ),
    )
