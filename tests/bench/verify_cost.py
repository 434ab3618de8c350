"""What verifying costs beside the bare hashing and signature checks of the same bytes, in one run;
and how long one inclusion proof takes in a long log.

Run: python -m tests.bench.verify_cost. Not a test: it prints medians and ratios. The bare side has all
bytes in memory and does nothing but one SHA-256 and one Ed25519 check a record and one SHA-256 a
trace; ours reads the store, and checks chain, columns, log and heads besides.
"""

from __future__ import annotations

import argparse
import hashlib
import random
import statistics
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from sqlalchemy import select

from results import appending, checking, log, merkle, trace
from results.signing import in_force
from results.store import Store
from results.tables import RECORDS, TRACES
from tests.bench.ratios import ratio
from tests.rig.kept import closing

BENCH = "b1"
ROWS = 300  # readings of one attempt, three columns
AT_ONCE = 20_000


def filled(home: Path, attempts: int) -> None:
    """Attempts as large as real ones, each with readings of its own; one commit for all."""
    draw = random.Random(1)
    with Store.open(home, simulated=True) as store, store._writing() as connection:
        for _ in range(attempts):
            body = {"part": "", "family": "bench proof"}
            what = appending.given("opening", BENCH, body, None, None)
            opening = appending.insert(connection, what, store.keyring)
            columns = {
                name: [draw.randrange(-500, 2500) for _ in range(ROWS)]
                for name in ("leakage_ua", "second_ua", "supply_mv")
            }
            ended = {**closing("pass"), "opening": opening.number}
            what = appending.given("closing", BENCH, ended, trace.encode(columns), None)
            appending.insert(connection, what, store.keyring)


def bytes_of(store: Store) -> tuple[Ed25519PublicKey, list[tuple[bytes, bytes]], list[bytes]]:
    """(key, records with signatures, traces): what the bare side checks."""
    with store._reading() as connection:
        key = in_force(connection, BENCH)
        assert key is not None
        found = connection.execute(select(RECORDS.c.json, RECORDS.c.signature)).all()
        traces = [bytes(blob) for blob in connection.execute(select(TRACES.c.bytes)).scalars()]
    records = [(row.json.encode(), bytes.fromhex(row.signature)) for row in found]
    return Ed25519PublicKey.from_public_bytes(key.public), records, traces


def bare_s(
    key: Ed25519PublicKey, records: Sequence[tuple[bytes, bytes]], traces: Sequence[bytes]
) -> float:
    """Seconds for the hashes and signatures alone."""
    start_s = time.perf_counter()
    for raw, signature in records:
        hashlib.sha256(raw).hexdigest()
        key.verify(signature, raw)
    for blob in traces:
        hashlib.sha256(blob).hexdigest()
    return time.perf_counter() - start_s


def walked_s(store: Store) -> float:
    """Seconds for the whole walk along the chain, which must find nothing."""
    start_s = time.perf_counter()
    with store._reading() as connection:
        found = checking.walk(connection, BENCH)
    assert found.problems == (), found.problems[:3]
    return time.perf_counter() - start_s


def pairs(home: Path, rounds: int) -> tuple[int, list[tuple[float, float]]]:
    """How many records, and (ours, bare) by turns; the first one fills the caches."""
    with Store.open(home) as store:
        bare = bytes_of(store)
        found = [(walked_s(store), bare_s(*bare)) for _ in range(rounds + 1)]
    return len(bare[1]), found[1:]


# ---- proofs in a long log ------------------------------------------------------------------------


def leaves(size: int) -> Iterator[dict[str, object]]:
    """Rows of a long log: nothing in them but what proofs are made of."""
    nodes: dict[merkle.Node, bytes] = {}
    for index in range(size):
        done = merkle.completed(index, merkle.leaf_hash(b"%d" % index), nodes)
        for used in merkle.neighbours(index):
            del nodes[used]
        nodes[len(done) - 1, index >> (len(done) - 1)] = done[-1]
        kept = {"id": index + 1, "number": index + 1, "bench": BENCH, "seq": index + 1}
        yield {**kept, "kind": "x", "at_ms": 1, "sha256": "", "json": "", "nodes": b"".join(done)}


def long_log(store: Store, size: int) -> None:
    """A log of ``size`` leaves."""
    some: list[dict[str, object]] = []
    with store._writing() as connection:
        for row in leaves(size):
            some.append(row)
            if len(some) == AT_ONCE or row["seq"] == size:
                connection.execute(RECORDS.insert(), some)
                some = []


def proofs_ms(store: Store, size: int, count: int) -> list[float]:
    """Milliseconds of single proofs at drawn places; each must lead to the root."""
    draw, found = random.Random(2), []
    with store._reading() as connection:
        root = log.root_of(connection, BENCH, size)
        for _ in range(count):
            seq = draw.randint(1, size)
            start_s = time.perf_counter()
            path = log.inclusion(connection, BENCH, seq, size)
            found.append(1e3 * (time.perf_counter() - start_s))
            leaf = merkle.leaf_hash(b"%d" % (seq - 1))
            assert merkle.root_by(leaf, seq - 1, size, path) == root
    return found


def main(argv: Sequence[str] | None = None) -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--attempts", type=int, default=2500)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--leaves", type=int, default=1_000_000)
    parser.add_argument("--proofs", type=int, default=500)
    given = parser.parse_args(argv)
    with tempfile.TemporaryDirectory(prefix="milliproof-bench-") as place:
        filled(Path(place), given.attempts)
        count, found = pairs(Path(place), given.rounds)
        ours, bare = (statistics.median(side) / count * 1e6 for side in zip(*found, strict=True))
    print(f"{count} records, {given.rounds} rounds; bound 1.5")
    print(f"{'verify':<22}{'us a record':>14}{'bare us':>12}{'ratio':>8}")
    print(f"{'whole chain':<22}{ours:>14.1f}{bare:>12.1f}{ratio(found):>8.2f}")
    with tempfile.TemporaryDirectory() as place, Store.open(Path(place)) as store:
        long_log(store, given.leaves)
        taken = proofs_ms(store, given.leaves, given.proofs)
    half, most = statistics.median(taken), statistics.quantiles(taken, n=20)[-1]
    print(f"a proof among {given.leaves}, ms: median {half:.3f}, 95 % below {most:.3f}; bound 1")


if __name__ == "__main__":
    main()
