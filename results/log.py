"""Each chain as a log with proofs: RFC 6962 over the records' canonical bytes.

Record ``seq`` of a chain is leaf ``seq - 1``, and its row keeps the nodes that it completes (its own
hash, then those above it that it is the last leaf of), 32 bytes each. So any root and any proof takes
some forty rows by their index, however long the log.

A *head* says how long a log was and what its root: whoever has one can hold the bench to it ever
after. It follows from the records and the key alone; the same log gives the same head. Heads that were
given away are kept in ``heads``. Its bytes are RFC 8785 JSON with these members::

    at_ms        when its newest record was made, UTC in ms
    bench        whose log
    head         1, the version of this form
    key          fingerprint of the key that signs it
    last         SHA-256 of its newest record
    root         RFC 6962 root, 64 hexadecimal digits
    signed_from  the first record that is signed; those before it are older than signing
    size         number of records
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass

from sqlalchemy import Connection, bindparam, func, select

from results import merkle
from results.errors import BadRecord, ChainBroken, NotFound
from results.keys import Keyring
from results.merkle import HASH, Node
from results.record import canonical
from results.signing import in_force, keys_of
from results.tables import HEADS, RECORDS

R, H = RECORDS.c, HEADS.c
FORM = 1
MEMBERS = {
    "at_ms": int,
    "bench": str,
    "head": int,
    "key": str,
    "last": str,
    "root": str,
    "signed_from": int,
    "size": int,
}


@dataclass(frozen=True, slots=True)
class Head:
    """See the members above."""

    at_ms: int
    bench: str
    key: str
    last: str
    root: str
    signed_from: int
    size: int
    head: int = FORM

    @property
    def json(self) -> bytes:
        """The bytes that are signed."""
        return canonical(asdict(self))


@dataclass(frozen=True, slots=True)
class SignedHead:
    """A head and the 64 bytes of its signature."""

    head: Head
    signature: bytes


@dataclass(frozen=True, slots=True)
class GivenHead:
    """A head that somebody has, with the fingerprint of its log's first key: names of benches repeat
    from shop to shop, logs with the same first key don't."""

    first: str
    signed: SignedHead

    @property
    def head(self) -> Head:
        return self.signed.head


def head_from(raw: bytes) -> Head:
    """A head from its bytes. Raises BadRecord unless they are exactly as ``Head.json`` writes them."""
    try:
        members = json.loads(raw)
        if {name: type(value) for name, value in members.items()} != MEMBERS:
            raise ValueError("members missing, added or of another type")
        head = Head(**members)
        if head.json != raw or head.head != FORM:
            raise ValueError("not in the form that this program writes")
    except (ValueError, AttributeError, RecursionError) as fault:
        raise BadRecord("head", f"is none: {fault}") from fault
    return head


# made once: each append asks it
_NODES = select(R.seq, R.nodes).where(
    R.bench == bindparam("chain"), R.seq.in_(bindparam("places", expanding=True))
)


# ---- nodes ---------------------------------------------------------------------------------------


def row_nodes(connection: Connection, chain: str, seq: int, raw: bytes) -> bytes:
    """What the row of record ``seq``, about to be stored, must keep."""
    index = seq - 1
    left = nodes(connection, chain, merkle.neighbours(index))
    return b"".join(merkle.completed(index, merkle.leaf_hash(raw), left))


def nodes(connection: Connection, chain: str, wanted: Iterable[Node]) -> dict[Node, bytes]:
    """Kept nodes, in one question. Raises ChainBroken where one is missing."""
    rows = {one: (one[1] + 1) << one[0] for one in wanted}  # the last leaf that a node covers
    if not rows:
        return {}
    asked = {"chain": chain, "places": sorted(set(rows.values()))}
    kept = {seq: held or b"" for seq, held in connection.execute(_NODES, asked)}
    found = {one: _cut(kept.get(seq, b""), one[0]) for one, seq in rows.items()}
    for one, part in found.items():
        if len(part) != HASH:
            raise ChainBroken(f"log of {chain}", f"record {rows[one]} lacks its hashes")
    return found


def _cut(kept: bytes, level: int) -> bytes:
    return kept[HASH * level : HASH * (level + 1)]


def hashes(connection: Connection, chain: str, spans: Sequence[merkle.Span]) -> list[bytes]:
    """The hashes over some spans of a log."""
    kept = nodes(connection, chain, merkle.needed_for(spans))
    return [merkle.hash_of(span, kept) for span in spans]


# ---- roots and proofs ----------------------------------------------------------------------------


def size_of(connection: Connection, chain: str) -> int:
    """How many records a chain has."""
    return int(connection.execute(select(func.max(R.seq)).where(R.bench == chain)).scalar() or 0)


def root_of(connection: Connection, chain: str, size: int) -> bytes:
    """RFC 6962 2.1: the root over the first ``size`` records."""
    return hashes(connection, chain, [(0, size)])[0]


def inclusion(connection: Connection, chain: str, seq: int, size: int) -> list[bytes]:
    """RFC 6962 2.1.1: the proof that record ``seq`` is in the log of ``size``. Raises NotFound."""
    try:
        spans = merkle.inclusion_spans(seq - 1, size)
    except ValueError as fault:
        raise NotFound(f"record {seq} of {chain}", "is not in a log that long") from fault
    return hashes(connection, chain, spans)


def consistency(connection: Connection, chain: str, old: int, new: int) -> list[bytes]:
    """RFC 6962 2.1.2: the proof that the log of ``new`` begins with that of ``old``. Raises NotFound."""
    try:
        spans = merkle.consistency_spans(old, new)
    except ValueError as fault:
        raise NotFound(f"log of {chain}", f"never had {old} and then {new} records") from fault
    return hashes(connection, chain, spans)


# ---- heads ---------------------------------------------------------------------------------------


def head_of(connection: Connection, chain: str, size: int | None = None) -> Head:
    """The head over the first ``size`` records (None: all), for the key in force. Raises NotFound."""
    count = size_of(connection, chain) if size is None else size
    query = select(R.sha256, R.at_ms).where(R.bench == chain, R.seq == count)
    newest = connection.execute(query).first()
    key = in_force(connection, chain)
    if newest is None or key is None:
        raise NotFound(f"log of {chain!r}", "has nothing signed", "the next record begins it")
    return Head(
        at_ms=newest.at_ms,
        bench=chain,
        key=key.mark,
        last=newest.sha256,
        root=root_of(connection, chain, count).hex(),
        signed_from=keys_of(connection, chain)[0].since,
        size=count,
    )


def signed(keyring: Keyring, head: Head) -> SignedHead:
    """A head with its signature. Raises KeyUnusable."""
    return SignedHead(head, keyring.load(head.bench, head.key).sign(head.json))


def issue(connection: Connection, keyring: Keyring, chain: str) -> SignedHead:
    """The head of the whole log as it is, kept as one that was given away."""
    for known in issued(connection, chain, size_of(connection, chain)):
        return known
    fresh = signed(keyring, head_of(connection, chain))
    values = {"bench": chain, "size": fresh.head.size, "signature": fresh.signature.hex()}
    connection.execute(HEADS.insert().values({**values, "json": fresh.head.json.decode()}))
    return fresh


def issued(connection: Connection, chain: str, size: int | None = None) -> list[SignedHead]:
    """Heads that were given away, newest first; those of one size, or all. Raises BadRecord."""
    query = select(H.json, H.signature).where(H.bench == chain).order_by(H.size.desc())
    if size is not None:
        query = query.where(H.size == size)
    rows = connection.execute(query).all()
    return [_issued(row.json, row.signature) for row in rows]


def _issued(text: str, signature: str) -> SignedHead:
    try:
        return SignedHead(head_from(text.encode()), bytes.fromhex(signature))
    except (AttributeError, TypeError, ValueError) as fault:
        raise BadRecord("head", f"is none: {fault}") from fault
