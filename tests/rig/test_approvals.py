"""An approval holds for one set, name, version and value; older ones go on holding for what they list."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from procedures.limits import limits_for
from procedures.scan import Part
from results.store import Store
from rig.approvals import approval_of, approvals, approvals_body, approve, unapproved

HEATER, PUMP = Part("P", "heater"), Part("P", "pump")
SOAK = limits_for("heater", HEATER)["soak_min_s"]
PUMP_SOAK = limits_for("pump", PUMP)["soak_min_s"]
PASS = limits_for("heater", HEATER)["pass_ma"]
BOND = limits_for("heater", HEATER)["bond_ohm"]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path) as opened:
        yield opened


def test_an_approval_is_of_one_family_only(store: Store) -> None:
    record = approve(store, SOAK, "R. Tarn")
    held = approvals(store)
    found = approval_of(held, SOAK)
    assert found is not None
    assert found.number == record.number
    assert approval_of(held, PUMP_SOAK) is None
    assert unapproved(store, (SOAK, PUMP_SOAK, BOND)) == [PUMP_SOAK]
    assert approvals_body(store, (SOAK, PUMP_SOAK, BOND)) == [
        {"limit": "heater.soak_min_s", "by": "R. Tarn", "record": record.number}
    ]


@pytest.mark.parametrize("change", [{"version": "2027.1"}, {"value": 60.0}, {"set": "pump"}])
def test_another_version_value_or_set_wants_another_name(
    store: Store, change: dict[str, Any]
) -> None:
    approve(store, SOAK, "R. Tarn")
    assert unapproved(store, [replace(SOAK, **change)])


def _older(store: Store, limit: Any, family: str, millionths: int) -> None:
    listed = {"family": family, "value_millionths": millionths, "unit": limit.unit, "mark": "P"}
    body = {"name": limit.name, "version": limit.version, "by": "R. Tarn", "values": [listed]}
    store.append("limit_approval", "shop", body)


def test_an_older_approval_holds_for_the_values_that_it_lists(store: Store) -> None:
    _older(store, SOAK, "heater", 720_000_000)
    _older(store, PASS, "every family", 750_000)
    assert unapproved(store, (SOAK, PASS)) == []
    assert unapproved(store, [PUMP_SOAK]) == [PUMP_SOAK]


def test_an_older_approval_of_another_value_or_of_none_is_no_approval(store: Store) -> None:
    _older(store, PASS, "every family", 900_000)
    body = {"name": PASS.name, "version": PASS.version, "by": "someone"}
    store.append("limit_approval", "shop", body)
    assert unapproved(store, [PASS]) == [PASS]


def test_a_newer_one_for_another_set_hides_nothing(store: Store) -> None:
    approve(store, SOAK, "R. Tarn")
    approve(store, PUMP_SOAK, "S. Otter")
    assert unapproved(store, (SOAK, PUMP_SOAK)) == []
