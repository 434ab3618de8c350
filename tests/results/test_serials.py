"""Serial numbers of a home that is older than looking for them whatever their case."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from results.record import folded
from results.store import Store
from tests.results.world import INTAKE


@pytest.mark.parametrize(
    ("given", "same"),
    [
        ("OF55-0117", "of55-0117"),
        (" OF55  0117 ", "of55 0117"),
        ("ＯＦ５５", "of55"),  # full width letters and digits (Unicode NFKC)
        ("STRAẞE", "strasse"),  # Unicode case folding, not lower case
    ],
)
def test_serials_are_folded_by_unicode(given: str, same: str) -> None:
    assert folded(given) == folded(same) == same


def test_an_older_homes_serials_are_found_in_either_case_after_its_upgrade(
    tmp_path: Path,
) -> None:
    with Store.open(tmp_path, simulated=True) as store:
        store.append("intake", "", {**INTAKE, "serial": "OF55-ß1"})
        path = store.path
    with closing(sqlite3.connect(path)) as file, file:  # as version 0004 left it
        (words,) = file.execute(
            "SELECT sql FROM sqlite_master WHERE name = 'records_no_update'"
        ).fetchone()
        file.execute("DROP TRIGGER records_no_update")
        file.execute("UPDATE records SET serial = 'OF55-ß1'")
        file.execute(words)
        file.execute("UPDATE alembic_version SET version_num = '0004'")
    with Store.open(tmp_path) as store:
        (found,) = store.by_serial("of55-SS1")
        assert found.body["serial"] == "OF55-ß1"
        assert store.verify() == []
        with (
            pytest.raises(sqlite3.IntegrityError, match="append-only"),
            closing(sqlite3.connect(path)) as file,
        ):
            file.execute("UPDATE records SET serial = ''")
    assert list(tmp_path.glob("before-upgrade-0004-*.sqlite"))
