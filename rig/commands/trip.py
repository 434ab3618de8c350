"""milliproof trip: does this current trip its device, and what does a trip time show?"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import click

from rig.commands.options import Finite, with_json
from rig.commands.output import emit, say
from rig.commands.together import NEVER, device_of, percent, with_device
from rig.errors import Exit

if TYPE_CHECKING:
    from procedures.trip import Answer, Device

EPILOG = """\b
Examples:
  milliproof trip --ma 4.3 --u-ma 0.2 --dc-ma 0
  milliproof trip --ma 18 --device rcd-a --rated-ma 30
  milliproof trip --after-s 0.8

\b
Where a device trips between what it must hold and what it must trip at nobody knows: taken as equally
likely anywhere. Its time is at most the standard's; it may be faster. From a trip after t seconds a
conforming Class A device shows no more than two bounds of the current.
Exit codes: 0 answered, 2 wrong use."""


@click.command(epilog=EPILOG)
@click.option("--ma", type=Finite(least=0), help="Residual current, mA.")
@click.option("--u-ma", type=Finite(least=0), default=0.0, help="Its expanded uncertainty, mA.")
@click.option("--dc-ma", type=Finite(), help="Its DC part, mA; left away: not known.")
@click.option("--harmonics-ma", type=Finite(least=0), help="Its harmonics, mA r.m.s.")
@click.option("--after-s", type=Finite(least=0), help="A Class A device tripped after so long.")
@with_device
@with_json
def trip(
    ma: float | None,
    u_ma: float,
    dc_ma: float | None,
    harmonics_ma: float | None,
    after_s: float | None,
    device: str,
    rated_ma: float | None,
    as_json: bool,
) -> Exit:
    """Say whether a current trips a device, or what a trip time shows."""
    from procedures.trip import will_it_trip

    against = device_of(device, rated_ma)
    if (ma is None) == (after_s is None):
        raise click.UsageError("give either --ma or --after-s")
    if after_s is not None:
        return _shown_by(after_s, device, as_json)
    assert ma is not None
    answer = will_it_trip(ma, u_ma, against, dc_ma=dc_ma, harmonics_ma=harmonics_ma)
    if as_json:
        emit(_json(answer, against))
    else:
        for line in (*_words(answer), *answer.doubts, NEVER):
            click.echo(line)
    return Exit.DONE


def _json(answer: Answer, device: Device) -> dict[str, Any]:
    latest_s = None if math.isinf(answer.latest_s) else answer.latest_s
    return {
        "chance": answer.chance,
        "holds_ma": device.holds_ma,
        "trips_ma": device.trips_ma,
        "soonest_s": answer.soonest_s,
        "latest_s": latest_s,
        "doubts": list(answer.doubts),
    }


def _words(answer: Answer) -> list[str]:
    said = [f"chance of a trip: {percent(answer.chance)}"]
    if math.isinf(answer.latest_s):
        return [*said, "no trip is demanded at this current: if it comes, it may take any time"]
    return [*said, f"a conforming device trips within {answer.latest_s:.3g} s; it may be faster"]


def _shown_by(after_s: float, device: str, as_json: bool) -> Exit:
    from procedures.protection import conforming_bounds_ma

    if device != "class-a":
        raise click.UsageError("--after-s is for a Class A GFCI: an RCD's table has no curve")
    low_ma, high_ma = conforming_bounds_ma(after_s)
    bound_ma = None if math.isinf(high_ma) else high_ma
    if as_json:
        emit({"after_s": after_s, "at_least_ma": low_ma, "at_most_ma": bound_ma})
        return Exit.DONE
    most = "no upper bound" if bound_ma is None else f"at most {bound_ma:.2f} mA"
    click.echo(f"if the device conforms: at least {low_ma:g} mA, {most}")
    say("A trip time can't be turned into a current: the curve is a maximum.")
    return Exit.DONE
