"""Registering a part: the record's body, whether it was here before, and what happened to it then."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from procedures.scan import Part
from results.custody import Standing
from results.record import Record
from results.store import Store
from rig.proving import counted
from rig.recording import SHOP, part_to_body, whole

Body = dict[str, Any]
# what stays true of a part that comes in again, unless it is told anew
CARRIED = ("model", "date_code", "source", "owner", "installed")
# story number: (its key in a body, how many of the body's units make one)
AMOUNTS: Mapping[str, tuple[str, int]] = {
    "water_ph": ("water_ph_hundredths", 100),
    "water_us_cm": ("water_conductivity_us_cm", 1),
}
MOST_TOLD = 5


@dataclass(frozen=True, slots=True)
class Registered:
    """The intake record, and how the part stood before; None for a new one."""

    record: Record
    before: Standing | None
    attempts: int  # that count
    recalls: tuple[Record, ...]


def seen_before(store: Store, family: str | None, serial: str) -> Standing | None:
    """How the part with this serial number stands, whatever the number's case; of the same family,
    where one is given."""
    for one in store.by_serial(serial) if serial.strip() else ():
        if family in (None, one.body["family"]):
            return store.standing(str(one.body["part"]))
    return None


def register(
    store: Store, part: Part, story: Mapping[str, Any], photos: Sequence[Body] = ()
) -> Registered:
    """Store the intake; a serial number that was here before keeps its part number.

    ``photos``: as ``results.photos.keep`` tells them."""
    before = seen_before(store, part.family, part.serial)
    body = {**part_to_body(part), **story_body(story)}
    if before is not None:
        was = before.intake.body
        body |= {name: was[name] for name in CARRIED if was.get(name) and not body.get(name)}
        body |= {"part": before.part, "amends": before.intake.number}
    record = store.append("intake", SHOP, {**body, **({"photos": list(photos)} if photos else {})})
    number = str(record.body["part"])
    count = counted(store, number) if before else 0
    return Registered(record, before, count, tuple(store.standing(number).recalls))


def story_body(story: Mapping[str, Any]) -> Body:
    """What was told besides the plate; what was not is left out, never 0."""
    body: Body = {}
    for name, value in story.items():
        if value in (None, "", (), []):
            continue
        key, per_one = AMOUNTS.get(name, (name, None))
        body[key] = whole(value, per_one, name) if per_one else value
    return body


def happened(part: Standing) -> Iterator[str]:
    """What became of it, newest first, in lines for a screen."""
    for one in part.attempts[:MOST_TOLD]:
        verdict = {"none": "no verdict", None: "still open"}.get(one.verdict, one.verdict)
        yield f"{one.closing or one.number}: {verdict}: {one.reason or 'no closing record yet'}"
    if len(part.attempts) > MOST_TOLD:
        yield f"and {len(part.attempts) - MOST_TOLD} attempts before: milliproof history"
    yield from _decided(part)


def _decided(part: Standing) -> Iterator[str]:
    for one in part.of("sale")[:1]:
        yield f"{one.number}: sold to {one.body['buyer']}"
    for one in part.of("disposition")[:1]:
        yield f"{one.number}: decided: {one.body['what']}, by {one.body['by']}"
    for one in part.quarantines:
        yield f"{one.number}: in quarantine, recheck by {one.body['recheck']}: {one.body['reason']}"


def recalled(recalls: tuple[Record, ...] | list[Record]) -> Iterator[str]:
    """Each recall that it falls under, in words."""
    for one in recalls:
        yield f"RECALLED ({one.number}): {one.body['reason']}; it can't be resold"
