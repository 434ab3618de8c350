"""Blocks of samples to a capture: scale, range, quality. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from drivers import definite
from drivers.described import ChannelSpec, WaveformSpec
from drivers.errors import Garbled
from drivers.roles import Capture, Quality, Wave


def captured(spec: WaveformSpec, blocks: Sequence[bytes], taken_s: float) -> Capture:
    """A reply's blocks as its channels; raises Garbled when one has not its number of samples."""
    waves = {name: _wave(spec, one, blocks[one.block - 1]) for name, one in spec.channels.items()}
    return Capture(waves, spec.rate_hz, taken_s)


def _wave(spec: WaveformSpec, channel: ChannelSpec, block: bytes) -> Wave:
    due = spec.points * definite.sample_bytes(spec.type)
    if len(block) != due:
        words = f"block {channel.block} of {spec.command} has {len(block)} bytes, not {due}"
        raise Garbled(spec.device, words, "compare points and type with its manual")
    values = definite.samples(block, spec.type, spec.byte_order) * channel.scale + channel.offset
    low, high = float(values.min()), float(values.max())  # NaN anywhere makes both NaN
    if not (abs(low) < float("inf") and abs(high) < float("inf")):
        return Wave(values, channel.unit, Quality.INVALID)
    whole = channel.low <= low and high <= channel.high
    return Wave(values, channel.unit, Quality.GOOD if whole else Quality.OVER_RANGE)
