"""The operating characteristic as a picture: probability of a pass against true mA, way by way."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rig.plots import drawing, save
from rig.study import ACCEPT_MA, Results
from rig.study_bench import BOUNDS
from rig.study_table import Way, curve

STYLES = (("-", "o"), ("--", "s"), (":", "^"), ("-.", "x"))
LEAST = 20  # parts in a bin: fewer would draw noise


def draw(results: Results, ways: Sequence[Way], path: Path) -> Path:
    """Write the picture (.png or .svg) and return where. Raises RigError."""
    with drawing((7.0, 4.6), "SIMULATED · operating characteristic") as figure:
        axes = figure.subplots()
        for way, (line, mark) in zip(ways, STYLES, strict=False):
            truth, passed, parts = curve(results, way)
            good = parts >= LEAST
            axes.plot(
                truth[good],
                passed[good],
                ls=line,
                marker=mark,
                ms=4,
                mfc="white",
                color="black",
                lw=1.1,
                label=way.name,
            )
        limits = ((BOUNDS["pass_ma"], "pass limit", "right"), (ACCEPT_MA, "fail limit", "left"))
        for ma, words, side in limits:
            axes.axvline(ma, color="0.5", lw=0.8)
            axes.text(ma, 1.05, f" {words} {ma:g} ", ha=side, fontsize=8)
        axes.set_xscale("log")
        axes.xaxis.set_major_formatter("{x:g}")
        axes.set(xlabel="truly leaks in the worst service, mA", ylabel="probability of a pass")
        axes.set_ylim(-0.02, 1.1)
        axes.legend(frameon=False, fontsize=8, handlelength=4)
        save(figure, path)
    return path
