"""The benchmarks run and print ratios; how large these are is not for a test on a shared machine."""

from __future__ import annotations

import math
import sys

import pytest

from tests.bench import scan_cost, spectrum_cost, start_up, verify_cost


def ratios(printed: str) -> dict[str, float]:
    """Last column of each row that has one, by the row's first word or words."""
    rows = [line.split() for line in printed.splitlines()[2:]]
    return {" ".join(row[:-3]): float(row[-1]) for row in rows if len(row) >= 4}


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs Linux pseudo-terminals")
def test_scan_cost_prints_a_ratio_for_each_line_and_the_scan(
    capsys: pytest.CaptureFixture[str],
) -> None:
    scan_cost.main(["--scans", "20", "--rounds", "2"])
    found = ratios(capsys.readouterr().out)
    assert len(found) == 5, found  # four lines with transactions, and the scan
    assert any(name.startswith("scan") for name in found)
    assert all(math.isfinite(one) and one > 0.0 for one in found.values())


def test_start_up_prints_a_ratio_for_each_option(capsys: pytest.CaptureFixture[str]) -> None:
    start_up.main(["--rounds", "2"])
    found = ratios(capsys.readouterr().out)
    assert set(found) == {"milliproof --help", "milliproof --version"}
    assert all(math.isfinite(one) and one > 1.0 for one in found.values())


def test_spectrum_cost_prints_a_ratio_for_each_reading(capsys: pytest.CaptureFixture[str]) -> None:
    spectrum_cost.main(["--rounds", "2", "--parts", "4"])
    found = ratios(capsys.readouterr().out)
    assert set(found) == {"vector of 4", "groups of 4", "all of 4"}
    assert all(math.isfinite(one) and one > 0.0 for one in found.values())


def test_verify_cost_prints_a_ratio_and_how_long_a_proof_takes(
    capsys: pytest.CaptureFixture[str],
) -> None:
    verify_cost.main(["--attempts", "20", "--rounds", "2", "--leaves", "100", "--proofs", "5"])
    printed = capsys.readouterr().out
    assert ratios(printed)["whole chain"] > 0.0
    assert "a proof among 100, ms: median" in printed
