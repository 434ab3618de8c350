"""A bench, opened: its lines, its clock, and whether it has proved to be a virtual one.

Virtual is proved, not declared: the run token that the bench file gives is read back over the relay
line. A bench file that claims a token which the bench does not show is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass

from drivers.polling import PollingThread
from drivers.roles import Clock, RealClock, Station, WaveMeter
from drivers.station import open_stations
from drivers.virtual.remote import LockstepClock, RemoteBench
from procedures.scan import Setup
from rig.bench_file import Bench
from rig.errors import RigError
from rig.guard_seen import Facts
from rig.safe_start import MIRRORS, make_safe, refuse_silent
from rig.stopping import Stop, noted
from rig.wiring import VITAL_INPUTS, VITAL_QUANTITIES, Wiring

LOCKSTEP_PATIENCE = 8.0  # deadlines cost simulated time there; a stalled machine may take longer
TOKEN_WORDS = 8  # 16 bytes in holding registers


class NotThatBench(RigError):
    """The bench does not show the run token that the bench file claims."""


@dataclass(slots=True)
class OpenBench:
    """``remote`` is the control channel of a virtual bench that has one. ``locked_out``: off could
    not be proved, so nothing is released at the end, the lid least of all. ``commissioned`` is set by
    ``standing.permit`` alone."""

    bench: Bench
    stations: Mapping[str, Station]
    clock: Clock
    remote: RemoteBench | None
    virtual: bool
    identities: Mapping[str, str]
    locked_out: bool = False
    commissioned: bool = False

    @property
    def lockstep(self) -> bool:
        """Whether this program moves the bench's time."""
        return isinstance(self.clock, LockstepClock)

    def output_station(self) -> dict[str, str]:
        """Output name to the line it is on."""
        spec = self.bench.spec
        return {name: spec.devices[out.device].line for name, out in spec.outputs.items()}

    def wiring(self) -> Wiring:
        """The translator for this bench's readings."""
        return _wiring(self.bench)

    def wave_meters(self) -> tuple[WaveMeter, ...]:
        """The lines whose meter tells waveforms, as the bench file says."""
        told = self.bench.spec.waveform
        line = self.stations[self.bench.spec.devices[told.device].line] if told else None
        return (line,) if isinstance(line, WaveMeter) else ()

    def facts(self, bay: int, proved: bool) -> Facts:
        """What the guard may know of this bench, for a run on ``bay``."""
        bench, spec = self.bench, self.bench.spec
        quantities = frozenset(spec.readings)
        return Facts(
            bay=f"bay_{bay}",
            outputs=frozenset(spec.outputs),
            inputs=frozenset(spec.inputs),
            quantities=quantities,
            vital_inputs=frozenset(VITAL_INPUTS),
            vital_quantities=frozenset(VITAL_QUANTITIES) & quantities,
            nominal_v=bench.supply.line_to_neutral_v,
            tolerance=bench.supply.tolerance_percent / 100.0,
            commissioned=self.virtual or self.commissioned,
            proved=proved,
            lease_s=0.4 * spec.watchdog.timeout_s,
            skew_s=_skew_s(bench),
        )


def _skew_s(bench: Bench) -> float:
    """How long a mirror may lag: a scan and a half, and what it is asked for less often."""
    mirrors = (bench.spec.inputs[name] for name in MIRRORS)
    return 1.5 * bench.scan_s + max(mirror.period_s for mirror in mirrors)


def setup_of(
    bench: Bench,
    fixture_ma: Mapping[str, tuple[float, float]],
    hand: Mapping[str, float],
) -> Setup:
    """What a procedure may know of a bench: fixture vectors in mA by feed, hand values by quantity
    in the quantity's unit."""
    supply, fitted = bench.supply, bench.capabilities
    return Setup(
        nominal_v=supply.line_to_neutral_v,
        frequency_hz=supply.frequency_hz,
        split_phase=supply.system == "split-phase",
        feeds=fitted.feeds,
        sources=fitted.sources,
        aids=fitted.aids,
        proof=fitted.proof,
        quantities=fitted.quantities | frozenset(hand),
        inputs=fitted.inputs,
        accuracy=bench.accuracy,
        fixture_ma=fixture_ma,
        series_ohm=supply.series_ohm,
        series_percent=supply.series_percent,
        control_ma=supply.control_ma,
        protection=supply.protection,
        rated_residual_ma=supply.rated_residual_ma,
        hand=hand,
        known={name: value for name, value in bench.known.items() if name not in hand},
        waves=frozenset(bench.spec.waveform.channels) if bench.spec.waveform else frozenset(),
    )


@contextmanager
def opened(bench: Bench, patience: float = LOCKSTEP_PATIENCE) -> Iterator[OpenBench]:
    """Open every line, command all outputs off, identify, read the token; close all at the end.
    ``patience``: factor on deadlines in lockstep."""
    remote = _remote(bench)
    clock: Clock = RealClock()
    if remote is not None and bench.virtual is not None and bench.virtual.lockstep:
        clock = LockstepClock(remote)
    lockstep = isinstance(clock, LockstepClock)
    stations = open_stations(bench.spec, clock, patience if lockstep else 1.0)
    with ExitStack() as at_end:
        at_end.callback(_close, stations, remote)
        make_safe(stations, _wiring(bench), clock)
        identities = {k: v for s in stations.values() for k, v in s.identify().items()}
        virtual = shows_token(bench, stations)
        refuse_silent(stations, clock)
        ours = OpenBench(bench, stations, clock, remote, virtual, identities)
        at_end.callback(_leave_safe, ours)
        yield ours


def _leave_safe(ours: OpenBench) -> None:
    with noted(Stop()):  # whoever wants to end waits for this
        if not ours.locked_out:
            make_safe(ours.stations, ours.wiring(), ours.clock, raising=False)


def shows_token(bench: Bench, stations: Mapping[str, Station]) -> bool:
    """True for a proved virtual bench, False for a file without ``[virtual]``; else refused."""
    claim = bench.virtual
    if claim is None:
        return False
    station = stations[bench.spec.devices[claim.device].line]
    words = station.read_holding(claim.device, claim.register, TOKEN_WORDS)
    shown = b"".join(word.to_bytes(2, "big") for word in words).hex()
    if shown != claim.token.lower():
        raise NotThatBench(
            bench.path,
            "[virtual] claims a run token that this bench does not show",
            "start the virtual bench again with --bench-out, or remove [virtual] from the file",
        )
    return True


def _remote(bench: Bench) -> RemoteBench | None:
    if bench.virtual is None or not bench.virtual.control:
        return None
    host, _, port = bench.virtual.control.rpartition(":")
    return RemoteBench(host, int(port))


def _wiring(bench: Bench) -> Wiring:
    return Wiring(bench.spec, bench.max_age_s, 2.5 * bench.scan_s)


def _close(stations: Mapping[str, Station], remote: RemoteBench | None) -> None:
    with noted(Stop()):
        for station in stations.values():
            station.close()
        if remote is not None:
            remote.close()


@contextmanager
def polled(
    ours: OpenBench, look: Callable[[Station], None] = lambda _station: None
) -> Iterator[None]:
    """In real time, one polling thread per line, each calling ``look`` after every poll; in lockstep
    the scan polls for itself."""
    threads = []
    if not ours.lockstep:
        threads = [
            PollingThread(station, ours.clock, ours.bench.scan_s / 2, look)
            for station in ours.stations.values()
        ]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        for thread in threads:
            thread.stop()
