"""What the house rules ask of the code itself: short functions, small files, ceilings that hold."""

from __future__ import annotations

import ast
import statistics
from pathlib import Path

import pytest

from procedures.catalog import FAMILIES
from procedures.limits import limits_for
from procedures.scan import Part
from tests.rig.guard_world import FACTS

ROOT = Path(__file__).parents[2]
ROOMS = ("rig", "drivers", "procedures", "results")
FILES = sorted(path for room in ROOMS for path in (ROOT / room).rglob("*.py"))


def lengths(path: Path) -> list[int]:
    tree = ast.parse(path.read_text("utf-8"))
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef)
    return [(n.end_lineno or 0) - n.lineno + 1 for n in ast.walk(tree) if isinstance(n, kinds)]


def test_nine_functions_in_ten_have_at_most_twenty_lines() -> None:
    everywhere = [n for path in FILES for n in lengths(path)]
    assert len(everywhere) > 300
    assert statistics.quantiles(everywhere, n=10)[-1] <= 20


def test_no_file_is_two_rooms() -> None:
    too_long = {p.name: n for p in FILES if (n := len(p.read_text("utf-8").splitlines())) > 450}
    assert not too_long


def test_every_module_says_at_its_door_what_belongs_there() -> None:
    silent = [p.name for p in FILES if not ast.get_docstring(ast.parse(p.read_text("utf-8")))]
    assert not silent


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_no_limit_is_above_the_guards_own_ceiling(family: str) -> None:
    part = Part("P", family, rated_v=240.0, rated_w=4000.0, rated_a=10.0)
    limits = limits_for(family, part)
    assert limits["gate_ma"].value <= FACTS.gate_ma == 3.0
    assert limits["cutoff_ma"].value <= FACTS.cutoff_ma == 3.5
    if "water_max_c" in limits:
        assert limits["water_max_c"].value <= FACTS.water_max_c == 45.0


def test_the_check_before_landing_runs_the_readmes_test_command() -> None:
    readme = (ROOT / "README.md").read_text("utf-8")
    check = (ROOT / ".ci" / "run").read_text("utf-8")
    assert readme.count(".[dev]") == 1
    assert '".[dev]" README.md' in check
