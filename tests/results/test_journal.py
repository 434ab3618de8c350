"""The journal: survives a torn end, refuses what it can't keep, becomes an interrupted closing."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from results import journal
from results.errors import BadRecord, StoreUnavailable
from results.journal import Journal

ENTRIES: list[dict[str, object]] = [
    {"t_ms": 0, "stage": "look"},
    {"row": {"t_ms": 0, "stage": 0, "leakage_ua": None}},
    {"t_ms": 90, "stage": "nothing read in this one"},
    {"t_ms": 100, "stage": "limited step"},
    {"row": {"t_ms": 100, "stage": 1, "leakage_ua": 212}},
    {"row": {"t_ms": 200, "stage": 1, "leakage_ua": 213, "supply_mv": 120_100}},
]


def written(path: Path) -> bytes:
    """The bytes of a journal with ``ENTRIES``."""
    work = Journal(path, "R-000007")
    for entry in ENTRIES:
        work.append(entry)
    work.close()
    return path.read_bytes()


def test_what_was_synced_is_read_back_while_it_is_still_open(tmp_path: Path) -> None:
    path = tmp_path / "w.journal"
    work = Journal(path, "R-000007")
    work.append(ENTRIES[0])
    work.sync()
    kept = journal.read(path)
    work.close()
    assert (kept.opening, kept.entries, kept.lost_lines) == ("R-000007", (ENTRIES[0],), 0)


def test_cut_anywhere_it_gives_whole_entries_and_counts_the_torn_one(tmp_path: Path) -> None:
    whole = written(tmp_path / "w.journal")
    cut = tmp_path / "cut.journal"
    header = whole.index(b"\n") + 1
    for length in range(header, len(whole) + 1):
        cut.write_bytes(whole[:length])
        kept = journal.read(cut)
        complete = whole[header:length].count(b"\n")
        assert kept.entries == tuple(ENTRIES[:complete])
        assert kept.lost_lines == (0 if whole[:length].endswith(b"\n") else 1)


@settings(max_examples=60, deadline=None)
@given(tail=st.binary(max_size=60))
def test_garbage_at_the_end_loses_nothing_before_it(
    tail: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("j") / "w.journal"
    path.write_bytes(written(path) + b"\x00" + tail)
    kept = journal.read(path)
    assert kept.entries == tuple(ENTRIES)
    assert kept.lost_lines >= 1


@pytest.mark.parametrize("raw", [b"", b"\n", b"{}\n", b'{"journal":1,"opening":"R-0', b"[1]\n"])
def test_without_its_first_line_it_is_no_journal(tmp_path: Path, raw: bytes) -> None:
    (tmp_path / "w").write_bytes(raw)
    with pytest.raises(BadRecord, match="no journal"):
        journal.read(tmp_path / "w")


def test_columns_have_gaps_where_a_row_lacks_them() -> None:
    assert journal.columns(ENTRIES) == {
        "t_ms": [0, 100, 200],
        "stage": [0, 1, 1],
        "leakage_ua": [None, 212, 213],
        "supply_mv": [None, None, 120_100],
    }
    assert journal.stages(ENTRIES) == ["look", "limited step"]
    assert journal.columns([]) == {}
    assert journal.stages([]) == []


@pytest.mark.parametrize("value", [float("nan"), float("inf"), b"x", object()])
def test_an_entry_that_is_no_json_is_refused_and_leaves_no_half_line(
    tmp_path: Path, value: object
) -> None:
    work = Journal(tmp_path / "w", "R-000001")
    with pytest.raises(BadRecord, match="can't be kept"):
        work.append({"ok": 1, "bad": value})
    work.close()
    assert journal.read(tmp_path / "w").entries == ()


def test_a_journal_that_exists_is_never_overwritten(tmp_path: Path) -> None:
    before = written(tmp_path / "w")
    with pytest.raises(StoreUnavailable, match="may hold readings"):
        Journal(tmp_path / "w", "R-000008")
    assert (tmp_path / "w").read_bytes() == before


def test_missing_directory_and_full_disk_in_words(tmp_path: Path) -> None:
    with pytest.raises(StoreUnavailable, match="missing"):
        Journal(tmp_path / "no" / "w", "R-000001")
    work = Journal(tmp_path / "w", "R-000001")
    work._file.close()
    work._file = open("/dev/full", "wb")  # noqa: SIM115 - the kernel's own full disk
    work.append({"x": 1})
    with pytest.raises(StoreUnavailable, match="disk full"):
        work.sync()
    with pytest.raises(StoreUnavailable, match="disk full"):
        work.close()
    work.close()  # the second time there is nothing left to close


def test_pruned_it_is_gone_and_pruning_twice_is_fine(tmp_path: Path) -> None:
    work = Journal(tmp_path / "w", "R-000001")
    work.prune()
    work.prune()
    assert not (tmp_path / "w").exists()
    with pytest.raises(StoreUnavailable, match="closed already"):
        work.append({})
