"""Who has approved which limit: by set, name and version, for the value that it had then.

An approval without a set is from before there were sets: it lists the values that were approved, by
family, and goes on holding for a limit of that name, version and value.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from procedures.limits import EVERY, Limit, needs_approval
from rig.outcome_record import millionths
from rig.recording import SHOP

if TYPE_CHECKING:
    from results.record import Record
    from results.store import Store

KIND = "limit_approval"


def approvals(store: Store) -> list[Record]:
    """Every approval on record, newest first."""
    return store.every(KIND)


def approval_of(records: Sequence[Record], limit: Limit) -> Record | None:
    """The newest approval that holds for this limit as it is now; None: nobody has approved it."""
    return next((one for one in records if _holds(one.body, limit)), None)


def unapproved(store: Store, limits: Iterable[Limit]) -> list[Limit]:
    """Those that may not decide on a real bench yet."""
    records = approvals(store)
    return [
        limit for limit in limits if needs_approval(limit) and approval_of(records, limit) is None
    ]


def approve(store: Store, limit: Limit, by: str) -> Record:
    """Record that ``by`` approves this limit with its value, source and mark."""
    body = {
        "set": limit.set,
        "name": limit.name,
        "version": limit.version,
        "by": by,
        "value_millionths": millionths(limit.value),
        "unit": limit.unit,
        "source": limit.source,
        "mark": limit.mark,
    }
    return store.append(KIND, SHOP, body)


def approvals_body(store: Store, limits: Iterable[Limit]) -> list[dict[str, Any]]:
    """For an opening record: which approvals the limits of this attempt stand on."""
    records = approvals(store)
    found = [(limit, approval_of(records, limit)) for limit in limits if needs_approval(limit)]
    return [
        {"limit": limit.key, "by": one.body["by"], "record": one.number}
        for limit, one in found
        if one is not None
    ]


def _holds(body: Mapping[str, Any], limit: Limit) -> bool:
    if (body["name"], body["version"]) != (limit.name, limit.version):
        return False
    value = millionths(limit.value)
    if "set" in body:
        return bool(body["set"] == limit.set and body.get("value_millionths") == value)
    listed = body.get("values", ())
    families = (EVERY, limit.set)
    return any(v["family"] in families and v["value_millionths"] == value for v in listed)
