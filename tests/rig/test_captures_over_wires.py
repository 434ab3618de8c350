"""A capture from the virtual bench's process over its own protocol, as its bench file describes it."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from drivers.virtual.process import Options, launch
from procedures.wave_context import Circumstances, context
from rig.bench import opened
from rig.bench_file import load_bench
from rig.captures import Captures

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="the virtual bench needs Linux pseudo-terminals"
)


@pytest.mark.parametrize("real_time", [False, True])
def test_the_virtual_bench_tells_its_waveforms_over_the_wire(
    tmp_path: Path, real_time: bool
) -> None:
    path = tmp_path / "bench.toml"
    with launch(Options(bench_out=path, real_time=real_time)):
        with opened(load_bench(path)) as ours:
            captures = Captures(ours.wave_meters())
            captures.ask(True)
            line = ours.stations["leakage"]
            line.poll()
            assert line.fault is None
            now_s = ours.clock.now_s()
            waves = captures.newest(now_s)
        assert waves is not None
        assert now_s - waves.taken_s < 1.0
    found = context(waves, Circumstances(60.0, None, (0.0, 0.0), 1.0, 0.01))
    assert found is not None  # whole windows, and a supply that was believed:
    assert found.resistive_ma is not None
    assert found.frequency_hz == pytest.approx(60.0, abs=0.1)
    assert found.rms_ma < 0.05  # nothing is on
