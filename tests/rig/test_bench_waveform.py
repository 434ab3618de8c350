"""A bench file's waveform table: what it becomes, and that its samples count on a slow line."""

from __future__ import annotations

import datetime
from pathlib import Path

import pytest

from rig.bench_file import load_bench
from rig.errors import BenchFileProblems

EXAMPLES = Path(__file__).parents[2] / "rig" / "examples"
TODAY = datetime.date(2026, 11, 25)


def text_of(name: str) -> str:
    return (EXAMPLES / name).read_text("utf-8")


def test_the_example_tells_two_channels_taken_together() -> None:
    told = load_bench(EXAMPLES / "split_phase.toml", TODAY).spec.waveform
    assert told is not None
    assert (told.device, told.rate_hz, told.points, told.type) == (
        "leakage",
        7680.0,
        1720,
        "float32",
    )
    assert {name: channel.block for name, channel in told.channels.items()} == {
        "leakage_ma": 1,
        "supply_v": 2,
    }


def test_a_bench_without_the_table_has_no_waveforms() -> None:
    assert load_bench(EXAMPLES / "smallest.toml", TODAY).spec.waveform is None


def test_a_serial_line_that_can_t_carry_a_capture_in_a_scan_is_refused(tmp_path: Path) -> None:
    """1720 samples of 4 bytes twice at 115200 baud, 10 bits a character: 1.2 s."""
    line = 'kind = "scpi-tcp"\nhost = "192.0.2.11"\ntcp_port = 5025'
    serial = (
        'kind = "scpi-serial"\nport = "/dev/serial/by-id/usb-example-meter-if00"\nbaud = 115200'
    )
    text = text_of("split_phase.toml")
    assert line in text
    path = tmp_path / "bench.toml"
    path.write_text(text.replace(line, serial), "utf-8")
    with pytest.raises(BenchFileProblems) as refused:
        load_bench(path, TODAY)
    words = [str(one) for one in refused.value.problems if one.key == "lines.leakage"]
    assert any("take 1.2" in one for one in words), words
