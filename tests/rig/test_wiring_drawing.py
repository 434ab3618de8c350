"""One drawing, in the README and in every bench file that describe writes; its figures are computed."""

from __future__ import annotations

import math
import re
import tomllib
from pathlib import Path

import pytest

from rig.commands.bench_describe import EXAMPLES, example_text

ROOT = Path(__file__).parents[2]
DRAWING = (ROOT / "rig" / "wiring_drawing.txt").read_text("utf-8")
WORST_V = 264.0
CREST_V = WORST_V * math.sqrt(2.0)


def test_the_readme_shows_the_drawing_as_it_is() -> None:
    assert f"```text\n{DRAWING}```" in (ROOT / "README.md").read_text("utf-8")


@pytest.mark.parametrize("name", EXAMPLES)
def test_each_described_bench_file_carries_the_drawing_as_comments(name: str) -> None:
    text = example_text(name)
    shown = [line[2:] for line in text.splitlines() if line.startswith("#")]
    assert [line.rstrip() for line in DRAWING.splitlines()] == shown[-len(DRAWING.splitlines()) :]
    bare = (ROOT / "rig" / "examples" / EXAMPLES[name]).read_text("utf-8")
    assert tomllib.loads(text) == tomllib.loads(bare)


FIGURES = {  # what the drawing says, and what follows from its own ohms, farads and volts
    r"120 V ([\d.]+) W, 264 V": 120.0**2 / 47e3,  # P = U^2 / R
    r"120 V 0.31 W, 264 V ([\d.]+) W": WORST_V**2 / 47e3,
    r"([\d.]+) mA at 120 V: harmless": 120.0 / 47e3 * 1e3,
    r"160 k 1 %: ([\d.]+) W at 120 V": 120.0**2 / 160e3,
    r"160 k 1 %: [\d.]+ W at 120 V, ([\d.]+) W at 264 V": WORST_V**2 / 160e3,
    r"([\d.]+) mA each at 120 V": 120.0 * math.tau * 60.0 * 16.6e-9 * 1e3,  # I = U 2 pi f C
    r"480 k 1 %: ([\d.]+) W at 264 V": WORST_V**2 / 480e3,
    r"P 1 W, 500 V. ([\d.]+) mA at 120 V": 120.0 / 480e3 * 1e3,
    r"18.6 k \(([\d.]+) mA": 120.0 / 18.6e3 * 1e3,
    r"18.6 k \([\d.]+ mA, ([\d.]+) W": 120.0**2 / 18.6e3,
    r"33.6 k \(([\d.]+) mA": 120.0 / 33.6e3 * 1e3,
    r"33.6 k \([\d.]+ mA, ([\d.]+) W": 120.0**2 / 33.6e3,
    r"1 ohm at 10 A is (\d+) W": 10.0**2 * 1.0,  # P = I^2 R
    r"5 Mohm at 500 V is ([\d.]+) W": 500.0**2 / 5e6,
    r"25 uF at (\d+) V": CREST_V,
    r"in 3 s \(([\d.]+) J\)": 0.5 * 25e-6 * CREST_V**2,  # W = C U^2 / 2
}


@pytest.mark.parametrize("words", FIGURES)
def test_figures_follow_from_volts_and_ohms(words: str) -> None:
    found = re.search(words, re.sub(r"\s+", " ", DRAWING))
    assert found is not None
    said = found.group(1)
    last_digit = 10.0 ** -len(said.partition(".")[2])
    assert float(said) == pytest.approx(FIGURES[words], abs=0.5001 * last_digit)


def test_the_bleed_is_as_fast_as_it_says() -> None:
    """t = R C ln(U0 / U)."""
    found = re.search(r"is below (\d+) V in (\d+) s", re.sub(r"\s+", " ", DRAWING))
    assert found is not None
    assert 47e3 * 25e-6 * math.log(CREST_V / float(found.group(1))) < float(found.group(2))


RATED = {8: (47e3, 5.0), 14: (47e3, 5.0), 16: (160e3, 2.0), 17: (480e3, 1.0)}


@pytest.mark.parametrize("item", RATED)
def test_proposed_ratings_have_margin(item: int) -> None:
    ohm, rated_w = RATED[item]
    text = DRAWING.split(f"\n {item:>2} ", 1)[1].split(f"\n {item + 1:>2} ", 1)[0]
    assert f"P {rated_w:g} W" in re.sub(r"\s+", " ", text)
    assert rated_w > 3.0 * WORST_V**2 / ohm


def test_every_item_of_the_drawing_is_explained() -> None:
    drawn = {int(n) for n in re.findall(r"\((\d+)\)", DRAWING)}
    explained = {int(n) for n in re.findall(r"^ {1,2}(\d+) ", DRAWING, re.MULTILINE)}
    assert drawn == explained == set(range(1, 21))
