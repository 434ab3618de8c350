"""Energised stages: feed on, settle, positive control, soak, result. Used with ``yield from``.

A stage collects leakage samples only while the feed is proved on, never across a change of the
positive control, and ends early on an event of the guard (cut-off, GFCI trip), which is a result of
the part. Leakage is a vector referred to leg 1: fixture off, then normalised to nominal volts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple, TypeVar

import numpy as np

from procedures.capturing import FAILED, told
from procedures.scan import (
    LEAKAGE_CAPACITIVE_MA,
    LEAKAGE_DC_MA,
    LEAKAGE_MA,
    LEAKAGE_RESISTIVE_MA,
    LOAD_A,
    POWER_W,
    SECOND_LEAKAGE_CAPACITIVE_MA,
    SECOND_LEAKAGE_MA,
    SECOND_LEAKAGE_RESISTIVE_MA,
    SUPPLY_2_V,
    SUPPLY_V,
    TEMPERATURE_C,
    Ask,
    Demand,
    Event,
    Feed,
    Scan,
)
from procedures.steps import Run, Step, give
from procedures.tripped import doubt_trip, seen_by_all_ma
from procedures.vectors import control_seen
from procedures.wave_context import RMS_ONLY, WaveContext

SETTLE_S = 1.0  # after the feed is on, before a sample counts
TOGGLE_S = 0.6  # after the control is switched: two samples of the meter and its age
CAPTURE_S = 1.5  # a capture that has not come by then is done without
CONTROL_S = 2.0
CONTROL_TRIES = 3  # an erratic leak may hide it once
CONTROL_SHARE = 0.2  # the difference must equal the known current within this share of it
HEADROOM_MA = 0.2  # leave the control off where it would itself reach the cut-off
NOTHING_FLOORS = 2.0  # of the load meter's statement: no more than this is no current
STARTED_S = 0.6  # the switching itself is over, the inrush is not
SHOW_S = 1.0  # how often the screen's progress moves
LONG_S = 60.0  # a longer stage proves its control again at the end, a lone sensor's every stage
STAGE_MARGIN_S = 180.0  # routing, proving, control and question, on top of a stage's own time
LOOK_S = 15.0  # a soak that may end early, or go on, is looked at this often
GRANT_S = 600.0  # a bench that has not switched on by then won't


T = TypeVar("T")


class Sample(NamedTuple):
    """One new leakage reading with what belongs to it; mA, V, A, W, °C; missing stays None."""

    t_s: float
    supply_v: float
    res: float
    cap: float
    rms: float | None
    dc: float | None
    second_res: float | None
    second_cap: float | None
    second_rms: float | None
    load_a: float | None
    power_w: float | None
    temperature_c: float | None
    control: bool


@dataclass(frozen=True, slots=True)
class Stage:
    """An energised stage. ``name`` is the condition's name and what the operator reads.

    ``longest_s`` (0: ``seconds``) ends it when nothing else does. ``inrush_above_a``: a motor that still
    draws more after the inrush time is stopped. ``question`` is asked while it runs. ``dry_ma``: what a
    drying run must come down to (None: the pass limit).
    """

    name: str
    feed: Feed
    seconds: float
    longest_s: float = 0.0
    counts: bool = True
    note: str = ""
    cutoff_ma: float | None = None
    inrush_above_a: float | None = None
    question: Ask | None = None
    dry_ma: float | None = None


@dataclass(slots=True)
class Live:
    """A stage that is, or was, on. ``on_s`` is when the feed was first seen on."""

    run: Run
    stage: Stage
    want: Demand
    on_s: float = 0.0
    end_s: float = 0.0
    samples: list[Sample] = field(default_factory=list)
    controls: list[bool] = field(default_factory=list)
    missed: bool = False  # the control was on and did not show
    event: Event | None = None
    refused: str = ""  # why it never came on
    stalled: bool = False
    unread: bool = False  # no current was read although the motor was on
    still: bool = False  # it seems stalled, but the meter shows the same digits all the time
    inrush_a: float | None = None  # load current when the inrush was judged
    seen_ma: float = 0.0  # the greatest leakage that every sensor has read at once
    look_bound: float = 2.0  # what type A counts by, for the looks taken before (see ``soak.py``)
    answer: str = ""
    wave: WaveContext | None = None  # the capture near its end, if the meter tells waveforms
    wave_words: str = ""  # what has to be said of it, or why there is none
    due_s: float = 0.0  # how long the stage is thought to take, for its progress
    memo: dict[str, tuple[int, Any]] = field(default_factory=dict)  # see ``once``
    _taken_s: float = 0.0
    _shown_s: float = -1e9

    @property
    def on(self) -> bool:
        """Whether the stage may go on."""
        return self.event is None and not (self.stalled or self.unread or self.refused)

    @property
    def control_seen(self) -> bool:
        """The positive control showed each time it was switched on."""
        return bool(self.controls) and all(self.controls)

    def quiet(self) -> list[Sample]:
        """The samples without the control."""
        return [s for s in self.samples if not s.control]

    def once(self, name: str, work: Callable[[], T]) -> T:
        """``work`` is done once for the samples that there are: a scan has little time."""
        held = self.memo.get(name)
        if held is None or held[0] != len(self.samples):
            held = self.memo[name] = (len(self.samples), work())
        value: T = held[1]
        return value


Enough = Callable[[Live], bool]


def energise(run: Run, stage: Stage, over: Enough | None = None) -> Step[Live]:
    """Run one stage to its end; what is on stays on until the next demand says otherwise.

    ``over`` is asked every ``LOOK_S``, from the stage's beginning to its longest; without it the stage
    takes its ``seconds``.
    """
    live = Live(run, stage, _want(run, stage), due_s=stage.seconds)
    live.refused = run.forbids(stage.feed)
    if not live.refused:
        yield from _switch_on(live)
    if not live.on:
        return _ended(live)
    if stage.inrush_above_a is not None:
        yield from _inrush(live, stage.inrush_above_a)
    yield from watch(live, SETTLE_S - (run.scan.t_s - live.on_s), keep=False)
    yield from _control(live)
    yield from _question(live)
    yield from _soak(live, over)
    yield from _capture(live)
    if stage.seconds > LONG_S or SECOND_LEAKAGE_MA not in run.setup.quantities:
        yield from _control(live)  # a meter that froze meanwhile shows none
    return _ended(live)


def _ended(live: Live) -> Live:
    """Note what the stage means for the next one."""
    run = live.run
    live.end_s = run.scan.t_s
    run.control_seen = run.control_seen and not live.missed
    if live.event is not None and live.event.kind == "gfci_trip":
        run.tripped = True
        doubt_trip(run, live.stage.name, live.seen_ma)
    return live


def _want(run: Run, stage: Stage) -> Demand:
    longest_s = max(stage.seconds, stage.longest_s)
    return replace(
        run.demand(stage.name),
        feed=stage.feed,
        energise=True,
        limit_ma=run.limit("pass_ma"),
        stage_s=longest_s + STAGE_MARGIN_S,
        cutoff_ma=stage.cutoff_ma,
        progress=0.0,
    )


def _switch_on(live: Live) -> Step[None]:
    scan = yield from give(live.run, live.want)
    until_s = scan.t_s + GRANT_S
    while scan.feed != live.stage.feed and scan.event is None:
        if scan.t_s > until_s:
            live.refused = scan.waiting or "the bench did not switch on"
            return
        scan = yield from give(live.run, live.want)
    live.event, live.on_s = scan.event, scan.t_s
    live.seen_ma = seen_by_all_ma(live.run.setup, scan)
    live._taken_s = scan.t_s


def watch(
    live: Live, seconds: float, keep: bool = True, stop: Callable[[], bool] | None = None
) -> Step[None]:
    """Let time pass with the feed on, collecting new samples; ends early on an event or ``stop``."""
    end_s = live.run.scan.t_s + seconds
    while live.on and live.run.scan.t_s < end_s:
        scan = yield from give(live.run, _shown(live))
        live.event = scan.event
        if scan.event is not None or scan.feed == live.stage.feed:
            live.seen_ma = max(live.seen_ma, seen_by_all_ma(live.run.setup, scan))
        if scan.event is None and scan.feed == live.stage.feed:
            _take(live, scan, keep)
        if stop is not None and stop():
            return


def _shown(live: Live) -> Demand:
    now_s = live.run.scan.t_s
    if now_s - live._shown_s >= SHOW_S:
        live._shown_s = now_s
        done = (now_s - live.on_s) / max(live.due_s, 1.0)
        live.want = replace(live.want, progress=min(1.0, max(0.0, done)))
    return live.want


def _take(live: Live, scan: Scan, keep: bool) -> None:
    taken_s = scan.taken_s.get(LEAKAGE_RESISTIVE_MA, live._taken_s)
    if taken_s <= live._taken_s:
        return
    live._taken_s = taken_s
    sample = sample_of(scan, live.stage.feed, live.want.control) if keep else None
    if sample is not None:
        live.samples.append(sample)


def sample_of(scan: Scan, feed: Feed | None, control: bool) -> Sample | None:
    """A sample, or None when a reading that it can't do without is missing."""
    v = scan.values
    res, cap, volts = v.get(LEAKAGE_RESISTIVE_MA), v.get(LEAKAGE_CAPACITIVE_MA), v.get(SUPPLY_V)
    other_v = v.get(SUPPLY_2_V, volts)
    if res is None or cap is None or volts is None or other_v is None:
        return None
    if feed == "line_line":  # the leakage of a fault follows whichever leg it is nearer to
        volts = (volts + other_v) / 2
    return Sample(
        scan.t_s,
        volts,
        res,
        cap,
        rms=v.get(LEAKAGE_MA),
        dc=v.get(LEAKAGE_DC_MA),
        second_res=v.get(SECOND_LEAKAGE_RESISTIVE_MA),
        second_cap=v.get(SECOND_LEAKAGE_CAPACITIVE_MA),
        second_rms=v.get(SECOND_LEAKAGE_MA),
        load_a=v.get(LOAD_A),
        power_w=v.get(POWER_W),
        temperature_c=v.get(TEMPERATURE_C),
        control=control,
    )


# ---- parts of a stage --------------------------------------------------------------------------------


def _inrush(live: Live, above_a: float) -> Step[None]:
    """Stop a motor whose inrush does not decay within the limit (P); the limit includes closing."""
    decided_s = live.run.limit("inrush_s") - 0.6  # closing, one scan and opening take the rest
    digits: set[float] = set()
    yield from watch(live, decided_s, keep=False, stop=lambda: _noted(live, digits))
    if not live.on:
        return
    now_a = live.inrush_a = live.run.scan.values.get(LOAD_A)
    accuracy = live.run.setup.accuracy.get(LOAD_A)
    nothing_a = NOTHING_FLOORS * accuracy.half_width(0.0) if accuracy else 0.0
    live.unread = now_a is None or now_a <= nothing_a
    live.stalled = now_a is not None and now_a > above_a
    live.still = live.stalled and len(digits) < 2


def _noted(live: Live, digits: set[float]) -> bool:
    """Keep the load meter's digits once the motor has had time to start; never a reason to stop."""
    now_a = live.run.scan.values.get(LOAD_A)
    if now_a is not None and live.run.scan.t_s > live.on_s + STARTED_S:
        digits.add(now_a)
    return False


def _control(live: Live) -> Step[None]:
    """Positive control: before, on, after; the difference as a vector, a few tries at most."""
    for _ in range(CONTROL_TRIES):
        if not live.on:
            return
        before = yield from _window(live, False)
        if _too_near(live, before):
            live.controls.append(False)
            return
        on = yield from _window(live, True)
        after = yield from _window(live, False)
        if live.on and _seen(live, before + after, on):
            live.controls.append(True)
            return
    live.controls.append(False)
    live.missed = live.on


def _window(live: Live, control: bool) -> Step[list[Sample]]:
    if live.want.control is not control:
        live.want = replace(live.want, control=control)
        yield from watch(live, TOGGLE_S, keep=False)
    first = len(live.samples)
    yield from watch(live, CONTROL_S - TOGGLE_S)
    return live.samples[first:]


def _too_near(live: Live, before: list[Sample]) -> bool:
    """Whether the control's current on top would reach the cut-off (or nothing could be read)."""
    setup, cutoff_ma = live.run.setup, live.run.limit("cutoff_ma")
    now_ma = max((float(np.hypot(s.res, s.cap)) for s in before), default=cutoff_ma)
    return now_ma + setup.control_ma > cutoff_ma - HEADROOM_MA


def _seen(live: Live, off: list[Sample], on: list[Sample]) -> bool:
    setup = live.run.setup
    if not on or not off:
        return False
    volts = sum(s.supply_v for s in on) / len(on)
    tolerance_ma = CONTROL_SHARE * setup.control_ma
    pairs = [(_mean(off, "res", "cap"), _mean(on, "res", "cap"))]
    if SECOND_LEAKAGE_RESISTIVE_MA in setup.quantities:
        names = ("second_res", "second_cap")
        pairs.append((_mean(off, *names), _mean(on, *names)))
    return all(
        quiet is not None
        and loud is not None
        and control_seen(loud, quiet, setup.control_ma, volts, setup.nominal_v, tolerance_ma)
        for quiet, loud in pairs
    )


def _mean(samples: list[Sample], *names: str) -> tuple[float, float] | None:
    """Mean of two columns; None when a value is missing anywhere: half a vector is none."""
    columns = [[getattr(s, name) for s in samples] for name in names]
    if any(value is None for column in columns for value in column):
        return None
    first, second = (float(np.mean(column)) for column in columns)
    return first, second


def _capture(live: Live) -> Step[None]:
    """The meter's waveforms, once; context, so no stage waits long for them."""
    if not live.on or live.want.control:
        return
    if LEAKAGE_MA not in live.run.setup.waves:
        live.wave_words = RMS_ONLY
        return
    asked_s, live.wave_words = live.run.scan.t_s, FAILED
    live.want = replace(live.want, capture=True)
    yield from watch(live, CAPTURE_S, stop=lambda: _caught(live, asked_s))
    live.want = replace(live.want, capture=False)


def _caught(live: Live, asked_s: float) -> bool:
    scan, feed = live.run.scan, live.stage.feed
    if scan.waves is None or scan.waves.taken_s <= asked_s or scan.feed != feed:
        return False
    live.wave, live.wave_words = told(scan, live.run.setup, feed)
    return True


def _question(live: Live) -> Step[None]:
    """A function check that a person answers while the part runs."""
    question = live.stage.question
    if question is None or not live.on:
        return
    live.want = replace(live.want, ask=question)
    yield from watch(live, question.deadline_s, stop=lambda: _answered(live, question.key))
    live.want = replace(live.want, ask=None)


def _answered(live: Live, key: str) -> bool:
    live.answer = str(live.run.scan.answers.get(key, ""))
    return bool(live.answer)


def _soak(live: Live, over: Enough | None) -> Step[None]:
    """The rest of the stage's time, or on to its longest until a look says that it is over."""
    run, stage = live.run, live.stage
    if over is None:
        yield from watch(live, stage.seconds - (run.scan.t_s - live.on_s))
        return
    longest_s = max(stage.seconds, stage.longest_s)
    while live.on and (done_s := run.scan.t_s - live.on_s) < longest_s and not over(live):
        yield from watch(live, min(LOOK_S - done_s % LOOK_S, longest_s - done_s))
