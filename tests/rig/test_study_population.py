"""The population of the capability study: frozen by its digest; wrong files are told."""

from __future__ import annotations

import hashlib
import math
from pathlib import Path

import pytest

from procedures.catalog import FAMILIES
from rig.errors import RigError
from rig.study_population import DIGEST, PLACE, load


def test_it_is_the_one_that_was_frozen_before_the_first_study() -> None:
    digest = "c4d33413b4fd671f70002bc79e086193b8c730b3f180270b084f5d85bca8aa72"
    assert hashlib.sha256(PLACE.read_bytes()).hexdigest() == digest == DIGEST
    assert load()[1] == digest


def test_it_has_what_was_asked_of_it() -> None:
    """All families that leak; faulty 0.05 to 20 mA, log-uniform, a fifth of them at 0.5 to 2 mA."""
    population, _ = load()
    assert {one.name for one in population.family} == FAMILIES.keys() - {"gfci"}
    assert population.truth.faulty_ma == (0.05, 20.0)
    assert math.log(2.0 / 0.5) / math.log(20.0 / 0.05) >= 0.2
    assert population.supply.volts == (0.95, 1.05)
    laws = {kind.law for one in population.family for kind in one.fault}
    assert {"bursts", "breakdown", "half_wave", "erratic", "wet", "bake"} <= laws


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('name = "heater"\nshare = 0.25', 'name = "heater"\nshare = 0.35', "families sum to 1.1"),
        ("faulty = 0.80", "faulty = 1.80", "truth.faulty"),
        ("faulty = 0.80", "faulty = nan", "truth.faulty"),
        ("faulty_ma = [0.05, 20.0]", "faulty_ma = [20.0, 0.05]", "20 is more than 0.05"),
        ("fault = 0.002", "faults = 0.002", "sensors.faults"),
        ('law = "wet"', 'law = "damp"', "law"),
        ("  cold = [0.02, 0.3]", "  #", "needs cold"),
        ("[truth]", "[truth", "no TOML"),
    ],
)
def test_wrong_files_are_told(tmp_path: Path, old: str, new: str, words: str) -> None:
    text = PLACE.read_text()
    assert old in text
    wrong = tmp_path / "own.toml"
    wrong.write_text(text.replace(old, new, 1))
    with pytest.raises(RigError, match=r"own\.toml") as told:
        load(wrong)
    assert words in str(told.value)


def test_a_file_that_is_not_there_or_no_population(tmp_path: Path) -> None:
    with pytest.raises(RigError, match="can't be read"):
        load(tmp_path / "nowhere.toml")
    big = tmp_path / "big.toml"
    big.write_bytes(b"#" * 200_000)
    with pytest.raises(RigError, match="no population"):
        load(big)
