"""Waveform captures: asked for when a demand begins to want one, handed on while they are fresh.

The third translator beside ``wiring.py`` and ``recording.py``: a meter's channels become quantities.
"""

from __future__ import annotations

from dataclasses import dataclass

from drivers.roles import Capture, Quality, WaveMeter
from procedures.scan import QUANTITIES, Waveforms
from rig.units import conversion

FRESH_S = 2.0  # a procedure takes it within a few scans, or not at all


@dataclass(slots=True)
class Captures:
    """``meters`` are the lines that tell waveforms; none on most benches."""

    meters: tuple[WaveMeter, ...] = ()
    _wanted: bool = False
    _last: Capture | None = None
    _waves: Waveforms | None = None

    def ask(self, wanted: bool) -> None:
        """Each meter once, when ``wanted`` becomes true."""
        if wanted and not self._wanted:
            for meter in self.meters:
                meter.want_capture()
        self._wanted = wanted

    def newest(self, now_s: float) -> Waveforms | None:
        """The newest capture, in the quantities' units; None once it is no longer fresh."""
        took = [meter.capture for meter in self.meters if meter.capture is not None]
        fresh = [one for one in took if now_s - one.taken_s <= FRESH_S]
        if not fresh:
            return None
        newest = max(fresh, key=lambda one: one.taken_s)
        if newest is not self._last:
            self._last, self._waves = newest, _translated(newest)
        return self._waves


def _translated(capture: Capture) -> Waveforms:
    samples, over = {}, set()
    for name, wave in capture.waves.items():
        if wave.quality is Quality.GOOD:
            unit = conversion(wave.unit, QUANTITIES[name])
            samples[name] = wave.samples * unit.scale + unit.offset
        elif wave.quality is Quality.OVER_RANGE:
            over.add(name)
    return Waveforms(samples, capture.rate_hz, capture.taken_s, frozenset(over))
