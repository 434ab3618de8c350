"""The six answers about a whole store: every chain in it from its first record to its newest."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from typing import TYPE_CHECKING

from sqlalchemy import Connection

from results import checking, remembered
from results.answers import Answer, answered
from results.checking import Walked
from results.errors import ResultsError
from results.judged import vouched
from results.keys import Keyring
from results.log import GivenHead, SignedHead
from results.verify import Problem, numbering_problems

if TYPE_CHECKING:
    from results.store import Store


def home_answers(
    store: Store, trusted: Collection[str] = (), others: Sequence[GivenHead] = ()
) -> list[Answer]:
    """Walk all chains. ``trusted``: fingerprints; without any the keys in the home's own directory are
    the ones to go by. ``others``: heads that left the shop, which the logs must agree with."""
    problems, walks = list[Problem](), list[Walked]()
    benches = store.benches()
    for bench in benches:
        with store._reading() as connection:
            kept = _remembered(connection, store.keyring, bench, problems)
            heads = [one.signed for one in others if one.head.bench == bench]
            walks.append(checking.walk(connection, bench, [*kept, *heads]))
    with store._reading() as connection:
        problems += numbering_problems(connection)
    problems += [one for walk in walks for one in walk.problems]
    untold = dict(_untold(walks, store.keyring, trusted)) | dict(_elsewhere(benches, others))
    return answered(problems, _words(walks), untold)


def _remembered(
    connection: Connection, keyring: Keyring, bench: str, problems: list[Problem]
) -> list[SignedHead]:
    try:
        kept = remembered.remembered(connection, keyring, bench)
    except ResultsError as fault:
        problems.append(Problem(bench, str(fault), "heads"))
        return []
    return [kept] if kept else []


def _words(walks: Sequence[Walked]) -> dict[str, str]:
    records = sum(walk.size for walk in walks)
    unsigned = sum(walk.signed_from - 1 for walk in walks if walk.signed_from)
    early = f"; {unsigned} records are older than signing, the heads cover them" if unsigned else ""
    keys = ", ".join(f"{walk.bench}: {walk.keys[-1].mark}" for walk in walks if walk.keys)
    replaced = [number for walk in walks for number in walk.replaced]
    lost = f"; not vouched for by the key before: {', '.join(replaced)}" if replaced else ""
    return {
        "signature": f"{records - unsigned} of {records} records{early}",
        "whole": f"{records} records with their columns and readings",
        "key": f"this home's own ({keys or 'none yet'}){lost}",
        "log": f"{len(walks)} logs, each record at its place",
        "chain": f"{len(walks)} chains, no number missing",
        "heads": f"{sum(walk.heads for walk in walks)} heads, the logs begin with each of them",
    }


def _untold(
    walks: Sequence[Walked], keyring: Keyring, trusted: Collection[str]
) -> Iterator[tuple[str, str]]:
    bare = [walk.bench for walk in walks if not walk.keys]
    if bare:
        words = (
            f"can't be told: nothing is signed yet in {', '.join(bare)}; the next record will be"
        )
        yield "signature", words
    for walk in walks:
        if walk.keys and not _known(walk, keyring, trusted):
            mark = walk.keys[-1].mark
            words = f"key unknown to you: {mark} signed for {walk.bench}, and its private key is not here"
            yield "key", words


def _known(walk: Walked, keyring: Keyring, trusted: Collection[str]) -> bool:
    if trusted:
        return vouched(walk.keys, walk.lost, trusted)
    return keyring.has(walk.bench, walk.keys[-1].mark)


def _elsewhere(benches: Collection[str], others: Sequence[GivenHead]) -> Iterator[tuple[str, str]]:
    missing = sorted({one.head.bench for one in others} - set(benches))
    if missing:
        yield "heads", f"can't be told: no records of {', '.join(missing)} are here"
