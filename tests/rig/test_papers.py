"""report and tag as commands: exit codes, words, JSON, and what verify says of what they wrote."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from results.store import Store
from rig.errors import Exit
from tests.results.papers import attempted, registered


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where the command line keeps its records, and a directory to write to."""
    monkeypatch.chdir(tmp_path)
    return tmp_path / "home"


def tried(home: Path, verdict: str, simulated: bool = False, **more: object) -> str:
    with Store.open(home, simulated=simulated) as store:
        return attempted(store, registered(store, **more), verdict).number


def test_a_report_is_written_verified_and_printed_again(cli: Any, home: Path) -> None:
    closing = tried(home, "pass")
    ran = cli("report", "P-0001", "--by", "R. Tarn", "--json")
    assert ran.code == Exit.DONE
    assert (ran.json["record"], ran.json["file"]) == (closing, "R-000004.pdf")
    said = cli("verify", "R-000004.pdf", "--trust", ran.json["key"], "--json")
    assert said.code == Exit.DONE
    assert {one["good"] for one in said.json["verified"][0]["answers"]} == {True}
    assert cli("verify", "R-000004.pdf").code == Exit.NO_VERDICT  # key unknown to you
    again = cli("report", "R-000004", "--out", "again.pdf", "--json")
    assert (again.code, again.json["issue"]) == (Exit.DONE, "R-000004")
    first, second = Path("R-000004.pdf").read_bytes(), Path("again.pdf").read_bytes()
    same = first.index(b"%%EOF")
    assert first[:same] == second[:same]
    Path("cut.pdf").write_bytes(first + b"\n")
    assert cli("verify", "cut.pdf").code == Exit.FAIL


def test_what_is_refused_leaves_no_record(cli: Any, home: Path) -> None:
    closing = tried(home, "pass")
    Path("there.pdf").write_bytes(b"")
    for args, words in (
        (("report", closing, "--form", "claim"), "a claim is about a part that failed"),
        (("report", closing, "--out", "there.pdf"), "exists already"),
        (("report", "R-000099"), "not in this home"),
        (("report", "R-000001"), "is no attempt but of kind intake"),
        (("report", "P-0009"), "not registered"),
        (("report", closing, "--paper", "a5"), "a5"),
        (("tag", closing, "--out", "there"), "exists already"),
    ):
        ran = cli(*args)
        assert ran.code == Exit.WRONG_USE, args
        assert words in ran.err
    with Store.open(home) as store:
        assert store.every("issue") == []


@pytest.mark.parametrize(
    ("verdict", "more", "words"),
    [
        ("pass", {"family": "gfci"}, "a used GFCI is never resold"),
        ("fail", {}, "is no pass"),
        ("none", {}, "is no pass"),
    ],
)
def test_no_resale_tag(
    cli: Any, home: Path, verdict: str, more: dict[str, str], words: str
) -> None:
    closing = tried(home, verdict, **more)
    ran = cli("tag", closing, "--resale")
    assert ran.code == Exit.WRONG_USE
    assert words in ran.err
    assert cli("tag", closing, "--json").json["files"] == ["R-000004.pdf", "R-000004.png"]


def test_a_simulated_part_gets_a_tag_that_says_so(cli: Any, home: Path) -> None:
    closing = tried(home, "pass", simulated=True)
    ran = cli("tag", closing, "--resale")
    assert ran.code == Exit.WRONG_USE
    assert "its records are simulated" in ran.err
    assert cli("tag", closing).code == Exit.DONE
    with Store.open(home) as store:
        said = store.every("issue")[0].body["statements"]
    assert said == {"resale": "SIMULATED - NOT FOR RESALE"}


def test_recalled_and_quarantined_parts_get_none(cli: Any, home: Path) -> None:
    closing = tried(home, "pass")
    assert cli("tag", closing, "--resale").code == Exit.DONE
    held = {"part": "P-0001", "reason": "bench in doubt", "by": "R. Tarn", "recheck": "2199-01-01"}
    recall = {"family": "heater", "model": "", "date_code": "", "serial": "OF55", "reason": "seals"}
    with Store.open(home) as store:
        store.append("quarantine", "shop", held)
        store.append("recall", "shop", {**recall, "by": "R. Tarn"})
    ran = cli("tag", closing, "--resale")
    assert ran.code == Exit.WRONG_USE
    assert "in quarantine" in ran.err
    assert "recalled" in ran.err


def test_a_newer_attempt_that_failed_takes_the_resale_away(cli: Any, home: Path) -> None:
    closing = tried(home, "pass")
    with Store.open(home) as store:
        attempted(store, "P-0001", "fail")
    ran = cli("tag", closing, "--resale")
    assert ran.code == Exit.WRONG_USE
    assert "its newest attempt that counts is no pass" in ran.err


def test_without_the_extra_it_is_said_before_anything_is_on_record(
    cli: Any, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from rig import papers

    closing = tried(home, "pass")
    monkeypatch.setattr(papers, "find_spec", lambda name: None if name == "typst" else name)
    ran = cli("report", closing)
    assert ran.code == Exit.WRONG_USE
    assert "not installed: typst; install the extra: pip install 'milliproof[reports]'" in ran.err
    with Store.open(home) as store:
        assert store.every("issue") == []
