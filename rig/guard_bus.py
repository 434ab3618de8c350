"""What the bus is to carry: the mains, or in commissioning, by a person's hand, nothing or 24 V.

Part of the guard's rules (``guard_table.py``, rule 9). Only a commissioning declaration can expect less
than the mains or name its relays; whatever else asks for it has demanded outside its declaration.
"""

from __future__ import annotations

from procedures.scan import EXTRA_LOW_V, LEAKAGE_MA, SECOND_LEAKAGE_MA
from rig.guard_seen import View

EXTRA_LOW_SHARE = 0.25  # a bench transformer without load reads high
EXTRA_LOW_MOST_V = 60.0  # leg to leg, both legs at their upper end


def commissions(v: View) -> bool:
    return v.declaration.commissioning and v.declaration.bench_proof


def _steps_v(v: View) -> tuple[float, ...]:
    return (0.0, EXTRA_LOW_V, v.facts.nominal_v)


def expected_v(v: View) -> float:
    """What the supply is to read: nominal, unless commissioning was routed with less."""
    told_v = v.memory.bus_v if commissions(v) else None
    return v.facts.nominal_v if told_v is None else told_v


def mains(v: View) -> bool:
    """Whether the bus is to carry the mains."""
    return expected_v(v) == v.facts.nominal_v


def lower_first(v: View) -> bool:
    lower = {step for step in _steps_v(v) if step < expected_v(v)}
    return not commissions(v) or lower <= v.memory.been_live_v


def bus_reads_dead(v: View) -> bool:
    """Now, not only when off was proved: a mirror contact alone can lie."""
    volts = v.seen.values.get("bay_v")
    return volts is not None and abs(volts) < v.facts.dead_v


def bus_as_connected(v: View) -> bool:
    """Less than mains was connected: more on the bus means that the mains is still there."""
    most_v = v.facts.dead_v if expected_v(v) == 0.0 else EXTRA_LOW_MOST_V
    return mains(v) or v.seen.values.get("bay_v", most_v) < most_v


def in_band(v: View) -> bool:
    volts = v.seen.values.get("supply_v")
    if volts is None:
        return "supply_v" not in v.facts.quantities
    told_v = expected_v(v)
    if told_v == 0.0:
        return abs(volts) < v.facts.dead_v
    share = v.facts.tolerance if mains(v) else EXTRA_LOW_SHARE
    return abs(volts - told_v) <= told_v * share


def after(v: View, name: str) -> float | None:
    """A reading taken after the present state began, else None: an older one proves nothing."""
    taken = v.seen.taken_s.get(name)
    fresh = taken is not None and taken > v.memory.since_s
    return v.seen.values.get(name) if fresh else None


def closed(v: View) -> bool:
    """The chosen contactors by their mirrors, and only those."""
    chosen = v.memory.contactors
    return all(v.seen.inputs.get(f"contactor_{n}_open") is (n not in chosen) for n in (1, 2))


def split(v: View) -> bool:
    """The bus is live, freshly, and a mirror says that its contactor is open."""
    volts = after(v, "bay_v")
    live = volts is not None and abs(volts) >= v.facts.dead_v
    return v.memory.state == "closing" and live and not closed(v)


def not_closed(v: View) -> str:
    """What spoke against it when the contactors were to close, in words."""
    silent = [f"contactor_{n}" for n in sorted(v.memory.contactors) if not _pulled_in(v, n)]
    if silent:
        return f"the mirror of {' and '.join(silent)} does not say closed"
    volts = v.seen.values.get("bay_v")
    return (
        f"the mirrors say closed, the bus reads {'nothing' if volts is None else f'{volts:.0f} V'}"
    )


def _pulled_in(v: View, n: int) -> bool:
    return v.seen.inputs.get(f"contactor_{n}_open") is False


def split_for_long(v: View) -> bool:
    """Longer than contactor, mirror and meter may differ: honest mirrors open before the main contacts
    close (IEC 60947-4-1, from memory)."""
    from_s = v.memory.split_s
    return from_s is not None and v.seen.t_s - from_s >= v.facts.skew_s


def sensors(v: View) -> frozenset[str]:
    """The leakage sensors that are fitted."""
    return v.facts.quantities & {LEAKAGE_MA, SECOND_LEAKAGE_MA}


def above(v: View, limit_ma: float) -> frozenset[str]:
    """The leakage sensors that read more than that, or say that they are over their range."""
    read = v.seen.values
    return frozenset(
        name for name in sensors(v) if name in v.seen.over or read.get(name, 0.0) > limit_ma
    )


def told(v: View) -> str:
    """What each leakage sensor tells, in words."""
    return ", ".join(f"{name} {_told(v, name)}" for name in sorted(sensors(v)))


def _told(v: View, name: str) -> str:
    if name in v.seen.values:
        return f"{v.seen.values[name]:.2f} mA"
    return "over its range" if name in v.seen.over else "not read"


def gfci_live(v: View) -> bool:
    return not mains(v) or v.seen.inputs.get("gfci_live") is True


def commissioning_declared(v: View) -> bool:
    d = v.demand
    if not commissions(v):
        return d.bus_v is None and d.route is None
    known = d.bus_v is None or d.bus_v in _steps_v(v)
    return known and (d.route is None or _route_declared(v, d.route))


def _route_declared(v: View, route: frozenset[str]) -> bool:
    """One relay alone; or, to energise, one bay and the very feed that is named."""
    bays = {name for name in route if name.startswith("bay_")}
    feed = {f"feed_{v.demand.feed}"} if v.demand.feed else set()
    if v.demand.energise:
        return bool(feed) and len(bays) == 1 and route == bays | feed
    own = {f"feed_{name}" for name in v.declaration.feeds}
    own |= {f"aid_{name}" for name in v.declaration.aids} | v.declaration.proof
    nothing_else = v.demand.source is None and v.demand.feed is None and not v.demand.proof
    return nothing_else and len(route) == 1 and route <= own | bays | {"positive_control"}
