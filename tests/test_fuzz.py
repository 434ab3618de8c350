"""A bounded part of ``python -m tests.fuzz``, and whether it can find anything at all."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator

import pytest

from tests.fuzz import bench_files, kinds, tried
from tests.fuzz_blocks import block_replies
from tests.fuzz_replies import Accepted, crc, damaged, modbus_replies, scpi_replies

SOME = kinds(seed=2, count=500)


@pytest.mark.parametrize("name", SOME)
def test_a_clear_error_or_a_right_reading_never_a_traceback(name: str) -> None:
    count, found = tried(SOME[name]())
    if found is not None:
        raise found
    assert count.total() >= 100
    assert min(count["refused"], count["taken"]) > 0.02 * count.total()  # neither all nor nothing


def test_the_same_seed_draws_the_same() -> None:
    one, two = (list(bench_files(5, 10)) for _ in range(2))
    assert one == two
    assert damaged(random.Random(3), b"abcdef") == damaged(random.Random(3), b"abcdef")


def test_the_crc_is_the_published_one() -> None:
    """MODBUS over Serial Line V1.02, 6.2.2: 02 07 has CRC 1241, sent low byte first."""
    assert crc(bytes((0x02, 0x07))) == bytes((0x41, 0x12))


@pytest.mark.parametrize(
    ("where", "draw"),
    [
        (
            "drivers.modbus.FramerRTU.check_CRC",
            lambda: modbus_replies("rtu", random.Random(1), 2000),
        ),
        ("drivers.modbus.checked_pdu", lambda: modbus_replies("mbap", random.Random(1), 2000)),
    ],
)
def test_it_would_notice_a_codec_that_takes_anything(
    where: str, draw: Callable[[], Iterator[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    lax: dict[str, Callable[..., object]] = {
        "drivers.modbus.FramerRTU.check_CRC": lambda *_given: True,
        "drivers.modbus.checked_pdu": lambda _where, _request, pdu: pdu,
    }
    monkeypatch.setattr(where, lax[where])
    _, found = tried(draw())
    assert found is not None


def test_it_would_notice_a_traceback(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("drivers.scpi.numbers.written", float)
    _, found = tried(scpi_replies(random.Random(1), 500))
    assert isinstance(found, ValueError)
    assert not isinstance(found, Accepted)


def test_it_would_notice_blocks_that_are_cut_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        "drivers.scpi.definite.cut",
        lambda _where, reply, _count, _end: [reply[4:28], reply[33:57]],
    )
    _, found = tried(block_replies(random.Random(1), 500))
    assert isinstance(found, Accepted)
