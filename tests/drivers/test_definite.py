"""Blocks that come in pieces, break off, lie about their length, or are none."""

from __future__ import annotations

import pytest

from drivers.definite import LONGEST, cut, needed
from drivers.errors import Garbled

REPLY = b"#213hello, world!,#15AB\nCD\n"


@pytest.mark.parametrize("arrived", range(len(REPLY)))
def test_a_reply_in_pieces_never_asks_for_more_than_there_is(arrived: int) -> None:
    """Whatever has come, more is needed, and never more than the whole reply."""
    assert arrived < needed("meter", REPLY[:arrived], 2, b"\n") <= len(REPLY)


def test_a_whole_reply_needs_nothing_more() -> None:
    assert needed("meter", REPLY, 2, b"\n") == len(REPLY)
    assert cut("meter", REPLY, 2, b"\n") == [b"hello, world!", b"AB\nCD"]


def test_a_terminator_inside_a_block_ends_nothing() -> None:
    assert cut("meter", b"#14\r\n\r\n\r\n", 1, b"\r\n") == [b"\r\n\r\n"]


@pytest.mark.parametrize(
    "reply",
    [
        b"1.25,2\n",
        b"\n",
        b"#",
        b"#x5HELLO\n",
        b"#1xHELLO\n",
        b"#2 5HELLO\n",
        b"#-5HELLO\n",
        b"#0HELLO\n",
        b"#15HELLO;#15HELLO\n",
        b"#15HELLO\n#15HELLO\n",
        b"#14HELLO,#15HELLO\n",
        b"#15HELLO,#15HELLOX",
        b"#15HELLO,#15HELL\n",
        b"#15HELLO,\n",
        b"#15HELLO\n",
        f"#7{LONGEST + 1}".encode(),
        b"#9999999999",
    ],
)
def test_what_is_no_reply_of_two_blocks(reply: bytes) -> None:
    with pytest.raises(Garbled):
        cut("meter", reply, 2, b"\n")


@pytest.mark.parametrize(
    "start", [b"-221,", b"1", b"#x", b"#0", b"#1x", b"#3 12", b"#71000001", b"#15HELLO;"]
)
def test_what_can_be_no_block_is_told_at_once(start: bytes) -> None:
    """Not only at the deadline, which a scan would wait for."""
    with pytest.raises(Garbled):
        needed("meter", start, 2, b"\n")
