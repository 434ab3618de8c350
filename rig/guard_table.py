"""The guard: the only one that decides what is switched on. Deny by default.

Rules
-----
1.  One bay, one feed. Bay, feed, speed and known-load relays (the *route*) move only while the supply
    contactors are open and proved open by mirror contacts **and** by bay voltage.
2.  Test sources (bond, ohms, insulation) are outputs too: lid locked, armed, contactors proved open;
    afterwards the discharge is measured.
3.  Closing the contactors needs every row of ``ENERGISE``, a source every row of ``SOURCE``.
4.  Armed means: released, pressed, and held from off until the first output is on, at most 10 s. Then
    the guard-locked lid and the stop guard the soak; opening the lid or pressing stop voids it.
5.  While something is on, each row of ``STAY_ON`` must hold in every scan; one that doesn't: off.
6.  Off is proved, not assumed: mirrors, bay voltage, discharge, then live-dead-live where a known
    source is fitted. What can't be proved off in time is locked out.
7.  ``EVENTS`` are results of the part (cut-off, GFCI trip); everything else that switches off ends
    the run without a verdict. A cut-off is one only when every leakage sensor says so.
8.  The heartbeat is given only by a healthy scan; the bench proof alone may withhold it. Between two
    scans so long apart that the board may have dropped the outputs nothing stays on.
9.  Commissioning alone may go before "commissioned", name its relays one by one, and have the bus
    at less than mains: at 0 V, then at extra-low voltage, then at mains, each live before the next.
    Then supply, bus and GFCI are judged by what a person has connected. No part's procedure can.

``TABLE`` below is the whole state machine; the README's diagram is drawn from it. May be touched: the
tables, with a test that tries to defeat the change. Nothing else in the project writes outputs.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

from procedures.scan import Demand, Findings
from rig.guard_bus import (
    after,
    bus_as_connected,
    bus_reads_dead,
    closed,
    commissioning_declared,
    commissions,
    expected_v,
    gfci_live,
    in_band,
    lower_first,
    split_for_long,
)
from rig.guard_seen import Facts, View

ROUTE_AIDS = frozenset({"high_speed"})  # speed terminals carry load current: part of the route
ROUTE_PROOF = frozenset({"known_load", "known_resistors"})
HEATING_FEEDS = frozenset({"line_neutral", "neutral_line", "line_line"})


Predicate = Callable[[View], bool]


class Rule(NamedTuple):
    """``holds`` must be true; if not, ``words`` says why, and ``detail`` what just now. ``person``: a
    person can or did cause it."""

    name: str
    words: str
    holds: Predicate
    person: bool = False
    detail: Callable[[View], str] = lambda _view: ""

    def why(self, view: View) -> str:
        """The refusal in words."""
        detail = self.detail(view)
        return f"{self.words}: {detail}" if detail else self.words


class Row(NamedTuple):
    """From ``state``, when ``when`` holds and each rule of ``needs`` holds, on to ``to``."""

    state: str
    when: str
    to: str
    words: str
    needs: str = ""


# ---- what a rule can ask ---------------------------------------------------------------------------


def _input(name: str) -> Predicate:
    return lambda v: v.seen.inputs.get(name) is True


def _if_fitted(name: str) -> Predicate:
    return lambda v: name not in v.facts.inputs or v.seen.inputs.get(name) is True


def contactors_open(v: View) -> bool:
    return all(v.seen.inputs.get(f"contactor_{n}_open") is True for n in (1, 2))


def _bus_dead(v: View) -> bool:
    volts = after(v, "bay_v")
    charge = after(v, "bay_dc_v") if "bay_dc_v" in v.facts.quantities else 0.0
    return (
        volts is not None
        and charge is not None
        and abs(volts) < v.facts.dead_v
        and abs(charge) < v.facts.discharged_v
    )


def _no_load(v: View) -> bool:
    if "load_a" not in v.facts.quantities:
        return True
    amps = after(v, "load_a")
    return amps is not None and abs(amps) < v.facts.no_load_a


def _proved_dead(v: View) -> bool:
    return contactors_open(v) and _bus_dead(v) and _no_load(v)


def _bus_live(v: View) -> bool:
    volts = after(v, "bay_v")
    if volts is None or v.memory.contactors != {1, 2}:
        return volts is not None
    return volts > 0.8 * expected_v(v) if expected_v(v) else volts < v.facts.dead_v


def _check_reads(v: View) -> bool:
    volts = after(v, "bay_v")
    return volts is not None and abs(volts - v.facts.check_v) < 0.15 * v.facts.check_v


def wants_output(v: View) -> bool:
    return bool(v.demand.energise or v.demand.source)


def _wants_route(v: View) -> bool:
    return wants_output(v) or bool(route_of(v.demand, v.facts))


def _same_route(v: View) -> bool:
    same_bus = v.demand.bus_v == v.memory.bus_v
    return same_bus and route_of(v.demand, v.facts) == v.memory.route


def _wants_live(v: View) -> bool:
    return (
        v.demand.energise
        and not v.memory.spent_event
        and _same_route(v)
        and v.demand.contactors == v.memory.contactors
    )


def declared(v: View) -> bool:
    d, may = v.demand, v.declaration
    return (
        (d.feed is None or d.feed in may.feeds)
        and (d.source is None or d.source in may.sources)
        and d.aids <= may.aids
        and d.proof <= may.proof
        and (may.control or not d.control)
        and (may.bench_proof or (d.contactors == {1, 2} and not d.withhold_heartbeat))
        and (may.bench_proof or not d.energise or d.feed is not None)
        and not (d.source and d.energise)
        and commissioning_declared(v)
    )


def _fresh(v: View) -> bool:
    return not (v.facts.vital_quantities - v.seen.values.keys()) and not (
        v.facts.vital_inputs - v.seen.inputs.keys()
    )


def _missing(v: View) -> str:
    quantities = v.facts.vital_quantities - v.seen.values.keys()
    return ", ".join(sorted(quantities | (v.facts.vital_inputs - v.seen.inputs.keys())))


def _contradiction(v: View) -> str:
    return v.seen.contradiction


def _quiet(v: View) -> bool:
    """Before the contactors close the sensors read next to nothing, else one of them lies."""
    return v.memory.state != "routed" or (v.seen.worst_leakage_ma or 0.0) < v.facts.quiet_ma


def _limited_passed(v: View) -> bool:
    if v.declaration.bench_proof or v.demand.feed == "limited":
        return True
    findings: Findings = v.demand.findings
    bound = findings.prospective_ma.get(v.demand.feed or "")
    return findings.control_seen and bound is not None and bound <= v.facts.gate_ma


def _water(v: View) -> bool:
    heating = v.declaration.needs_water and v.memory.feed in HEATING_FEEDS
    wet = ("level_ok", "flow_ok", "thermal_ok")
    return not heating or all(v.seen.inputs.get(name) is True for name in wet)


def _cool(v: View) -> bool:
    if not v.declaration.needs_water or v.memory.feed not in HEATING_FEEDS:
        return True
    water = v.seen.values.get("temperature_c")
    return water is not None and water <= v.facts.water_max_c


def _in_stage_time(v: View) -> bool:
    return v.seen.t_s - v.memory.stage_s <= v.demand.stage_s


def _grounded(v: View) -> bool:
    return v.declaration.bench_proof or v.demand.findings.grounded


def _stood_s(v: View) -> float:
    return v.seen.t_s - v.memory.decided_s


def _in_pace(v: View) -> bool:
    return _stood_s(v) <= 2.0 * v.facts.lease_s


def _overdue(seconds: str) -> Predicate:
    return lambda v: v.seen.t_s - v.memory.since_s > getattr(v.facts, seconds)


def _feedback_agrees(v: View) -> bool:
    if v.memory.state in ("live",):
        return closed(v)
    return contactors_open(v) if v.memory.state == "testing" else True


def _route_followed(v: View) -> bool:
    """Bay and feed relays, by the series loops of their mirrors where fitted: all released, or the
    routed one pulled in. A stuck feed or a dead one would make another measurement than demanded."""
    loops = (("bays_open", "bay_"), ("feeds_open", "feed_"))
    return all(
        v.seen.inputs.get(loop) is (not any(one.startswith(prefix) for one in v.memory.route))
        for loop, prefix in loops
        if loop in v.facts.inputs
    )


PREDICATES: Mapping[str, Predicate] = {
    "proved dead": _proved_dead,
    "not proved dead in time": _overdue("off_proof_s"),
    "known source reads": lambda v: "voltage_check" not in v.facts.outputs or _check_reads(v),
    "bus dead": _proved_dead,
    "check overdue": _overdue("check_s"),
    "route wanted": _wants_route,
    "route no longer wanted": lambda v: not _wants_route(v) or not _same_route(v),
    "source wanted": lambda v: v.demand.source is not None,
    "energising wanted": lambda v: v.demand.energise and not v.memory.spent_event,
    "closed and live": lambda v: closed(v) and _bus_live(v),
    "live but a mirror open": split_for_long,
    "not closed in time": _overdue("close_s"),
    "no longer wanted": lambda v: not _wants_live(v),
    "source no longer wanted": lambda v: v.demand.source != v.memory.source or not _same_route(v),
    "one scan later": lambda v: v.seen.t_s > v.memory.since_s,
}

_LID = (
    Rule("lid", "lid is open or not locked: close it", _input("lid_locked"), person=True),
    Rule("lid closed", "lid is open: close it", _input("lid_closed"), person=True),
    Rule("stop", "stop is pressed: release it", _input("stop_healthy"), person=True),
)
_SOUND = (
    Rule("declared", "demand outside the procedure's declaration", declared),
    Rule("fresh", "a required input is missing or stale", _fresh, detail=_missing),
    Rule("lines", "a line is not clean", lambda v: v.seen.dirty_s <= v.facts.lease_s),
    Rule("recorder", "the recorder is behind or dead", lambda v: v.seen.recorder_ok),
)
_AGREEMENT = Rule(
    "agreement",
    "the readings contradict one another",
    lambda v: not v.seen.contradiction,
    detail=_contradiction,
)
_COMMISSIONED = Rule(
    "commissioned",
    "this bench is not commissioned",
    lambda v: v.facts.commissioned or commissions(v),
)
_ALL_OPEN = (
    Rule("contactors", "contactors are not proved open", contactors_open),
    Rule("dead", "there is voltage behind the open contactors", bus_reads_dead),
)
_FOLLOWED = Rule("route", "a bay or feed relay did not follow, by its mirror", _route_followed)
_EARTH = Rule("earth", "earth continuity is lost", _if_fitted("earth_ok"))
_THERMAL = Rule("thermal", "the thermal cut-out has opened", _if_fitted("thermal_ok"))
_HOOD = Rule("hood", "the hood is not in place", _if_fitted("hood_ok"), person=True)
_SUPPLY = Rule("supply", "supply is out of band", in_band)
_ARMED = Rule("armed", "not armed", lambda v: v.memory.arm in ("pressed", "armed"), person=True)

PERMITS: Mapping[str, tuple[Rule, ...]] = {
    "ROUTE": (
        Rule("declared", "demand outside the procedure's declaration", declared),
        *_ALL_OPEN,
        _FOLLOWED,
    ),
    "SOURCE": (
        *_SOUND,
        _COMMISSIONED,
        *_ALL_OPEN,
        _FOLLOWED,
        *(_EARTH, _THERMAL, _HOOD, _SUPPLY, _AGREEMENT),  # else it would be off in the next scan
        _ARMED,
        *_LID,
    ),
    "ENERGISE": (
        *_SOUND,
        _COMMISSIONED,
        Rule(
            "bench proof",
            "no valid bench proof: run milliproof bench prove",
            lambda v: v.declaration.bench_proof or (v.facts.proved and not v.memory.proof_void),
        ),
        Rule("lower first", "the lower voltage has not been live before", lower_first),
        *_ALL_OPEN,
        _FOLLOWED,
        Rule("gfci", "GFCI is not live: reset it by hand", gfci_live, person=True),
        _EARTH,
        _THERMAL,
        _HOOD,
        Rule("ground", "this part's bond, electrode or foil is not proved", _grounded),
        Rule("limited step", "limited step not passed for this feed", _limited_passed),
        Rule("water", "no water, no flow or no cut-out: never heat dry", _water),
        _SUPPLY,
        _AGREEMENT,
        Rule("quiet", "leakage is read although nothing is on", _quiet),
        _ARMED,
        *_LID,
    ),
}

PACE = Rule(
    "pace",
    "the program stood still",
    _in_pace,
    detail=lambda v: f"{_stood_s(v):.1f} s; the board's watchdog may have dropped the outputs",
)
STAY_ON: tuple[Rule, ...] = (
    PACE,
    *_SOUND,  # first: a missing input must not be told as an open lid
    *_LID,
    _EARTH,
    _THERMAL,
    _HOOD,
    Rule("water", "level or flow lost", _water),
    Rule("water temperature", "water is too hot or its reading is lost", _cool),
    _SUPPLY,
    Rule("bus", "more is on the bus than was to be connected", bus_as_connected),
    _AGREEMENT,
    _FOLLOWED,
    Rule("feedback", "a contactor's mirror contact disagrees", _feedback_agrees),
    Rule("stage", "the stage took longer than it may", _in_stage_time),
)

TABLE: tuple[Row, ...] = (
    Row("unproved", "proved dead", "check live", "all commanded off, mirrors open, bus dead"),
    Row("unproved", "not proved dead in time", "locked out", "off could not be proved"),
    Row("check live", "known source reads", "check dead", "voltage channel reads the known source"),
    Row("check live", "check overdue", "locked out", "voltage channel does not read its source"),
    Row("check dead", "bus dead", "check live again", "bus reads dead"),
    Row("check dead", "check overdue", "locked out", "bus does not read dead"),
    Row("check live again", "known source reads", "off", "channel still reads: off is proved"),
    Row("check live again", "check overdue", "locked out", "voltage channel went blind"),
    Row("off", "route wanted", "routed", "bay and feed relays, contactors open", "ROUTE"),
    Row("routed", "route no longer wanted", "opening", "relays released, contactors open"),
    Row("routed", "source wanted", "testing", "test source on", "SOURCE"),
    Row("routed", "energising wanted", "closing", "contactors commanded", "ENERGISE"),
    Row("closing", "closed and live", "live", "mirrors and bay voltage agree"),
    Row("closing", "live but a mirror open", "opening", "bus live while a mirror says open"),
    Row("closing", "not closed in time", "opening", "contactors did not close"),
    Row("live", "no longer wanted", "breaking", "one contactor breaks first, in turn"),
    Row("breaking", "one scan later", "opening", "both contactors commanded open"),
    Row("testing", "source no longer wanted", "opening", "source off, discharge"),
    Row("opening", "proved dead", "check live", "mirrors open, bus dead, discharged"),
    Row("opening", "not proved dead in time", "locked out", "off could not be proved"),
)
BY_STATE: Mapping[str, tuple[Row, ...]] = {
    state: tuple(row for row in TABLE if row.state == state)
    for state in {row.state for row in TABLE} | {"locked out"}
}
ON_STATES = frozenset({"closing", "live", "breaking", "testing"})
GROUPS: Mapping[str, tuple[str, ...]] = {  # which outputs a state may have on; others have none
    "check live": ("check",),
    "check live again": ("check",),
    "routed": ("route",),
    "closing": ("route", "contactors"),
    "live": ("route", "contactors", "control"),
    "breaking": ("route", "last contactor"),
    "opening": ("route",),
    "testing": ("route", "source"),
    "locked out": ("route",),  # the bus may be live: no relay moves under load
}


def route_of(demand: Demand, facts: Facts) -> frozenset[str]:
    """The relays that a demand routes: bay, feed, speed, known load; commissioning names its own."""
    if demand.route is not None:
        return demand.route
    route = {f"feed_{demand.feed}"} if demand.feed else set()
    route |= {f"aid_{aid}" for aid in demand.aids & ROUTE_AIDS if demand.feed or demand.source}
    route |= demand.proof & ROUTE_PROOF
    if demand.feed or demand.source:
        route.add(facts.bay)
    return frozenset(route)


def first_unmet(rules: tuple[Rule, ...], view: View) -> Rule | None:
    """The first rule that does not hold."""
    for rule in rules:
        if not rule.holds(view):
            return rule
    return None


def diagram() -> str:
    """The table as a Mermaid state diagram, for the README."""
    ids = {state: state.replace(" ", "_") for state in BY_STATE}
    lines = ["stateDiagram-v2", "    [*] --> unproved"]
    lines += [f"    {ids[row.state]} --> {ids[row.to]}: {row.when}" for row in TABLE]
    lines += [
        f"    {ids[state]} --> opening: result or lost condition" for state in sorted(ON_STATES)
    ]
    return "\n".join(lines)
