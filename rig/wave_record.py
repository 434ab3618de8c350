"""A captured waveform to a record's integers. Context, never deciding."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from procedures.wave_context import WaveContext

Body = dict[str, Any]


def _na(ma: float | None) -> int | None:
    return None if ma is None or not math.isfinite(ma) else round(ma * 1e6)


def _by_network(values_ma: Mapping[str, float]) -> Body:
    return {name: _na(value) for name, value in values_ma.items()}


def wave_body(wave: WaveContext | None) -> Body | None:
    """Currents in nA, frequency in mHz; ``groups_na`` and ``subgroups_na`` from order 1 upwards."""
    if wave is None:
        return None
    return {
        "cycles": wave.cycles,
        "frequency_millihertz": round(wave.frequency_hz * 1e3),
        "scaled": wave.scaled,
        "arcs": wave.arcs,
        "rms_na": _na(wave.rms_ma),
        "dc_na": _na(wave.dc_ma),
        "fundamental_na": _na(wave.fundamental_ma),
        "resistive_na": _na(wave.resistive_ma),
        "capacitive_na": _na(wave.capacitive_ma),
        "between_na": _na(wave.between_ma),
        "groups_na": [_na(one) for one in wave.groups_ma],
        "subgroups_na": [_na(one) for one in wave.subgroups_ma],
        "networks_na": _by_network(wave.shown_ma),
        "network_peaks_na": _by_network(wave.peaks_ma),
        "average_na": _na(wave.average_ma),
    }
