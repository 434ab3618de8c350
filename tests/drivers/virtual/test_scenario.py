"""Scenario files: what they give, and how mistakes in them are named."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.errors import DriverError
from drivers.virtual import scenario
from drivers.virtual.bench_text import RANGES
from drivers.virtual.instruments import STATED

GOOD = '[parts.A1]\nfamily = "heater"\nrated_v = 240.0\nrated_w = 4000.0\n'


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "shelf.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_shelf(tmp_path: Path) -> None:
    text = GOOD + '[healthy.B]\ncount = 3\npart = { family = "light", rated_w = 12.0 }\n'
    assert list(scenario.load(write(tmp_path, text))) == ["A1", "B-8001", "B-8002", "B-8003"]


def test_the_same_file_gives_the_same_parts() -> None:
    assert scenario.load() == scenario.load()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("parts = [", "can't be read"),
        (GOOD + "colour = 'red'\n", "parts.A1.colour"),
        (GOOD.replace("heater", "oven"), "parts.A1.family"),
        (GOOD.replace("4000.0", "nan"), "parts.A1.rated_w"),
        (GOOD.replace("4000.0", "'4000'"), "parts.A1.rated_w"),
        (GOOD.replace("4000.0", "-1.0"), "parts.A1.rated_w"),
        (GOOD + "leaks = [{ at = 1.5 }]\n", "parts.A1.leaks.0.at"),
        (GOOD + "dead_load = true\nleaks = [{ at = 0.5, resistive_ma = 1.0 }]\n", "needs a load"),
    ],
)
def test_mistakes_are_named(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(DriverError, match=words.replace(".", r"\.")):
        scenario.load(write(tmp_path, text))


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(DriverError, match="nowhere"):
        scenario.load(tmp_path / "nowhere.toml")


def test_a_plate_tells_no_truth() -> None:
    part = scenario.load()["GK50-0450"]
    assert set(scenario.plate(part)) <= set(scenario.PLATE)
    assert "trip_ma" not in scenario.plate(part)
    assert "leaks" not in scenario.plate(part)


def test_every_register_quantity_has_a_range_and_a_statement() -> None:
    assert RANGES.keys() <= STATED.keys()
