"""Killed at drawn moments of a running test: nothing announced is lost, on either kind of store.

A few kills here; python -m tests.bench.kill_store does two hundred on each.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

from tests.results.world import HERE

KILLS = 12


def after_kills(place: str, work: Path, *more: str) -> dict[str, Any]:
    command = [sys.executable, "-m", "tests.results.killing", place, "--work", str(work), *more]
    command += ["--kills", str(KILLS), "--seed", "7"]
    done = subprocess.run(command, cwd=HERE, capture_output=True, text=True)
    assert done.stdout, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    assert found["announced"] > KILLS  # it did run between the kills
    assert {k: v for k, v in found.items() if isinstance(v, list) and v} == {}
    assert done.returncode == 0
    return found


def test_a_home_survives_kills(tmp_path: Path) -> None:
    found = after_kills(str(tmp_path / "home"), tmp_path / "home")
    assert found["interrupted"] > 0


def test_a_server_survives_kills_of_its_bench(tmp_path: Path, shop_url: str) -> None:
    found = after_kills(shop_url, tmp_path / "work")
    assert found["interrupted"] > 0


def test_a_home_that_hands_over_survives_kills(tmp_path: Path, shop_url: str) -> None:
    after_kills(str(tmp_path / "home"), tmp_path / "home", "--shop", shop_url)
