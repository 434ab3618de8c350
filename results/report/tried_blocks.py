"""What the paper says of the test: conditions, checks, limits, cause, bench."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from results.issuing import Issued
from results.report import words as w
from results.report.blocks import Block, pairs, points, table

Body = Mapping[str, Any]
BASIS = {
    "measured": "measured",
    "prospective": "prospective",
    "above": "measured, cut off",
}
CONDITION_HEADS = (
    "", "condition", "feed", "mA ± U", "how", "in phase", "at 90°", "DC", "V", "°C", "control",
    "counts", "note",
)  # fmt: skip


def conditions_block(issued: Issued) -> Block:
    """Each condition with its leakage and uncertainty."""
    rows = [_condition(n, one) for n, one in enumerate(issued.closing.body["conditions"], 1)]
    widths = (0, 3, 1.6, 0, 1.5, 0, 0, 0, 0, 0, 0, 0, 2)
    title = "Conditions: protective-conductor current, mA r.m.s., U expanded (k = 2 or more)"
    return table(title, CONDITION_HEADS, rows, widths, (3, 5, 6, 7, 8, 9))


def short_conditions_block(issued: Issued) -> Block:
    """The same for a letter: name, mA, how."""
    rows = [
        (one["name"], w.amount(one), _basis(one))
        for one in issued.closing.body["conditions"]
        if one["counts"]
    ]
    return table(
        "Measured in these conditions", ("condition", "mA ± U", "how"), rows, (2, 0, 1), (1,)
    )


def _basis(one: Body) -> str:
    basis = str(one["basis"])
    return BASIS.get(basis, basis)


def _condition(place: int, one: Body) -> tuple[str, ...]:
    return (
        str(place),
        one["name"],
        w.spaced(one["feed"]),
        w.amount(one),
        _basis(one),
        w.scaled(one["resistive_ua"], 1000, 3),
        w.scaled(one["capacitive_ua"], 1000, 3),
        w.scaled(one["dc_ua"], 1000, 3),
        w.scaled(one["supply_mv"], 1000, 1),
        w.scaled(one["temperature_mc"], 1000, 1),
        w.yes(one["control_seen"]),
        "yes" if one["counts"] else "no",
        one["note"],
    )


def checks_block(issued: Issued) -> Block:
    """Dead tests and function checks, the rejected ones first."""
    ordered = sorted(issued.closing.body["checks"], key=lambda one: one["met"] is not False)
    rows = [
        (
            w.spaced(one["name"]),
            w.value(one["value_millionths"], one["unit"]),
            one["allowed"].replace("<=", "≤").replace(">=", "≥"),
            w.yes(one["met"]),
            one["words"],
        )
        for one in ordered
    ]
    heads = ("check", "value", "allowed", "met", "note")
    return table("Dead tests and function", heads, rows, (2, 0, 1.3, 0, 2.4), (1,))


def decided_block(issued: Issued) -> Block:
    """What the verdict is held against; what decides first."""
    rows = [_gauge(one) for one in issued.closing.body.get("gauges") or ()]
    heads = ("held against", "value", "source", "mark", "decides")
    title = "What the verdict is held against; only what decides decides"
    return table(title, heads, rows, (3, 0, 2.4, 0, 0))


def _gauge(one: Body) -> tuple[str, ...]:
    name = f"{one['limit']} ({one['set']} {one['version']})" if one["decides"] else one["words"]
    shown = w.value(one["value_millionths"], one["unit"])
    return name, shown, one["source"], one["mark"], "yes" if one["decides"] else "no"


def limits_block(issued: Issued) -> Block:
    """All limits in force, two a row."""
    cells = [_limit(one) for one in issued.closing.body["limits"]]
    if len(cells) % 2:
        cells.append(("",) * 4)
    rows = [a + b for a, b in zip(cells[::2], cells[1::2], strict=True)]
    heads = ("limit", "value", "source", "mark") * 2
    return table("Limits in force", heads, rows, (1.4, 0, 2, 0) * 2)


def _limit(one: Body) -> tuple[str, ...]:
    name = f"{w.spaced(str(one.get('set', '')))}: {_bare(one['name'])}"
    return name, w.value(one["value_millionths"], one["unit"]), one["source"], one["mark"]


def _bare(name: str) -> str:
    """A limit's name without the unit at its end, which stands beside its value."""
    ends = ("_ms_cm", "_percent", "_mohm", "_ohm", "_ma", "_s", "_c", "_v", "_u", "_a", "_w")
    return w.spaced(next((name.removesuffix(end) for end in ends if name.endswith(end)), name))


def cause_block(issued: Issued) -> Block:
    """Likely cause with its evidence, what is proposed, what the readings say of one another."""
    return pairs("Cause and what it rests on", _cause(issued.closing.body), 1)


def _cause(body: Body) -> Iterator[tuple[str, str]]:
    likely = body.get("likely") or {}
    chance = likely.get("confidence_millionths")
    sure = "" if chance is None else f" ({min(99.9, chance / 1e4):.3g} % by the table; no finding)"
    if body["cause"] != "don't know":
        yield "likely cause", f"{body['cause']}{sure}"
    for name, speaks_for in (("for it", True), ("against it", False)):
        signs = [one for one in likely.get("evidence", ()) if one["speaks_for"] is speaks_for]
        yield name, "; ".join(f"{one['words']} ({one['mark']})" for one in signs)
    yield "next", likely.get("next", "")
    yield "proposed", body["disposition"]
    yield from ((name, str(told)) for name, told in body["facts"].items() if _told(name))


TOLD = ("place, ", "fault impedance", "hidden", "change")


def _told(name: str) -> bool:
    return name.startswith(TOLD)


def cautions_block(issued: Issued) -> Block:
    """Cautions of the family."""
    return points("Cautions", issued.closing.body["cautions"])


def setup_block(issued: Issued) -> Block:
    """Bench, supply, calibration, proof, people."""
    return pairs("Bench, calibration and who", _setup(issued))


def _setup(issued: Issued) -> Iterator[tuple[str, str]]:
    opening, closing = issued.opening.body, issued.closing
    yield "bench", f"{opening.get('bench_name', '')} ({issued.opening.bench}), bay {opening['bay']}"
    yield "operator", str(opening.get("operator", ""))
    yield "program", str(opening.get("program", ""))
    yield "tested", f"{w.when(closing.at_ms)}, took {w.minutes(closing.body.get('duration_ms'))}"
    yield "water", _water(closing.body["checks"])
    yield "supply", _supply(opening.get("supply") or {})
    digest = w.grouped(str(opening.get("bench_file_sha256", ""))[:16])
    yield "bench file", f"{digest} (SHA-256 begins)"
    yield "bench proof", _proof(issued)
    yield from _instruments(opening)
    yield "limits approved", _approvals(opening.get("approvals") or ())
    yield from ((n, str(f)) for n, f in closing.body["facts"].items() if "confirmed" in n)


def _instruments(opening: Body) -> Iterator[tuple[str, str]]:
    names = opening.get("identities") or {}
    yield "instruments", "; ".join(f"{name}: {one}" for name, one in names.items())
    yield "calibration", _calibration(opening.get("calibration") or {})
    yield "by hand", "; ".join(_hand(*one) for one in (opening.get("hand") or {}).items())


def _approvals(found: Sequence[Body]) -> str:
    by = sorted({str(one["by"]) for one in found})
    return f"{len(found)} by {', '.join(by)}" if by else "none needed or on record"


def _water(checks: Sequence[Body]) -> str:
    found = [one for one in checks if one["name"].startswith("water ")]
    said = (f"{one['name'][6:]} {w.value(one['value_millionths'], one['unit'])}" for one in found)
    return ", ".join(said)


def _supply(supply: Body) -> str:
    if not supply:
        return ""
    volts, hertz = supply["line_to_neutral_mv"] / 1000, supply["frequency_mhz"] / 1000
    return f"{supply['system']}, {volts:g} V line to neutral, {hertz:g} Hz"


def _proof(issued: Issued) -> str:
    number = str(issued.opening.body.get("bench_proof", ""))
    found = issued.stored.get(number)
    if found is None:
        return f"{number}, not in this paper's records" if number else "none on record"
    proof = found.record
    checks = proof.body["checks"]
    met = sum(one["met"] is True for one in checks)
    word = "passed" if proof.body["passed"] else "NOT PASSED"
    return f"{number}, {w.when(proof.at_ms)}: {word}, {met} of {len(checks)} checks met"


def _calibration(found: Body) -> str:
    return "; ".join(f"{n} {c['calibrated']}, due {c['due']}" for n, c in found.items())


def _hand(name: str, one: Body) -> str:
    shown = f"{one['value_millionths'] / 1e6:g}"
    return f"{w.spaced(name)} {shown}, {one['instrument']}, calibrated {one['calibrated']}"
