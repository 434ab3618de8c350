"""Intake, custody and what becomes of a part, by command: each sentence of the README."""

from __future__ import annotations

import hashlib
import sys
import zipfile
from pathlib import Path
from typing import Any

import pytest

from results.store import Store
from rig.errors import Exit
from rig.proving import counted
from tests.results.test_photos import SECRET, picture
from tests.rig.kept import Terminal, attempted, closing

HEATER = ("intake", "--family", "heater", "--rated-v", "240", "--rated-w", "5500", "--serial")
BY = ("--by", "R. Tarn")
OVERRIDE = ("--override", "ran a week", "--second", "M. Fenn")


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """Real records with one pass in them, P-0001, proposed for resale."""
    where = tmp_path / "home"
    passed(where)
    return where


def passed(home: Path, serial: str = "OF55-0231", verdict: str = "pass") -> str:
    """One attempt more; the part's number."""
    with Store.open(home, simulated=False) as store:
        seen = store.by_serial(serial)
        plate = {"family": "heater", "serial": serial, "model": "Otterfall"}
        part = str((seen or [store.append("intake", "shop", plate)])[0].body["part"])
        opening = store.append("opening", "bench-1", {"part": part, "family": "heater"})
        body = {**closing(verdict), "disposition": "resell", "opening": opening.number}
        store.append("closing", "bench-1", body)
    return part


# ---- intake ---------------------------------------------------------------------------------------


def test_serial_is_the_same_in_either_case_and_printed_as_given(cli: Any) -> None:
    assert cli(*HEATER, "OF55-0117").out == "P-0001\n"
    again = cli(*HEATER, "  of55-0117", "--json")
    assert (again.json["part"], again.json["plate"]["serial"]) == ("P-0001", "of55-0117")
    assert "serial of55-0117 was here before: it is P-0001" in again.err
    assert cli("show", "P-0001", "--json").json[0]["body"]["amends"] == "R-000001"


def test_what_happened_to_the_serial_before_is_said_at_once(
    cli: Any, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert cli("dispose", "P-0001", "--what", "resell", *BY).code == 0
    monkeypatch.setattr(sys, "stdin", Terminal("heater\nof55-0231\n240\n5500\n"))
    said = cli("intake").err
    assert said.index("it is P-0001") < said.index("Rated voltage")
    assert "R-000003: pass: worst 2.00 mA" in said
    assert "decided: resell, by R. Tarn" in said
    assert "attempts that count: 1" in said


def test_a_serial_of_another_family_is_another_part_and_said(cli: Any) -> None:
    cli(*HEATER, "X1")
    other = cli("intake", "--family", "transformer", "--serial", "x1", "--rated-v", "120")
    assert other.out == "P-0002\n"
    assert "also that of P-0001, a heater" in other.err


@pytest.mark.parametrize("serial", ["", "  "])
def test_an_empty_serial_is_refused(cli: Any, serial: str) -> None:
    ran = cli(*HEATER, serial)
    assert ran.code == Exit.WRONG_USE
    assert "missing --serial" in ran.err
    assert "mark the part" in ran.err


def test_an_empty_serial_is_asked_again(cli: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal("heater\n\n \nOF1\n240\n5500\n"))
    assert cli("intake").code == 0
    assert cli("show", "P-0001", "--json").json[0]["body"]["serial"] == "OF1"


def test_every_problem_is_told_at_once_a_line_each(cli: Any) -> None:
    ran = cli(
        *("intake", "--family", "heater", "--rated-v", "-5", "--rated-w", "nan"),
        *("--failed", "2025-02-30", "--water-ph", "15"),
    )
    assert ran.code == Exit.WRONG_USE
    lines = ran.err.splitlines()
    named = ("'--rated-v'", "'--rated-w'", "'--failed'", "'--water-ph'", "missing --serial")
    for words in named:
        assert sum(words in line for line in lines) == 1, (words, ran.err)
    assert len(lines) == len(named)
    assert "Usage:" not in ran.err


def test_the_story_is_kept_in_whole_units_and_what_is_not_told_is_left_out(cli: Any) -> None:
    cli(
        *(*HEATER, "OF1", "--date-code", "2214", "--owner", "Alder Lodge", "--failed", "2025-03"),
        *("--site", "trips on purge", "--water-ph", "7.4", "--water-us-cm", "2600"),
    )
    body = cli("show", "P-0001", "--json").json[0]["body"]
    assert (body["date_code"], body["failed"], body["site"]) == (
        "2214",
        "2025-03",
        "trips on purge",
    )
    assert (body["water_ph_hundredths"], body["water_conductivity_us_cm"]) == (740, 2600)
    assert "installed" not in body
    cli(*HEATER, "of1")
    again = cli("show", "P-0001", "--json").json[0]["body"]
    assert (again["date_code"], again["owner"]) == ("2214", "Alder Lodge")
    assert "site" not in again


def test_the_story_is_asked_for_line_by_line(cli: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    told = "heater\nOF1\n240\n5500\n2214\nAlder\n\n2024\n\n7.2\n\n\nrust\n"
    monkeypatch.setattr(sys, "stdin", Terminal(told))
    assert cli("intake", "--ask").code == 0
    body = cli("show", "P-0001", "--json").json[0]["body"]
    assert (body["date_code"], body["installed"], body["findings"]) == ("2214", "2024", "rust")
    assert body["water_ph_hundredths"] == 720


def test_photos_are_kept_without_position_and_go_into_the_bundle(cli: Any, tmp_path: Path) -> None:
    given = tmp_path / "plate of it.jpg"
    given.write_bytes(picture())
    assert cli(*HEATER, "OF1", "--photo", given).code == 0
    (photo,) = cli("show", "P-0001", "--json").json[0]["body"]["photos"]
    assert photo["words"] == "plate of it"
    assert photo["sha256"] in cli("show", "P-0001").out
    passed(tmp_path / "home", "of1")
    out = tmp_path / "a.zip"
    assert cli("bundle", "R-000003", "--out", out).code == 0
    with zipfile.ZipFile(out) as file:
        data = file.read(f"photos/{photo['sha256']}.jpg")
    assert hashlib.sha256(data).hexdigest() == photo["sha256"]
    assert SECRET not in data
    assert "no JPEG or PNG" in cli(*HEATER, "OF2", "--photo", __file__).err
    assert cli("show", "P-0002").code == Exit.WRONG_USE


# ---- what becomes of it -----------------------------------------------------------------------------


def test_a_part_goes_from_hand_to_hand(cli: Any, home: Path) -> None:
    assert cli("custody", "p-1", "--to", "shelf 3", *BY).out == "R-000004\n"
    moved = cli("custody", "P-0001", "--to", "counter", *BY, "--json").json
    assert (moved["from"], moved["to"], moved["by"]) == ("shelf 3", "counter", "R. Tarn")
    assert cli("dispose", "P-0001", "--what", "resell", *BY).code == 0
    sold = ("sell", "P-0001", "--buyer", "Alder Lodge", *BY, "--price", "120.50 USD", "--json")
    assert cli(*sold).json["price_minor"] == 12050
    assert "sold already" in cli(*sold).err
    assert cli("amend", "R-000002", "--words", "bay 2, not 1", *BY).code == 0
    shown = cli("show", "P-0001").out
    for words in ("shelf 3", "counter", "resell", "Alder Lodge", "120.50 USD", "bay 2, not 1"):
        assert words in shown, words


@pytest.mark.parametrize("simulated", [True, False])
def test_what_did_not_pass_or_is_simulated_is_not_resold(
    cli: Any, tmp_path: Path, simulated: bool
) -> None:
    attempted(tmp_path / "home", "pass" if simulated else "fail", simulated)
    ran = cli("dispose", "P-0001", "--what", "resell", *BY, *OVERRIDE)
    assert ran.code == Exit.WRONG_USE
    assert ("its records are simulated" in ran.err) == simulated
    assert ("is no pass but fail" in ran.err) == (not simulated)


def test_who_decides_otherwise_gives_a_reason_and_a_second_name(cli: Any, home: Path) -> None:
    scrap = ("dispose", "P-0001", "--what", "scrap", *BY)
    assert "second person" in cli(*scrap).err
    assert "belong together" in cli(*scrap, "--override", "no room").err
    assert cli(*scrap, "--override", "no room", "--second", "R. TARN").code == Exit.WRONG_USE
    assert cli(*scrap, "--override", "no room", "--second", "M. Fenn").code == 0
    wrong = cli("dispose", "P-0001", "--what", "scarp", *BY)
    assert "did you mean scrap?" in wrong.err


def test_quarantine_is_listed_with_its_day_and_released_by_a_pass(cli: Any, home: Path) -> None:
    put = ("quarantine", "P-0001", "--reason", "smells", *BY)
    assert "missing --recheck" in cli(*put).err
    assert "has passed" in cli(*put, "--recheck", "2020-01-01").err
    assert cli(*put, "--recheck", "2999-01-01").code == 0
    assert "2999-01-01" in cli("quarantine").out
    free = ("release", "P-0001", "--reason", "passed again", *BY)
    assert "second person" in cli(*free).err
    passed(home)
    assert cli(*free).code == 0
    assert cli("quarantine", "--json").json == {"quarantine": []}


def test_a_recall_is_said_at_intake_and_refuses_resale(cli: Any, home: Path) -> None:
    notice = ("recall", "--family", "heater", "--reason", "end seals", *BY)
    assert "names no part of the family" in cli(*notice).err
    assert cli(*notice, "--model", "Otterfall").code == 0
    ran = cli(*HEATER, "OF9", "--model", "otterfall")
    assert "RECALLED (R-000004): end seals" in ran.err
    assert "recalled" in cli("dispose", "P-0001", "--what", "resell", *BY).err


def test_the_recheck_of_a_doubted_pass_is_no_retest(home: Path) -> None:
    with Store.open(home, simulated=False) as store:
        assert counted(store, "P-0001") == 1
        body = {"part": "P-0001", "reason": "", "by": "bench", "recheck": "2999-01-01"}
        store.append("quarantine", "bench-1", {**body, "closing": "R-000003"})
        assert counted(store, "P-0001") == 0
