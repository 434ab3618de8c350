"""The Merkle tree of RFC 6962 (the same in RFC 9162): hashes, roots, proofs. No storage, no I/O.

A tree of ``size`` leaves; leaf 0 is the first. A *node* ``(level, index)`` is the hash over the
``2**level`` leaves from ``index * 2**level`` on, all of them there: such a hash never changes again,
however the tree grows, so that it can be kept. All roots and proofs are made of kept nodes. Where
functions take ``nodes``, it holds those that ``needed_for_…`` names.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence

HASH = 32  # bytes of a SHA-256
Node = tuple[int, int]
Nodes = Mapping[Node, bytes]
Span = tuple[int, int]  # leaves from the first up to but without the second
EMPTY = hashlib.sha256().digest()


def leaf_hash(data: bytes) -> bytes:
    """RFC 6962 2.1: SHA-256 of a zero byte and the entry."""
    return hashlib.sha256(b"\x00" + data).digest()


def parent_hash(left: bytes, right: bytes) -> bytes:
    """RFC 6962 2.1: SHA-256 of a one byte and both children."""
    return hashlib.sha256(b"\x01" + left + right).digest()


def completed(index: int, leaf: bytes, nodes: Nodes) -> list[bytes]:
    """The nodes that leaf ``index`` completes, from its own (level 0) upwards.

    ``nodes``: the left neighbours named by ``neighbours``.
    """
    found = [leaf]
    for neighbour in neighbours(index):
        found.append(parent_hash(nodes[neighbour], found[-1]))
    return found


def neighbours(index: int) -> list[Node]:
    """Left siblings of the nodes that leaf ``index`` completes, from level 0 upwards."""
    found, level = list[Node](), 0
    while index & 1:
        found.append((level, index - 1))
        index, level = index >> 1, level + 1
    return found


# ---- spans: what may not be complete yet is folded from complete nodes ---------------------------


def subtrees(span: Span) -> list[Node]:
    """The largest complete nodes that a span of a tree splits into, from left to right."""
    first, end = span
    found = list[Node]()
    while first < end:
        level = (end - first).bit_length() - 1
        found.append((level, first >> level))
        first += 1 << level
    return found


def hash_of(span: Span, nodes: Nodes) -> bytes:
    """MTH of RFC 6962 2.1 over a span that begins where a subtree of its size may begin."""
    parts = [nodes[one] for one in subtrees(span)]
    if not parts:
        return EMPTY
    total = parts.pop()
    while parts:
        total = parent_hash(parts.pop(), total)
    return total


def _split(size: int) -> int:
    """The largest power of two below ``size`` (``size`` > 1)."""
    return 1 << (size - 1).bit_length() - 1


def inclusion_spans(index: int, size: int) -> list[Span]:
    """PATH of RFC 6962 2.1.1 as spans, in the order of the proof. ValueError outside of the tree."""
    if not 0 <= index < size:
        raise ValueError(f"leaf {index} is not in a tree of {size}")
    found, first, end = list[Span](), 0, size
    while end - first > 1:
        middle = first + _split(end - first)
        if index < middle:
            found.append((middle, end))
            end = middle
        else:
            found.append((first, middle))
            first = middle
    return found[::-1]


def consistency_spans(old: int, new: int) -> list[Span]:
    """PROOF of RFC 6962 2.1.2 as spans, in the order of the proof. ValueError unless 0 < old <= new."""
    if not 0 < old <= new:
        raise ValueError(f"no tree of {new} grows from one of {old}")
    found, first, end = list[Span](), 0, new
    while old < end:
        middle = first + _split(end - first)
        if old <= middle:
            found.append((middle, end))
            end = middle
        else:
            found.append((first, middle))
            first = middle
    if first:  # else the old tree is a whole subtree, and whoever checks has its root
        found.append((first, end))
    return found[::-1]


def needed_for(spans: Sequence[Span]) -> Iterator[Node]:
    """All nodes that ``hash_of`` each span takes."""
    for span in spans:
        yield from subtrees(span)


# ---- what a stranger does with a proof -----------------------------------------------------------


def turns(index: int, size: int) -> list[bool]:
    """For each hash of an inclusion proof: whether it stands on the left. RFC 9162 2.1.3.2."""
    return [first < index for first, _ in inclusion_spans(index, size)]


def root_by(leaf: bytes, index: int, size: int, path: Sequence[bytes]) -> bytes | None:
    """The root that an inclusion proof leads to; None when its length fits no such tree."""
    if not 0 <= index < size or len(path) != len(sides := turns(index, size)):
        return None
    for left, one in zip(sides, path, strict=True):
        leaf = parent_hash(one, leaf) if left else parent_hash(leaf, one)
    return leaf


def consistent(old: int, new: int, roots: tuple[bytes, bytes], proof: Sequence[bytes]) -> bool:
    """RFC 9162 2.1.4.2: whether a tree of ``new`` leaves has one of ``old`` at its beginning."""
    if not 0 < old <= new:
        return False
    if old == new:
        return not proof and roots[0] == roots[1]
    path = list(proof) if old & (old - 1) else [roots[0], *proof]
    if not path:
        return False
    return _folded(old - 1, new - 1, path) == roots


def _folded(old: int, new: int, path: Sequence[bytes]) -> tuple[bytes, bytes] | None:
    """(old root, new root) that a proof leads to, from the last leaves of both trees; None: too short
    or too long."""
    while old & 1:
        old, new = old >> 1, new >> 1
    first = second = path[0]
    for one in path[1:]:
        if not new:
            return None
        if old & 1 or old == new:
            first, second = parent_hash(one, first), parent_hash(one, second)
            while not old & 1 and old:
                old, new = old >> 1, new >> 1
        else:
            second = parent_hash(second, one)
        old, new = old >> 1, new >> 1
    return None if new else (first, second)
