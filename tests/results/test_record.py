"""Records: what may stand in one, and that an outsider can repeat the chain."""

from __future__ import annotations

import json
from typing import Any

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from results.errors import BadRecord, ChainBroken, NotFound
from results.record import (
    FIRST_PREV,
    KINDS,
    REQUIRED,
    Record,
    canonical,
    chain,
    check_body,
    number_of,
    parsed,
    place_of,
    row_of,
)
from tests.results.world import closing

REFUSED: list[tuple[Any, str]] = [
    (0.75, "float 0.75"),
    (float("nan"), "float nan"),
    (float("inf"), "float inf"),
    (2**53, "not below 2**53"),
    (-(2**53), "not below 2**53"),
    (b"bytes", "bytes"),
    ({1, 2}, "set"),
    ({1: "x"}, "no text"),
    ("\ud800", "Unicode"),
]


@pytest.mark.parametrize(("value", "words"), REFUSED)
def test_a_record_holds_nothing_that_readers_may_read_differently(value: Any, words: str) -> None:
    with pytest.raises(BadRecord, match=words.replace("*", r"\*")):
        canonical({"conditions": [{"y_ua": value}]})


def test_the_refusal_says_where() -> None:
    with pytest.raises(BadRecord, match=r"record\.conditions\[1\]\.y_ua: float"):
        canonical({"conditions": [{"y_ua": 1}, {"y_ua": 1.5}]})


@pytest.mark.parametrize("edge", [2**53 - 1, -(2**53) + 1, 0, True, False, None, "µA"])
def test_the_largest_integers_and_plain_values_are_kept(edge: object) -> None:
    assert json.loads(canonical({"x": edge}))["x"] == edge


def test_endless_nesting_is_refused_in_words() -> None:
    deep: list[Any] = []
    for _ in range(5000):
        deep = [deep]
    with pytest.raises(BadRecord, match="too deeply"):
        canonical({"x": deep})


@pytest.mark.parametrize("kind", KINDS)
def test_each_required_member_is_missed(kind: str) -> None:
    for name in REQUIRED[kind]:
        with pytest.raises(BadRecord, match=f"{name} is missing"):
            check_body(kind, {n: t() for n, t in REQUIRED[kind].items() if n != name})


def test_a_wrong_type_kind_or_verdict_is_refused() -> None:
    with pytest.raises(BadRecord, match="conditions is str"):
        check_body("closing", {**closing("R-000001"), "conditions": "none"})
    with pytest.raises(BadRecord, match="'maybe'"):
        check_body("closing", closing("R-000001", "maybe"))
    with pytest.raises(BadRecord, match="kind 'note'"):
        check_body("note", {})


def _record(seq: int, prev: str) -> Record:
    return Record(
        "lockout", "b1", number_of(seq), seq, 1_700_000_000_000, True, prev, {"reason": ""}
    )


def test_hand_written_bytes_are_the_records_bytes() -> None:
    by_hand = (
        '{"at_ms":1700000000000,"bench":"b1","body":{"reason":""},"format":1,"kind":"lockout",'
        '"number":"R-000001","prev":"' + "0" * 64 + '","seq":1,"simulated":true}'
    )
    assert _record(1, FIRST_PREV).json == by_hand.encode()


TEXTS = st.text(
    st.one_of(st.characters(exclude_categories=["Cs"]), st.sampled_from("\ufb33\U0001f602"))
)
BODIES = st.recursive(
    st.one_of(TEXTS, st.integers(-(2**53) + 1, 2**53 - 1), st.booleans(), st.none()),
    lambda inner: st.one_of(st.lists(inner), st.dictionaries(TEXTS, inner)),
)


@given(st.dictionaries(TEXTS, BODIES))
def test_canonical_bytes_are_those_of_a_library_for_nothing_else(body: dict[str, Any]) -> None:
    assert canonical(body) == rfc8785.dumps(body)


@given(st.text(st.characters(exclude_categories=["Cs"])), st.text('ab\u00e9"\\\n\x01'))
def test_bytes_around_a_body_are_the_records_bytes(bench: str, words: str) -> None:
    body = {"reason": words, "deep": {"z": [1, None, True], "a": {}}}
    record = Record("lockout", bench, "R-A000007", 7, 1_700_000_000_000, None, FIRST_PREV, body)
    assert record.around(canonical(body)) == record.json


def test_the_chain_is_the_hash_of_the_bytes_and_refuses_another_predecessor() -> None:
    first = _record(1, FIRST_PREV)
    second = _record(2, chain(FIRST_PREV, first.json))
    assert second.prev == first.sha256
    with pytest.raises(ChainBroken, match="follows"):
        chain(FIRST_PREV, second.json)


@pytest.mark.parametrize("raw", [b"", b"{", b"[]", b"{}", b'{"a":1}', b"\xff", b"[" * 100_000])
def test_bytes_that_are_no_record_are_refused(raw: bytes) -> None:
    with pytest.raises(ChainBroken):
        parsed(raw)


@given(st.integers(1, 10**9))
def test_numbers_go_there_and_back(row: int) -> None:
    assert row_of(number_of(row)) == row


@pytest.mark.parametrize("number", ["", "R-", "R--1", "P-0001", "R-1.5", "R-٣", "R-" + "9" * 99])
def test_no_number_is_not_found(number: str) -> None:
    with pytest.raises(NotFound):
        row_of(number)
    with pytest.raises(NotFound):
        place_of(number.replace("P-", "R-"))
