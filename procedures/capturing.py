"""What a scan's waveforms tell of the stage in which they were taken, with words where they don't."""

from __future__ import annotations

from procedures.scan import FREQUENCY_HZ, LEAKAGE_MA, SUPPLY_2_V, SUPPLY_V, Feed, Scan, Setup
from procedures.wave_context import Circumstances, WaveContext, context

FAILED = "no waveform came: r.m.s. values only"
OVER = "the waveform ran over the meter's range: r.m.s. values only"
NOT_SCALED = "arcs: not brought to nominal volts, they don't follow them"
LIMITED = "as captured behind the limiting resistor"
NO_PHASE = "without the supply's waveform: no phase, fixture not taken off"


def told(scan: Scan, setup: Setup, feed: Feed) -> tuple[WaveContext | None, str]:
    """The scan's capture read for a stage on ``feed``, and what has to be said of it."""
    waves, v = scan.waves, _volts(scan, feed)
    if waves is None or v is None:
        return None, FAILED
    if LEAKAGE_MA in waves.over:
        return None, OVER
    found = context(waves, _circumstances(scan, setup, feed, v))
    return found, FAILED if found is None else _words(found, feed)


def _volts(scan: Scan, feed: Feed) -> float | None:
    """As each sample has it: leg to leg a leak follows whichever leg it is nearer to."""
    volts = scan.values.get(SUPPLY_V)
    if volts is None or volts <= 0.0:
        return None
    return (volts + scan.values.get(SUPPLY_2_V, volts)) / 2 if feed == "line_line" else volts


def _circumstances(scan: Scan, setup: Setup, feed: Feed, v: float) -> Circumstances:
    fixture = setup.fixture_ma.get(feed, (0.0, 0.0))
    accuracy = setup.accuracy.get(LEAKAGE_MA)
    return Circumstances(
        nominal_hz=setup.frequency_hz,
        measured_hz=scan.values.get(FREQUENCY_HZ),
        fixture_ma=(fixture[0] * v / setup.nominal_v, fixture[1] * v / setup.nominal_v),
        to_nominal=None if feed == "limited" else setup.nominal_v / v,
        floor_ma=accuracy.half_width(0.0) if accuracy else 0.05,
    )


def _words(found: WaveContext, feed: Feed) -> str:
    said = (
        (LIMITED, feed == "limited"),
        (NOT_SCALED, found.arcs),
        (NO_PHASE, found.resistive_ma is None),
    )
    return "; ".join(words for words, holds in said if holds)
