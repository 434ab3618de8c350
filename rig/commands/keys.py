"""milliproof keys: which keys sign here, the next one, and the passphrase that locks them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.options import Words, with_home, with_json
from rig.commands.output import emit, say, show_table
from rig.errors import Exit

if TYPE_CHECKING:
    from collections.abc import Callable

    from results.record import Record
    from results.store import Store

ROTATE_EPILOG = """\b
Examples:
  milliproof keys rotate shop --by "R. Tarn" --reason "yearly"

\b
The old key signs the record that announces the new one; then its private half is destroyed. Whoever
trusts the old fingerprint goes on to trust what the new key signs. Tell people the new one all the same.
Exit codes: 0 done, 2 wrong use, or the key can't be used."""
REPLACE_EPILOG = """\b
Examples:
  milliproof keys replace bench-7 --by "R. Tarn" --reason "disk of the bench computer died, no copy"

\b
For a key that is lost. Nothing vouches for the new one but the name and the words given here, and each
verify says so: whoever trusts the old fingerprint has to be told the new one by the shop itself.
Exit codes: 0 done, 2 wrong use, or the key is here after all."""
LOCK_EPILOG = """\b
Examples:
  milliproof keys lock
  MILLIPROOF_PASSPHRASE=... milliproof keys lock       (for keys that are not locked yet)

\b
From then on MILLIPROOF_PASSPHRASE has to be set where records are made, or each command asks in its
terminal. With MILLIPROOF_PASSPHRASE set, new keys are locked from the start. A forgotten passphrase
is a lost key: milliproof keys replace.
Exit codes: 0 done, 2 wrong use, or a key can't be used."""
LIST_EPILOG = """\b
Examples:
  milliproof keys list
  milliproof keys list --json       (with each public key as openssl reads it)

\b
A fingerprint is the SHA-256 of the public key in DER: give it to people by another way than a bundle.
Private keys are in the home's directory keys (or MILLIPROOF_KEYS), readable by their owner alone. Keep
a copy where the bench computer is not. backup does not hold them.
Exit codes: 0 listed, 2 the home can't be read."""


def _rows(store: Store) -> list[dict[str, Any]]:
    """All keys of all chains, oldest first."""
    from results import signing

    with store._reading() as connection:
        by_chain = {bench: signing.keys_of(connection, bench) for bench in store.benches()}
    return [
        _row(store, bench, key, in_force=key is found[-1])
        for bench, found in by_chain.items()
        for key in found
    ]


def _row(store: Store, bench: str, key: Any, in_force: bool) -> dict[str, Any]:
    from results.keys import pem

    here = store.keyring.has(bench, key.mark)
    return {
        "chain": bench,
        "fingerprint": key.mark,
        "from_record": key.since,
        "in_force": in_force,
        "private_here": here,
        "locked": store.keyring.locked(bench, key.mark) if here else None,
        "file": str(store.keyring.path(bench, key.mark)) if here else None,
        "pem": pem(key.public).decode(),
    }


def _private(row: dict[str, Any]) -> str:
    if not row["private_here"]:
        return "not here" if row["in_force"] else "destroyed"
    return "here, locked" if row["locked"] else "here"


@click.command(name="list", epilog=LIST_EPILOG)
@with_home
@with_json
def listing(home: Path | None, as_json: bool) -> Exit:
    """List the keys of each chain with their fingerprints."""
    from rig.shop import open_store

    with open_store(home) as store:
        rows = _rows(store)
    if as_json:
        emit({"keys": rows})
    elif rows:
        heads = ("chain", "fingerprint", "from record", "private half")
        cells = [(r["chain"], r["fingerprint"], str(r["from_record"]), _private(r)) for r in rows]
        show_table("Keys", heads, cells)
    else:
        say("no keys yet: the first record makes one")
    return Exit.DONE


def _changing(command: Any) -> Any:
    for option in (
        with_json,
        with_home,
        click.option("--reason", required=True, type=Words(500), help="Why."),
        click.option("--by", required=True, type=Words(80), help="Who answers for it."),
        click.argument("chain", type=Words(500)),
    ):
        command = option(command)
    return command


def _changed(
    act: Callable[[Store, str, str, str], Record],
    chain: str,
    by: str,
    reason: str,
    home: Path | None,
    as_json: bool,
) -> Exit:
    from rig.shop import open_store

    with open_store(home) as store:
        record = act(store, chain, by, reason)
    mark = record.body["fingerprint"]
    if as_json:
        emit({"chain": record.bench, "record": record.number, "fingerprint": mark})
    else:
        click.echo(mark)
    say(f"{record.bench} signs with a new key from now on, on record {record.number}")
    return Exit.DONE


@click.command(epilog=ROTATE_EPILOG)
@_changing
def rotate(chain: str, by: str, reason: str, home: Path | None, as_json: bool) -> Exit:
    """Go on with a new key; the old one vouches for it."""
    from results.rekeying import rotate as act

    return _changed(act, chain, by, reason, home, as_json)


@click.command(epilog=REPLACE_EPILOG)
@_changing
def replace(chain: str, by: str, reason: str, home: Path | None, as_json: bool) -> Exit:
    """Go on with a new key because the old one is lost."""
    from results.rekeying import replace as act

    return _changed(act, chain, by, reason, home, as_json)


def _new_passphrase(again: bool) -> bytes:
    """From the variable, else asked twice; ``again``: the variable holds the one until now."""
    import os

    from results.keys import PASSPHRASE_VARIABLE

    given = "" if again else os.environ.get(PASSPHRASE_VARIABLE)
    if not given:
        words = "New passphrase"
        given = click.prompt(words, hide_input=True, confirmation_prompt=True, err=True)
    return str(given).encode()


@click.command(epilog=LOCK_EPILOG)
@with_home
@with_json
def lock(home: Path | None, as_json: bool) -> Exit:
    """Lock the private keys here by a passphrase, or by another one."""
    from rig.shop import open_store

    with open_store(home) as store:
        rows = [row for row in _rows(store) if row["private_here"]]
        for row in rows:  # opened first, so that a wrong passphrase changes nothing
            store.keyring.load(row["chain"], row["fingerprint"])
        secret = _new_passphrase(any(row["locked"] for row in rows)) if rows else b""
        for row in rows:
            store.keyring.lock(row["chain"], row["fingerprint"], secret)
    if as_json:
        emit({"locked": [row["fingerprint"] for row in rows]})
    say(f"{len(rows)} private keys are locked by the passphrase")
    return Exit.DONE
