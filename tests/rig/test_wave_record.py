"""A waveform from a capture to the record's integers and to the screen."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rfc8785

from procedures.networks import NETWORKS
from procedures.scan import Condition, Waveforms
from procedures.wave_context import RMS_ONLY, Circumstances, WaveContext, context
from rig.commands import show_waves
from rig.outcome_record import condition_body
from rig.wave_record import wave_body
from tests.rig.kept import attempted, closing

T = math.tau * 60.0 * np.arange(1720) / 7680.0


def captured() -> WaveContext:
    """0.5 mA in phase with 0.1 mA third harmonic and 0.2 mA DC, at 120 V."""
    leakage = math.sqrt(2.0) * (0.5 * np.sin(T) + 0.1 * np.sin(3 * T)) + 0.2
    samples = {"leakage_ma": leakage, "supply_v": 120.0 * math.sqrt(2.0) * np.sin(T)}
    found = context(
        Waveforms(samples, 7680.0, 0.0), Circumstances(60.0, 60.0, (0.0, 0.0), 1.0, 0.01)
    )
    assert found is not None
    return found


CONDITION = Condition(
    "warm", "line_neutral", "measured", 0.5, 0.02, 0.5, 0.0, 0.2, None, 120.0, 30, 0.0, 10.0
)


def body(wave: WaveContext | None, words: str = "") -> Any:
    made = condition_body(replace(CONDITION, wave=wave, wave_words=words))
    return json.loads(rfc8785.dumps(made))  # nothing in it that a record refuses


def test_currents_are_integers_of_nanoamperes() -> None:
    wave = body(captured())["wave"]
    assert wave["resistive_na"] == pytest.approx(500_000, abs=5)
    assert wave["capacitive_na"] == pytest.approx(0, abs=5)
    assert wave["dc_na"] == pytest.approx(200_000, abs=5)
    assert wave["groups_na"][2] == pytest.approx(100_000, abs=5)
    assert wave["rms_na"] == pytest.approx(1e6 * math.sqrt(0.3), abs=5)
    assert wave["frequency_millihertz"] == 60_000
    assert (wave["cycles"], wave["scaled"], wave["arcs"]) == (12, True, False)
    assert len(wave["groups_na"]) == len(wave["subgroups_na"]) == 40
    assert set(wave["networks_na"]) == {network.name for network in NETWORKS}
    assert wave["networks_na"]["unweighted"] == wave["rms_na"]
    assert wave["networks_na"]["let_go"] < wave["networks_na"]["perception"] < wave["rms_na"]


def test_without_a_phase_its_parts_are_missing_and_never_zero() -> None:
    wave = wave_body(replace(captured(), resistive_ma=None, capacitive_ma=None))
    assert wave is not None
    assert (wave["resistive_na"], wave["capacitive_na"]) == (None, None)
    row = next(show_waves.wave_rows([{"name": "warm", "wave": wave, "wave_words": "no phase"}]))
    assert row[3:5] == ("--", "--")


def test_the_screen_shows_each_network_but_the_unweighted_which_is_the_rms() -> None:
    assert set(show_waves.NETWORKS) == {network.name for network in NETWORKS} - {"unweighted"}
    row = next(show_waves.wave_rows([body(captured())]))
    shown = dict(zip(show_waves.HEADS, row, strict=True))
    assert (shown["in phase"], shown["DC"], shown["h3"]) == ("0.500", "0.200", "0.100")
    assert shown["r.m.s."] == f"{math.sqrt(0.3):.3f}"


def test_why_there_is_none_is_said_once() -> None:
    without = [{**body(None, RMS_ONLY), "name": name} for name in ("limited", "warm")]
    assert list(show_waves.wave_missing(without)) == [f"Waveform, limited, warm: {RMS_ONLY}"]
    old = [{"name": "warm"}]  # a record from before there were waveforms
    assert not list(show_waves.wave_rows(old))
    assert not list(show_waves.wave_missing(old))


def test_show_prints_it(cli: Any, tmp_path: Path) -> None:
    from results.store import Store

    opening, old = attempted(tmp_path / "home", "fail", simulated=True)
    assert show_waves.TITLE not in cli("show", old).out
    kept = closing("fail")
    kept["conditions"] = [{**kept["conditions"][0], **body(captured(), "arcs: not scaled")}]
    kept["conditions"].append({**body(None, RMS_ONLY), "name": "cold"})
    with Store.open(tmp_path / "home", simulated=True) as store:
        of = {"part": store.get(opening).body["part"], "family": "heater"}
        again = store.append("opening", "bench-1", of).number
        closed = store.append("closing", "bench-1", {**kept, "opening": again}).number
    shown = cli("show", closed).out
    for words in (show_waves.TITLE, "arcs: not scaled", "0.100", f"Waveform, cold: {RMS_ONLY}"):
        assert words in shown
