"""milliproof together: do these parts trip their device when they run at once?"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import click

from rig.commands.options import Finite, with_home, with_json
from rig.commands.output import emit, say, show_table
from rig.errors import Exit

if TYPE_CHECKING:
    from procedures.together import Combination, Leg, Together
    from procedures.trip import Device
    from rig.loads import Measured

DEVICES = ("class-a", "rcd-ac", "rcd-a", "rcd-f", "rcd-b")
NEVER = "Software is not protection: a working GFCI or RCD stays in front of every spa."
EPILOG = """\b
Examples:
  milliproof together P-0001@1 P-0004@2 P-0010
  milliproof together P-0001 P-0002 --device rcd-a --rated-ma 30 --json
  milliproof together P-0001@1 P-0004@2 --plot set.png

\b
PART@1 and PART@2 say which leg a part is connected to, PART alone that it is between the legs or that
nobody knows: then the worse counts. Each part counts with the worst condition of its newest attempt.
Leaks on opposite legs cancel, so every combination of what may run at once is tried, at nominal voltage
and at 110 %. A Class A device trips somewhere from 4 to 6 mA, an RCD from half to all of its rating.
Exit codes: 0 answered, 2 wrong use, an unknown part, or nothing measured on one."""


def with_device(command: Any) -> Any:
    """--device and --rated-ma."""
    rated = click.option(
        "--rated-ma", type=Finite(above=0, most=1000), help="Rated residual current of an RCD, mA."
    )
    kind = click.option(
        "--device", type=click.Choice(DEVICES), default="class-a", show_default=True
    )
    return kind(rated(command))


def device_of(name: str, rated_ma: float | None) -> Device:
    """The device that was meant. An RCD without a rating is refused: there is no usual one."""
    from procedures.trip import Device, Kind

    if name == "class-a":
        if rated_ma is not None:
            raise click.UsageError("--rated-ma is for an RCD; a Class A GFCI trips from 4 to 6 mA")
        return Device()
    if rated_ma is None:
        raise click.UsageError(f"--device {name} needs --rated-ma, such as 30")
    return Device(cast("Kind", name.removeprefix("rcd-").upper()), rated_ma)


def _leg(said: str) -> tuple[str, Leg | None]:
    part, at, leg = said.partition("@")
    if at and leg not in ("1", "2"):
        raise click.UsageError(f"{said!r}: after @ comes the leg, 1 or 2")
    return part, cast("Leg", leg) if at else None


@click.command(epilog=EPILOG)
@click.argument("parts", nargs=-1, required=True, metavar="PART[@LEG]...")
@with_device
@click.option(
    "--plot", type=click.Path(path_type=Path, dir_okay=False), help="Picture to write: .png, .svg."
)
@with_home
@with_json
def together(
    parts: Sequence[str],
    device: str,
    rated_ma: float | None,
    plot: Path | None,
    home: Path | None,
    as_json: bool,
) -> Exit:
    """Sum the leakage of parts that run together: does the set trip, and which part to replace?"""
    from procedures.together import HIGH_SUPPLY
    from procedures.together import together as summed
    from rig.loads import measured
    from rig.shop import open_store

    against, wanted = device_of(device, rated_ma), [_leg(said) for said in parts]
    with open_store(home) as store:
        found = [measured(store, part, leg) for part, leg in wanted]
    loads = [one.load for one in found]
    sums = [summed(loads, against, supply=supply) for supply in (1.0, HIGH_SUPPLY)]
    if as_json:
        emit(_json(found, sums, against))
    else:
        _show(found, sums, against)
    if plot is not None:
        from rig.together_plot import draw

        say(f"written: {draw(found, sums, against, plot)}")
    return Exit.DONE


def _json(found: list[Measured], sums: list[Together], device: Device) -> dict[str, Any]:
    from dataclasses import asdict

    return {
        "simulated": any(one.simulated for one in found),
        "device": {**asdict(device), "holds_ma": device.holds_ma, "trips_ma": device.trips_ma},
        "parts": [asdict(one) for one in found],
        "sums": [
            {
                **asdict(one),
                "hiding": [{**asdict(p), "hidden_ma": p.hidden_ma} for p in one.hiding],
            }
            for one in sums
        ],
        "doubts": _doubts(found, device),
    }


def _doubts(found: list[Measured], device: Device) -> list[str]:
    """What weakens the answer, part by part, and what may blind the device."""
    from procedures.trip import blinding

    said = [f"{one.part}: {doubt}" for one in found for doubt in one.doubts]
    known = [one.dc_ma for one in found if one.dc_ma is not None]
    dc_ma = sum(abs(dc) for dc in known) if len(known) == len(found) else None
    return [*said, *blinding(0.0, device, dc_ma=dc_ma, harmonics_ma=None)]


def _show(found: list[Measured], sums: list[Together], device: Device) -> None:
    simulated = "SIMULATED: " if any(one.simulated for one in found) else ""
    heads = ("part", "leg", "mA resistive", "mA capacitive", "mA ±", "condition, record")
    show_table(f"{simulated}what runs together", heads, [_part_row(one) for one in found])
    rows = [row for one in sums for row in _sum_rows(one)]
    title = f"Against a device that trips from {_band(device)}"
    show_table(title, ("what runs", "supply", "mA together", "chance of a trip"), rows)
    for line in (*_advice(sums[-1]), *_doubts(found, device), NEVER):
        say(line)


def _band(device: Device) -> str:
    return f"{device.holds_ma:g} to {device.trips_ma:g} mA"


def _part_row(one: Measured) -> tuple[str, ...]:
    load = one.load
    numbers = (load.resistive_ma, load.capacitive_ma, load.u_ma)
    leg = "both or unknown" if load.leg == "both" else load.leg
    return (one.part, leg, *(f"{n:.3f}" for n in numbers), f"{one.condition}, {one.closing}")


def _sum_rows(one: Together) -> list[tuple[str, ...]]:
    return [_sum_row("everything", one, one.all_on), _sum_row("", one, one.worst)]


def _sum_row(name: str, one: Together, sum_: Combination) -> tuple[str, ...]:
    what = name or "worst: " + (", ".join(sum_.running) or "nothing")
    amount = f"{sum_.magnitude_ma:.2f} ± {sum_.u_ma:.2f}"
    return (what, f"{100 * one.supply:.0f} %", amount, percent(sum_.chance))


def percent(chance: float) -> str:
    """A probability in words that don't claim more than is known."""
    if chance < 0.001:
        return "below 0.1 %"
    return "above 99.9 %" if chance > 0.999 else f"{100 * chance:.1f} %"


def _advice(one: Together) -> list[str]:
    """What to replace, and what hides what, at the higher supply."""
    said = []
    if one.worst.chance >= 0.001 and one.replacements:
        best = one.replacements[0]
        said.append(
            f"replace {best.name} first: the worst left is then {best.magnitude_ma:.2f} mA, "
            f"{percent(best.chance)} at {100 * one.supply:.0f} %"
        )
    return said + [
        f"{' and '.join(pair.names)} hide one another: {pair.together_ma:.2f} mA together, "
        f"{pair.larger_alone_ma:.2f} mA when one is unplugged"
        for pair in one.hiding
    ]
