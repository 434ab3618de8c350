"""The SCPI meter. Error numbers after SCPI-99, volume 2, chapter 21; *IDN? after IEEE 488.2."""

from __future__ import annotations

import pytest

from drivers.virtual.scpi import ScpiMeter
from tests.drivers.virtual.operate import Operator


@pytest.fixture
def operator() -> Operator:
    return Operator("LK01-2201")


@pytest.fixture
def meter(operator: Operator) -> ScpiMeter:
    return ScpiMeter(operator.plant)


def test_identity_has_four_fields(meter: ScpiMeter) -> None:
    assert len(meter.feed(b"*IDN?\n").decode().strip().split(",")) == 4


@pytest.mark.parametrize("words", [b"MEAS:LEAK?\n", b"meas:leak?\r\n", b":MEASure:LEAKage?\n"])
def test_leakage_fields(operator: Operator, meter: ScpiMeter, words: bytes) -> None:
    plant = operator.live("line_line", 3.0)
    fields = [float(field) for field in meter.feed(words).decode().split(",")]
    names = ("leakage_ma", "leakage_resistive_ma", "leakage_capacitive_ma", "leakage_dc_ma")
    assert fields == pytest.approx([plant.values()[name] for name in names], rel=1e-4)
    assert fields[2] == pytest.approx(0.12, abs=0.03)


def test_unknown_header_goes_to_the_queue_in_order(meter: ScpiMeter) -> None:
    assert meter.feed(b"MEAS:FOO?\nBAR\n") == b""
    assert meter.feed(b"SYST:ERR?\n").startswith(b"-113,")
    assert meter.feed(b"SYST:ERR?\n").startswith(b"-113,")
    assert meter.feed(b"SYST:ERR?\n") == b'0,"No error"\n'


def test_cls_clears(meter: ScpiMeter) -> None:
    meter.feed(b"NONSENSE\n*CLS\n")
    assert meter.feed(b"SYST:ERR?\n") == b'0,"No error"\n'


def test_line_in_pieces_and_two_commands_in_one(meter: ScpiMeter) -> None:
    assert meter.feed(b"*OP") == b""
    assert meter.feed(b"C?;*OPC?\n") == b"1;1\n"


def test_endless_line_is_dropped(meter: ScpiMeter) -> None:
    meter.feed(b"x" * 5000)
    assert meter.feed(b"SYST:ERR?\n").startswith(b"-223,")


def test_over_range_is_9_9e37(operator: Operator, meter: ScpiMeter) -> None:
    """SCPI-99's number for positive infinity."""
    operator.plant.meters.values["leakage_ma"] = 31.0
    assert meter.feed(b"MEAS:LEAK?\n").split(b",")[0] == b"9.9E+37"
