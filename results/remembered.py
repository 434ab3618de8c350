"""The newest head of each chain, kept beside the keys and apart from the records.

Records cut from a chain's end leave no mark in the store. So whoever appended leaves a head here when
it closes the store, and ``verify`` holds the records to it. It may be older than the newest record; it
is never newer. One that the log no longer agrees with stays, until a person has looked.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

from sqlalchemy import Connection

from results import log
from results.errors import BadRecord, ResultsError, disk_trouble
from results.keys import Keyring
from results.log import SignedHead, head_from
from results.signing import keys_of

MOST_BYTES = 4096


def renew(connection: Connection, keyring: Keyring, chain: str) -> None:
    """Leave the head as it is now, unless the one that is there speaks of another log."""
    path = _path(connection, keyring, chain)
    now = log.signed(keyring, log.head_of(connection, chain))
    before = _read(path)
    if before is not None and not _follows(connection, before, now):
        return
    body = {"head": now.head.json.decode(), "signature": now.signature.hex()}
    fresh = path.with_suffix(f".{os.getpid()}.new")
    try:
        fresh.write_text(json.dumps(body), "utf-8")
        fresh.replace(path)
    except OSError as fault:
        raise disk_trouble(str(path), fault) from fault


def remembered(connection: Connection, keyring: Keyring, chain: str) -> SignedHead | None:
    """The head that is kept for a chain; None when there is none. Raises BadRecord when damaged."""
    if not keys_of(connection, chain):
        return None
    return _read(_path(connection, keyring, chain))


def _follows(connection: Connection, before: SignedHead, now: SignedHead) -> bool:
    old = before.head
    if old.size > now.head.size:
        return False
    return log.root_of(connection, old.bench, old.size).hex() == old.root


def _path(connection: Connection, keyring: Keyring, chain: str) -> Path:
    """Named by the chain's first key too: two homes may keep their keys in one place."""
    first = keys_of(connection, chain)[0]
    return keyring.path(chain, first.mark).with_suffix(".head")


def _read(path: Path) -> SignedHead | None:
    try:
        with path.open("rb") as file:
            body = json.loads(file.read(MOST_BYTES))
        return SignedHead(head_from(body["head"].encode()), bytes.fromhex(body["signature"]))
    except FileNotFoundError:
        return None
    except OSError as fault:
        raise disk_trouble(str(path), fault) from fault
    except (ValueError, KeyError, TypeError, AttributeError, ResultsError) as fault:
        raise BadRecord(str(path), f"is no head: {fault}", "keep it, it may be proof") from fault
