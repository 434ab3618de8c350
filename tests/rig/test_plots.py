"""Pictures of a record: what is drawn, in words that a file can be searched for; the same each time."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from procedures.decay import fit_decay
from results import trace
from results.store import Store
from rig.errors import Exit
from rig.plot_time import over_s
from rig.plots import drawing, save
from tests.rig.kept import closing

pytest.importorskip("matplotlib")


def drying(minutes: int = 9, tau_s: float = 120.0) -> bytes:
    """A trace that dries from 1.2 to 0.2 mA, one reading a second."""
    t_s = np.arange(60 * minutes)
    read = 200 + 1000 * np.exp(-t_s / tau_s)
    columns = {
        "t_ms": [int(1000 * t) for t in t_s],
        "feed": [2] * t_s.size,
        "leakage_ua": [round(ua) for ua in read],
    }
    return trace.encode(columns)


def kept(home: Path, simulated: bool = True, traced: bool = True, **more: Any) -> str:
    """An attempt with a bake-out and a place on the element; the number of its closing."""
    body = closing("pass")
    baked = {**body["conditions"][0], "name": "bake-out", "y_ua": 205, "start_ms": 0}
    baked |= {"end_ms": 540_000, "counts": False, "resistive_ua": 205}
    facts: dict[str, Any] = {
        f"place{end}_millionths": at for end, at in (("", 500_000), ("_low", 450_000))
    }
    facts |= {"place_high_millionths": 550_000, "place, not told apart": "one hole, or several"}
    with Store.open(home, simulated=simulated) as store:
        plate = {"family": "heater", "serial": "OF55-0231", "model": "Otterfall heater"}
        part = store.append("intake", "shop", plate).body["part"]
        opening = store.append("opening", "bench-1", {"part": part, "family": "heater"})
        ended = {**body, "opening": opening.number, "facts": facts}
        ended["conditions"] = [baked, *body["conditions"]]
        blob = drying() if traced else None
        return store.append("closing", "bench-1", {**ended, **more}, trace=blob).number


def words(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def test_all_kinds_in_both_formats(cli: Any, tmp_path: Path) -> None:
    number = kept(tmp_path / "home")
    ran = cli("plot", number, "--out", tmp_path / "out", "--json")
    assert ran.code == Exit.DONE
    files = [Path(name) for name in ran.json["files"]]
    assert {path.suffix for path in files} == {".png", ".svg"}
    assert len(files) == 6
    assert all(path.stat().st_size > 4000 for path in files)
    for path in (path for path in files if path.suffix == ".svg"):
        assert "SIMULATED · PASS · Otterfall heater, serial OF55-0231" in words(path)


def test_time_names_limits_conditions_fit_and_end(cli: Any, tmp_path: Path) -> None:
    number = kept(tmp_path / "home")
    cli("plot", number, "--kind", "time", "--format", "svg", "--out", tmp_path)
    said = words(tmp_path / f"{number}-time.svg")
    assert "pass limit 0.75" in said
    assert "2.  cold wet: 2.004 ± 0.031 mA" in said
    assert "dries to 0.20 mA, over after 7.4 min" in said  # 120 s · ln(1.0 / 0.025) = 443 s
    assert "time, minutes" in said


def test_predicted_end_is_that_of_the_exponential() -> None:
    t_s = np.arange(0.0, 540.0)
    fit = fit_decay(t_s, 0.2 + 1.0 * np.exp(-t_s / 120.0))
    assert fit is not None
    assert over_s(fit, 0.025) == pytest.approx(120.0 * math.log(1.0 / 0.025), rel=0.01)


def test_vectors_and_place_say_what_they_show(cli: Any, tmp_path: Path) -> None:
    number = kept(tmp_path / "home")
    cli("plot", number, "--format", "svg", "--out", tmp_path)
    vectors, place = (words(tmp_path / f"{number}-{kind}.svg") for kind in ("vectors", "place"))
    assert "capacitive" in vectors
    assert "pass limit 0.75 mA" in vectors
    assert "x = 0.500 (95 %: 0.450 to 0.550)" in place
    assert "one hole, or several" in place


def test_real_records_are_not_called_simulated(cli: Any, tmp_path: Path) -> None:
    number = kept(tmp_path / "home", simulated=False)
    cli("plot", number, "--format", "svg", "--out", tmp_path)
    assert "SIMULATED" not in words(tmp_path / f"{number}-time.svg")


def test_the_same_record_gives_the_same_bytes(cli: Any, tmp_path: Path) -> None:
    number = kept(tmp_path / "home")
    for folder in ("first", "second"):
        cli("plot", number, "--out", tmp_path / folder)
    for path in (tmp_path / "first").iterdir():
        assert path.read_bytes() == (tmp_path / "second" / path.name).read_bytes(), path.name


def test_nothing_but_grey_is_drawn(cli: Any, tmp_path: Path) -> None:
    """Print, photocopies and every eye: no colour carries meaning, because there is none."""
    image = pytest.importorskip("PIL.Image")
    number = kept(tmp_path / "home")
    cli("plot", number, "--format", "png", "--out", tmp_path)
    for path in tmp_path.glob("*.png"):
        red, green, blue = np.moveaxis(np.asarray(image.open(path).convert("RGB")), 2, 0)
        assert (red == green).all()
        assert (green == blue).all()


def test_a_great_leak_gets_a_logarithmic_scale(cli: Any, tmp_path: Path) -> None:
    great = {**closing("fail")["conditions"][0], "y_ua": 13_600, "basis": "prospective"}
    number = kept(tmp_path / "home", conditions=[great])
    cli("plot", number, "--kind", "time", "--format", "svg", "--out", tmp_path)
    said = words(tmp_path / f"{number}-time.svg")
    assert "0.01" in said  # a decade of the scale
    assert "13.600 ± 0.031 mA, calculated" in said


def test_a_record_without_a_trace_has_no_time_picture(cli: Any, tmp_path: Path) -> None:
    number = kept(tmp_path / "home", traced=False)
    assert "it has: vectors, place" in cli("plot", number, "--kind", "time").err
    assert len(cli("plot", number, "--out", tmp_path, "--json").json["files"]) == 4


@pytest.mark.parametrize(
    ("given", "what"),
    [
        (("R-000001",), "it is of kind intake"),
        (("R-000099",), "not in this home"),
        (("seven",), "is no such number"),
        (("R-000003", "--kind", "map"), "is not one of"),
    ],
)
def test_wrong_use_is_told(cli: Any, tmp_path: Path, given: tuple[str, ...], what: str) -> None:
    kept(tmp_path / "home")
    ran = cli("plot", *given)
    assert (ran.code, ran.out) == (Exit.WRONG_USE, "")
    assert what in ran.err


def test_missing_extra_and_unwritable_places_are_told(
    cli: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = kept(tmp_path / "home")
    (tmp_path / "file").write_text("")
    assert "can't be made" in cli("plot", number, "--out", tmp_path / "file" / "x").err
    with drawing((2.0, 2.0), "x") as figure, pytest.raises(Exception, match="can't be written"):
        save(figure, tmp_path / "no" / "x.png")
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    ran = cli("plot", number, "--out", tmp_path)
    assert (ran.code, "milliproof[plots]" in ran.err) == (Exit.WRONG_USE, True)
