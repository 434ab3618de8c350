"""A bench's right to energise, gathered: newest commissioning and fault drill; and given or refused."""

from __future__ import annotations

from importlib.metadata import version
from typing import TYPE_CHECKING

from rig.clock_set import refuse_unset
from rig.commissioned import Standing, lacks, refuse
from rig.home import read_drill

if TYPE_CHECKING:
    from rig.proving import Place

DRILL_ONLY = ("drill",)  # for commissioning itself, which energises too


def standing_of(place: Place) -> Standing:
    """What is known of this bench's right to energise."""
    record = place.store.newest("commissioning", place.bench.id)
    return Standing(
        virtual=place.ours.virtual,
        digest=place.bench.digest,
        version=version("milliproof"),
        drill=read_drill(),
        commissioning=None if record is None else record.body,
    )


def permit(place: Place) -> None:
    """Let the guard energise, or raise NotCommissioned with what is missing, or ClockNotSet."""
    refuse_unset(place.store, place.bench.id)
    refuse(place.bench.id, str(place.bench.path), lacks(standing_of(place)))
    place.ours.commissioned = True


def permit_commissioning(place: Place) -> None:
    """Raise NotCommissioned unless the fault drill stands, or ClockNotSet; the guard still knows the
    difference."""
    refuse_unset(place.store, place.bench.id)
    refuse(place.bench.id, str(place.bench.path), lacks(standing_of(place), DRILL_ONLY))
