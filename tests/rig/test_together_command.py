"""The commands trip and together: answers, doubts, pictures, wrong use."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest

from results.store import Store
from rig.errors import Exit
from tests.rig.kept import closing


def proved(home: Path, family: str, resistive_ma: float, capacitive_ma: float, **more: Any) -> str:
    """A part with one closed attempt; its number."""
    body = closing("pass")
    y_ua = round(1000 * (resistive_ma**2 + capacitive_ma**2) ** 0.5)
    vector = {"resistive_ua": round(1000 * resistive_ma), "y_ua": y_ua, "u_ua": 0, "dc_ua": 0}
    condition = {**body["conditions"][0], **vector, "capacitive_ua": round(1000 * capacitive_ma)}
    condition |= more
    with Store.open(home, simulated=True) as store:
        plate = {"family": family, "serial": f"S-{y_ua}", "rated_mv": 120_000}
        part = str(store.append("intake", "shop", plate).body["part"])
        opening = store.append("opening", "bench-1", {"part": part, "family": family})
        ended = {**body, "opening": opening.number, "worst": condition, "conditions": [condition]}
        store.append("closing", "bench-1", ended)
    return part


@pytest.fixture
def worked(cli: Any, tmp_path: Path) -> list[str]:
    """The worked example (derived): 1.6 and 1.9 mA in phase, 1.4 mA at right angles."""
    vectors = (("heater", 1.6, 0.0), ("ozone_corona", 1.9, 0.0), ("light", 0.0, 1.4))
    return [proved(tmp_path / "home", *vector) for vector in vectors]


def test_worked_example_from_records(cli: Any, worked: list[str]) -> None:
    ran = cli("together", *(f"{part}@1" for part in worked), "--json")
    nominal, high = ran.json["sums"]
    assert nominal["worst"]["magnitude_ma"] == pytest.approx(3.77, abs=0.005)
    assert high["worst"]["magnitude_ma"] == pytest.approx(4.15, abs=0.005)
    assert nominal["worst"]["chance"] == 0.0
    assert 0.0 < high["worst"]["chance"] < 0.1
    assert ran.json["simulated"] is True
    assert ran.json["doubts"] == []


def test_screen_names_the_set_and_the_one_to_replace(cli: Any, worked: list[str]) -> None:
    ran = cli("together", *(f"{part}@1" for part in worked))
    assert ran.code == Exit.DONE
    assert "SIMULATED" in ran.out
    assert "4.15 ±" in ran.out
    assert "replace P-0002 first" in ran.err
    assert "Software is not protection" in ran.err


def test_parts_on_opposite_legs_hide_one_another(cli: Any, worked: list[str]) -> None:
    ran = cli("together", f"{worked[0]}@1", f"{worked[1]}@2")
    assert "hide one another" in ran.err
    assert "its leg is not known" in cli("together", worked[0]).err


def test_a_lower_bound_and_unknown_dc_are_doubts(cli: Any, tmp_path: Path) -> None:
    cut = proved(tmp_path / "home", "pump", 3.5, 0.0, basis="above", u_ua=None, dc_ua=None)
    doubts = cli("together", f"{cut}@1", "--json").json["doubts"]
    assert any("more than 3.50 mA" in one for one in doubts)
    assert any("DC part is not known" in one for one in doubts)


@pytest.mark.parametrize("suffix", [".png", ".svg"])
def test_picture_is_the_same_each_time(
    cli: Any, worked: list[str], tmp_path: Path, suffix: str
) -> None:
    pytest.importorskip("matplotlib")
    pictures = [tmp_path / f"{n}{suffix}" for n in (1, 2)]
    for picture in pictures:
        assert cli("together", *worked, "--plot", picture).code == Exit.DONE
    first, second = (picture.read_bytes() for picture in pictures)
    assert first == second
    assert len(first) > 5000


def test_picture_needs_the_extra_and_a_known_format(
    cli: Any, worked: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "end it in .png or .svg" in cli("together", *worked, "--plot", "set.bmp").err
    assert "can't be written" in cli("together", *worked, "--plot", tmp_path / "no/set.png").err
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    ran = cli("together", *worked, "--plot", tmp_path / "set.png")
    assert (ran.code, "milliproof[plots]" in ran.err) == (Exit.WRONG_USE, True)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (("P-0001@3",), "leg, 1 or 2"),
        (("P-0009",), "not registered"),
        (("P-0001", "P-0001"), "there twice"),
        (("P-0001", "--device", "rcd-a"), "needs --rated-ma"),
        (("P-0001", "--rated-ma", "30"), "for an RCD"),
        ((), "Missing argument"),
    ],
)
def test_wrong_use_is_told(cli: Any, worked: list[str], given: tuple[str, ...], words: str) -> None:
    ran = cli("together", *given)
    assert (ran.code, ran.out) == (Exit.WRONG_USE, "")
    assert words in ran.err


def test_a_part_that_was_never_measured_is_told(cli: Any, tmp_path: Path) -> None:
    with Store.open(tmp_path / "home", simulated=True) as store:
        store.append("intake", "shop", {"family": "heater", "serial": "X"})
    assert "no leakage was ever measured" in cli("together", "P-0001").err


def test_trip_answers_for_current_and_for_time(cli: Any) -> None:
    answer = cli("trip", "--ma", "5", "--dc-ma", "0", "--json").json
    assert (answer["chance"], answer["latest_s"], answer["doubts"]) == (0.5, None, [])
    assert cli("trip", "--ma", "20", "--json").json["latest_s"] == pytest.approx(1.0)
    assert "DC part is not known" in cli("trip", "--ma", "20").out
    shown = cli("trip", "--after-s", "1", "--json").json
    assert (shown["at_least_ma"], shown["at_most_ma"]) == (4.0, pytest.approx(20.0))
    assert "no upper bound" in cli("trip", "--after-s", "0.01").out
    rcd = cli("trip", "--ma", "22.5", "--device", "rcd-a", "--rated-ma", "30", "--json").json
    assert rcd["chance"] == 0.5


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ((), "either --ma or --after-s"),
        (("--ma", "1", "--after-s", "1"), "either"),
        (("--ma", "nan"), "not a finite number"),
        (("--ma", "-1"), "out of range"),
        (("--after-s", "1", "--device", "rcd-a", "--rated-ma", "30"), "no curve"),
    ],
)
def test_trip_refuses_wrong_use(cli: Any, given: tuple[str, ...], words: str) -> None:
    ran = cli("trip", *given)
    assert (ran.code, ran.out) == (Exit.WRONG_USE, "")
    assert words in ran.err
