"""The plant: everything physical behind the virtual bench's wires, in simulated time.

Outputs in, inputs and values out, plus a technician's hands and eyes. Nothing in here knows how the
parts are judged.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from random import Random

from drivers.errors import Refused
from drivers.virtual import by_hand
from drivers.virtual.account import Account
from drivers.virtual.circuit import LOADED_FEEDS, Fixture, Solution, Switches, solve
from drivers.virtual.eyes import seen
from drivers.virtual.gfci import Interrupter
from drivers.virtual.hazards import HazardWatch, Trouble
from drivers.virtual.injectors import Injectors
from drivers.virtual.leaks import Around
from drivers.virtual.meters import Meters, World
from drivers.virtual.names import (
    COILS,
    CONTACTORS,
    DROPPED_OUTPUTS,
    FEEDS,
    ROUTE_OUTPUTS,
    SOURCE_OUTPUTS,
)
from drivers.virtual.parts import MountedPart
from drivers.virtual.surroundings import Supply, Water
from drivers.virtual.switchgear import BadRelays, Delayed
from drivers.virtual.truth import PartTruth

LONGEST_STEP_S = 0.1
LOCK_S = 0.3
DISCHARGE_TAU_S = 0.25
WATCHDOG_S = 1.0
IN_CIRCUIT = ("positive_control", "known_load", "reference_resistive", "reference_capacitive")


class Plant:
    """A split-phase bench with ``bays`` bays and the parts of ``shelf`` (by serial number).

    What can be wrong with the bench itself is None, empty or true while it is sound: ``bad_relays``,
    ``lies`` (inputs that say what is not), ``referenced``, ``earthed``, ``trouble``.
    The relay board's watchdog starts with the first ``beat`` (or with ``guarded``): without a
    changed beat for 1.0 s the board drops contactors, test sources and positive control.
    """

    def __init__(
        self,
        shelf: Mapping[str, PartTruth],
        seed: int = 1,
        bays: int = 4,
        guarded: bool = False,
    ) -> None:
        self.shelf, self.bays, self.guarded = shelf, bays, guarded
        self._rng = Random(seed)
        self.t_s = 0.0
        self.outputs = self.contacts = dict.fromkeys(COILS, False)  # what is told, what is closed
        self.bad_relays: BadRelays | None = None
        self.lies: dict[str, bool] = {}
        self.referenced = self.earthed = True
        self.earth_alarm_s = math.inf  # when the earth-continuity loop opens
        self.trouble: Trouble | None = None
        self.account = Account()
        self.fixture = Fixture.drawn(self._rng)
        self.gfci = Interrupter.drawn(self._rng)
        self.supply: Supply = Supply(self._rng)
        self.water = Water()
        self.world = World()
        self.meters = Meters(self._rng)
        self._injectors = Injectors()
        self._hazards = HazardWatch(self.account)
        self.contactors = {name: Delayed() for name in CONTACTORS}
        self._lock = Delayed(LOCK_S, LOCK_S)
        self._mounted: dict[int, MountedPart] = {}
        self.held_open: set[str] = set()  # interlocks that a hand holds open
        self._lid_closed = self._arm_pressed = self._stop_pressed = False
        self._coils_dead = False  # stop cuts the coils until both are commanded off
        self._beat, self._beat_s = -1, 0.0
        self._solution: Solution | None = None
        self._stale = True
        self.step(0.0)

    # ---- outputs and time ------------------------------------------------------------------------

    def set_output(self, name: str, on: bool) -> None:
        """Command one relay. Raises KeyError for an unknown name."""
        if self.outputs[name] == on:
            return
        if name in ROUTE_OUTPUTS and self.live:
            self.account.event(self.t_s, "route", f"{name} switched while the bus was live")
        if name in CONTACTORS and on and self._stop_pressed:
            self.account.event(self.t_s, "stop", f"{name} commanded while stop was pressed")
        self.outputs[name] = on
        self._stale = True

    def beat(self, value: int) -> None:
        """The watchdog register was written; only a changed value counts."""
        if value != self._beat:
            self._beat, self._beat_s, self.guarded = value, self.t_s, True

    @property
    def beat_s(self) -> float:
        """When the watchdog register changed last, simulated time."""
        return self._beat_s

    def step(self, dt_s: float) -> None:
        """Advance simulated time, in sub-steps of at most 0.1 s."""
        count = max(1, math.ceil(dt_s / LONGEST_STEP_S - 1e-9))
        for _ in range(count):
            self._substep(dt_s / count)

    def _substep(self, dt_s: float) -> None:
        self.t_s += dt_s
        self._watch()
        if self.bad_relays is not None:
            self.contacts = self.bad_relays.contacts(self.outputs)
        self._switch(dt_s)
        self.supply.advance(self.t_s)
        self._solve()
        self._advance_parts(dt_s)
        self._protect(dt_s)
        self._hazards.note(self, dt_s)
        if self.trouble is not None:
            self.trouble.advance(dt_s)
        self.meters.sample(self)

    def _watch(self) -> None:
        if self.guarded and self.t_s - self._beat_s > WATCHDOG_S + 1e-9:
            for name in DROPPED_OUTPUTS:
                if self.outputs[name]:
                    self.outputs[name] = False
                    self._stale = True

    def _switch(self, dt_s: float) -> None:
        wanted = [self.contacts[name] for name in CONTACTORS]
        if self._stop_pressed:
            self._coils_dead = True
        elif not any(wanted):
            self._coils_dead = False
        moved = False
        for name, want in zip(CONTACTORS, wanted, strict=True):
            moved |= self.contactors[name].advance(want and not self._coils_dead, self.t_s, dt_s)
        self._lock.advance(self.contacts["lid_lock"] and self._lid_closed, self.t_s, dt_s)
        moved |= self._injectors.advance(self, dt_s)
        self._stale |= moved

    # ---- what is connected -----------------------------------------------------------------------

    @property
    def live(self) -> bool:
        """The bus behind the contactors carries the supply."""
        first, second = self.contactors.values()
        return self.gfci.closed and first.state and second.state

    @property
    def energised(self) -> bool:
        """The bus is live or a test source is on."""
        return self.live or any(self.contacts[name] for name in SOURCE_OUTPUTS)

    @property
    def lid_closed(self) -> bool:
        return self._lid_closed

    @property
    def lid_locked(self) -> bool:
        return self._lid_closed and self._lock.state

    @property
    def stop_pressed(self) -> bool:
        return self._stop_pressed

    @property
    def contactors_open(self) -> bool:
        first, second = self.contactors.values()
        return not first.state and not second.state

    @property
    def feed(self) -> str | None:
        """The feed relay that is really closed: they are mechanically interlocked."""
        return next((feed for feed in FEEDS if self.contacts[f"feed_{feed}"]), None)

    @property
    def routed(self) -> tuple[MountedPart, ...]:
        """Parts whose bay relay is closed."""
        return tuple(
            part for bay, part in sorted(self._mounted.items()) if self.contacts[f"bay_{bay}"]
        )

    @property
    def speed(self) -> str:
        return "high" if self.contacts["aid_high_speed"] else "low"

    def _solve(self) -> None:
        if not self._stale:
            return
        self._stale = False
        if not self.live:
            self._solution = None
            return
        on = frozenset(name for name in IN_CIRCUIT if self.contacts[name])
        on |= self._injectors.closed()
        switches = Switches(self.feed, self.routed, on, self.referenced, self.earthed)
        self._solution = solve(self.fixture, switches)

    def _advance_parts(self, dt_s: float) -> None:
        """Currents now, and what they do to the parts until the next step."""
        world, feed = self.world, self.feed
        was_live = world.live
        world.update(self._solution, self.supply)
        loaded = world.live and feed in LOADED_FEEDS
        heat_w = 0.0
        routed = self.routed
        for part in self._mounted.values():
            volts = abs(world.across_v) if loaded and part in routed else 0.0
            watts = volts**2 * part.load.real
            around = Around(dt_s, self.t_s, self.water.level_ok, self.water.humid)
            around.power = watts / part.truth.rated_w if part.truth.rated_w else 0.0
            around.speed = self._speed_of(part, volts)
            if part.advance(around, volts):
                self._stale = True
            heat_w += watts if part.truth.family == "heater" else 0.0
        self.water.advance(dt_s, self.contacts, heat_w)
        world.charge(was_live, max((part.truth.stored_v for part in routed), default=0.0))
        world.stored_v *= math.exp(-dt_s / DISCHARGE_TAU_S)
        world.rest(routed, feed, self.supply.frequency_hz)

    def _speed_of(self, part: MountedPart, volts: float) -> str:
        if not part.runs(volts):
            return ""
        return self.speed if part.truth.speeds == 2 else "high"

    def _protect(self, dt_s: float) -> None:
        if not self.gfci.closed:
            return
        self.gfci.advance(1000.0 * abs(self.world.earth_a + self.world.injected_a), dt_s)
        if not self.gfci.closed:
            self.trip()

    def trip(self) -> None:
        """The GFCI opens, whatever the reason."""
        self.gfci.closed, self._stale = False, True
        self._hazards.tripped(self)

    def service(self) -> None:
        """Gone over by a technician: the GFCI reset and tested."""
        self.reset_gfci()
        self._hazards.unproved = False

    def disturb(self) -> None:
        """A fault or its repair changed the bench: work everything out anew."""
        self.contacts, self._stale = self.outputs, True
        if self.bad_relays is not None:
            self.contacts = self.bad_relays.contacts(self.outputs)

    # ---- what the controller can read --------------------------------------------------------------

    def inputs(self) -> dict[str, bool]:
        """Every input of the bench, true meaning what its name says."""
        contacts, water = self.contacts, self.water
        inputs = {
            "contactor_1_open": not self.contactors["contactor_1"].state,
            "contactor_2_open": not self.contactors["contactor_2"].state,
            "stop_healthy": not self._stop_pressed,
            "lid_closed": self._lid_closed,
            "lid_locked": self.lid_locked,
            "gfci_live": self.gfci.closed,
            "arm_pressed": self._arm_pressed,
            "bays_open": not any(contacts[f"bay_{n}"] for n in range(1, self.bays + 1)),
            "feeds_open": self.feed is None,
            "earth_ok": self.t_s < self.earth_alarm_s,
            "level_ok": water.level_ok,
            "flow_ok": water.flow_ok,
            "thermal_ok": water.thermal_ok,
            "hood_ok": True,
            "part_output_live": self._part_output_live(),
        }
        if self.held_open:
            inputs.update(dict.fromkeys(self.held_open, False))
        return inputs | self.lies if self.lies else inputs

    def _part_output_live(self) -> bool:
        tested = [part for part in self.routed if part.truth.family == "gfci"]
        return self.world.live and self.feed in LOADED_FEEDS and any(not p.tripped for p in tested)

    def injection_ma(self) -> float:
        """What flows through the meter of the bench's own test currents."""
        return self._injectors.shown_ma(self)

    def values(self) -> dict[str, float]:
        """Newest sample of each instrument; test meters only while their source is on."""
        return self.meters.read(self.meters.values)

    # ---- hands and eyes ----------------------------------------------------------------------------

    def mount(self, bay: int, serial: str) -> None:
        """Clip a part of the shelf into a bay."""
        self._may_reach(bay)
        if serial not in self.shelf:
            raise Refused("bench", f"no part {serial!r} on the shelf", "look at the shelf's list")
        if any(part.serial == serial for part in self._mounted.values()):
            raise Refused("bench", f"{serial} is mounted already", "unmount it first")
        self._mounted[bay] = MountedPart(serial, self.shelf[serial], self._rng, self.t_s)
        self._stale = True

    def step_leaks(self, bay: int, ma: float) -> None:
        """Let a part's stepping leaks drive ``ma`` at 120 V from now on."""
        part = self._mounted.get(bay)
        if part is None or not part.step_leaks(ma):
            raise Refused("bench", f"no stepping leak in bay {bay}", 'mount one with law = "step"')
        self._stale = True

    def mount_lamp(self, bay: int) -> None:
        """Clip a lamp into a bay, rated for the mains, its metal earthed."""
        self._may_reach(bay)
        self._mounted[bay] = MountedPart("lamp", by_hand.LAMP, self._rng)
        self._stale = True

    def unmount(self, bay: int) -> None:
        """Take the part out of a bay."""
        self._may_reach(bay)
        self._mounted.pop(bay, None)
        self._stale = True

    def _may_reach(self, bay: int) -> None:
        if not 1 <= bay <= self.bays:
            raise Refused("bench", f"no bay {bay}", f"1 to {self.bays}")
        if self.lid_locked:
            raise Refused("bench", "the lid is locked", "switch off and unlock it")

    def lid(self, closed: bool) -> None:
        """Close or open the lid; a locked lid can't be opened."""
        if not closed and self.lid_locked:
            raise Refused("bench", "the lid is locked", "switch off and unlock it")
        self._lid_closed = closed

    def force_lid(self) -> None:
        """Tear the lid open, locked or not."""
        self._lid_closed = False

    def arm(self, pressed: bool) -> None:
        """Press or release the arm button."""
        self._arm_pressed = pressed

    def stop(self, pressed: bool) -> None:
        """Press or release the latching stop; pressed, it cuts the contactor coils and sources."""
        self._stop_pressed = pressed
        if pressed:
            for name in (*SOURCE_OUTPUTS, "gfci_injector"):
                self.outputs[name] = False

    def reset_gfci(self) -> None:
        """Reset the bench's own GFCI and a tested one in a bay by hand."""
        self.gfci.reset()
        for part in self._mounted.values():
            part.tripped = False
        self._stale = True

    def mounted_s(self, serial: str) -> float:
        """Since when a part of the shelf has been in its bay; 0 for one that is in none."""
        parts = (part for part in self._mounted.values() if part.serial == serial)
        return next((part.mounted_s for part in parts), 0.0)

    def eyes(self, key: str, bay: int) -> str:
        """What a person would see there."""
        if key in by_hand.SEEN:
            return by_hand.SEEN[key](self)
        return seen(key, self._mounted.get(bay), self.world)
