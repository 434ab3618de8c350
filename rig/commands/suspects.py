"""milliproof suspects: which part trips this spa, and in which order to take them off."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.options import OneOf, Words, with_home, with_json
from rig.commands.output import emit, say, show_table
from rig.commands.together import percent
from rig.errors import Exit

if TYPE_CHECKING:
    from procedures.suspects import Found, Split, Suspect
    from results.store import Store

EPILOG = """\b
Examples:
  milliproof suspects --fitted ozone_corona --fitted heater --fitted pump --clue "after minutes"
  milliproof suspects --fitted heater --fitted blower --clue "on purge" --json
  milliproof suspects --fitted heater --fitted pump --field --spa "Alder 12" --by "R. Tarn"

\b
The ranking begins with the trade's experience (common practice, no source) and learns from this home's
own findings: parts that failed, and parts that came back after a pass. It is a place to start, no
finding. --field leads through the isolation at the spa and records each step. Shut off, lock out and
test dead before each change; local codes and licensed practice come first.
Exit codes: 0 answered, 2 wrong use, 3 stopped, or no culprit found (--field)."""


def _fitted() -> Sequence[str]:
    from procedures.suspects import SHARES, WIRING

    return [name for name in SHARES if name != WIRING]


def _clues() -> Sequence[str]:
    from procedures.suspects import CLUES

    return CLUES


@click.command(epilog=EPILOG)
@click.option(
    "--fitted", multiple=True, required=True, type=OneOf("family", _fitted), help="What it has."
)
@click.option("--clue", "clues", multiple=True, type=OneOf("clue", _clues), help="When it trips.")
@click.option("--field", "guided", is_flag=True, help="Lead through the isolation at the spa.")
@click.option("--spa", type=Words(), help="Which spa, with --field.")
@click.option("--by", type=Words(80), help="Who does it, with --field.")
@with_home
@with_json
def suspects(
    fitted: tuple[str, ...],
    clues: tuple[Any, ...],
    guided: bool,
    spa: str | None,
    by: str | None,
    home: Path | None,
    as_json: bool,
) -> Exit:
    """Rank what may trip a spa, and say in which order to disconnect."""
    from procedures.suspects import order, rank
    from rig.shop import open_store

    if guided and not (spa and by):
        raise click.UsageError("--field needs --spa and --by: each step is recorded")
    with open_store(home) as store:
        found = findings(store)
        ranked = rank(fitted, clues, found)
        if guided:
            return _guided(store, ranked, clues, str(spa), str(by), as_json)
    plan = order(ranked)
    if as_json:
        emit(_json(ranked, plan, found))
    else:
        _show(ranked, plan, found)
    return Exit.DONE


def findings(store: Store) -> dict[str, Found]:
    """What this home has found: each part once; a comeback passed first and failed later."""
    from procedures.suspects import SHARES, Found

    verdicts: dict[str, list[str]] = {}
    family: dict[str, str] = {}
    for attempt in store.history(None):
        if attempt.part and attempt.verdict in ("pass", "fail"):
            verdicts.setdefault(attempt.part, []).insert(0, attempt.verdict)
            family[attempt.part] = attempt.family
    counted: dict[str, Found] = {}
    for part, said in verdicts.items():
        name = family[part]
        if "fail" in said and name in SHARES:
            old = counted.get(name, Found())
            back = "pass" in said[: said.index("fail")]
            counted[name] = Found(old.culprits + 1, old.comebacks + back)
    return counted


def _json(ranked: list[Suspect], plan: Split | str, found: dict[str, Found]) -> dict[str, Any]:
    from dataclasses import asdict

    from procedures.suspects import expected_steps

    chances = {one.family: one.chance for one in ranked}
    return {
        "suspects": [asdict(one) for one in ranked],
        "plan": _plan_json(plan),
        "expected_steps": expected_steps(plan, chances),
        "own_findings": {name: asdict(one) for name, one in found.items()},
        "source": "common practice, no source; updated by this home's findings",
    }


def _plan_json(plan: Split | str) -> Any:
    if isinstance(plan, str):
        return {"culprit": plan}
    return {
        "disconnect": list(plan.off),
        "trips": _plan_json(plan.trips),
        "holds": _plan_json(plan.holds),
    }


def _show(ranked: list[Suspect], plan: Split | str, found: dict[str, Found]) -> None:
    from procedures.suspects import expected_steps
    from rig.field import SAFETY

    heads = ("suspect", "chance", "share before the clues, 95 %", "found here", "came back")
    show_table("Suspects", heads, [_row(one, found) for one in ranked])
    steps = expected_steps(plan, {one.family: one.chance for one in ranked})
    click.echo(f"Disconnecting in this order takes {steps:.1f} steps on average. Before each step:")
    for line in (*(f"  {words}" for words in SAFETY), *_plan_lines(plan, 1)):
        click.echo(line)
    say("A place to start, no finding: prove the culprit on the bench (milliproof intake, run).")


def _row(one: Suspect, found: dict[str, Found]) -> tuple[str, ...]:
    own = found.get(one.family)
    interval = f"{100 * one.share_low:.0f} to {100 * one.share_high:.0f} %"
    counts = (str(own.culprits), str(own.comebacks)) if own else ("0", "0")
    return (one.family.replace("_", " "), percent(one.chance), interval, *counts)


def _plan_lines(plan: Split | str, step: int) -> Iterator[str]:
    """The plan as numbered steps; a branch that goes on is indented under its answer."""
    if isinstance(plan, str):
        return
    indent = "  " * step
    off = ", ".join(name.replace("_", " ") for name in plan.off)
    yield f"{indent}{step}. disconnect {off}"
    for answer, branch in (("holds", plan.holds), ("trips", plan.trips)):
        if isinstance(branch, str):
            yield f"{indent}   {answer}: it is the {branch.replace('_', ' ')}"
        else:
            yield f"{indent}   {answer}:"
            yield from _plan_lines(branch, step + 1)


def _guided(
    store: Store, ranked: list[Suspect], clues: Sequence[Any], spa: str, by: str, as_json: bool
) -> Exit:
    from procedures.suspects import WIRING
    from rig.field import Isolation

    if not sys.stdin.isatty():
        raise click.UsageError("--field asks at each step: run it in a terminal")
    isolation = Isolation(store, spa, by, clues, _ask)
    culprit = isolation.find(ranked)
    records = [one.number for one in isolation.records]
    if as_json:
        emit({"spa": spa, "culprit": culprit, "records": records})
    say(f"recorded: {records[0]} to {records[-1]}")
    if not culprit:
        say("no culprit: it does not trip now, or more than one part does it")
        return Exit.NO_VERDICT
    if culprit == WIRING:
        say("the wiring, the controls or the device itself: work for a licensed electrician")
        return Exit.DONE
    story = f'--complaint "tripped {spa}, isolated in {records[0]}"'
    say(f"next: milliproof intake --family {culprit} {story}, then prove it on the bench")
    return Exit.DONE


def _ask(lines: Sequence[str], question: str) -> str:
    from rig.field import ANSWERS

    for line in lines:
        say(f"  {line}")
    return str(click.prompt(question, type=click.Choice(ANSWERS), err=True))
