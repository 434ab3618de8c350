"""What a person sees stays readable on a screen of 80 columns."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from rig.screen import live, part_line, table

LONG = "P-0001 Otterfall heater 5.5 kW"


def console(width: int) -> Console:
    return Console(width=width, force_terminal=True, color_system=None, file=io.StringIO())


def shown(made: object, width: int) -> str:
    plain = Console(width=width, color_system=None, file=io.StringIO())
    plain.print(made)
    assert isinstance(plain.file, io.StringIO)
    return plain.file.getvalue()


@pytest.mark.parametrize("width", [60, 80, 120])
def test_live_line_never_cuts_milliamps_or_limit(width: int) -> None:
    with live(console(width)) as progress:
        line = part_line(progress, LONG)
        progress.update(
            line.task,
            completed=40.0,
            clock="12:41",
            leakage=" 0.789 mA",
            limit="limit 0.75",
            stage="both ends hot, after re-soak · waiting for the lid",
        )
        words = shown(progress.get_renderable(), width)
    assert words.count("\n") == 1  # one line
    assert " 12:41  0.789 mA limit 0.75 both ends" in words
    assert "━" in words


def test_table_keeps_words_whole_on_eighty_columns() -> None:
    heads = ("part", "family", "verdict", "worst mA, condition", "reason", "proposed")
    rows = [
        (
            "P-0006\nLarkpool circulation pump",
            "circulation pump",
            "NO VERDICT",
            "11.835 ± 1.502 prospective\nlimited step",
            "primary to secondary: 0.3015 Mohm, allowed >= 7",
            "diagnosis only, never resale",
        )
    ]
    words = shown(table("demo", heads, rows), 80).split()
    for whole in ("circulation", "VERDICT", "prospective", "secondary:", "diagnosis"):
        assert whole in words
