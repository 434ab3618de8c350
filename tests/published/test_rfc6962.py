"""RFC 6962 (and 9162) Merkle trees against published values and the definitions of the RFC.

Source: the reference test constants of the project that maintains certificate logs' Merkle code
(leaf inputs and roots of sizes 0 to 8, hash of a leaf and of a node); the RFCs themselves print no
hashes. Proof prefixes: computed from these leaves and checked with an independent program.
"""

from __future__ import annotations

import hashlib
import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from results import merkle

LEAVES = [
    bytes.fromhex(text)
    for text in (
        "",
        "00",
        "10",
        "2021",
        "3031",
        "40414243",
        "5051525354555657",
        "606162636465666768696a6b6c6d6e6f",
    )
]
ROOTS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]
# (leaf, size): first 8 bytes of each hash of the proof; the third entry whole where it is a root above
INCLUSION = {
    (0, 8): ("96a296d2", "5f083f0a", "6b47aaf2"),
    (5, 8): ("bc1a0643", "ca854ea1", "d37ee418"),
    (2, 3): ("fac54203",),
}
CONSISTENCY = {
    (6, 8): ("0ebc5d34", "ca854ea1", "d37ee418"),
    (2, 5): ("5f083f0a", "bc1a0643"),
    (6, 7): ("0ebc5d34", "b08693ec", "d37ee418"),
}


def grown(leaves: list[bytes]) -> dict[merkle.Node, bytes]:
    """All kept nodes, appended leaf by leaf as the log does it."""
    nodes: dict[merkle.Node, bytes] = {}
    for index, data in enumerate(leaves):
        done = merkle.completed(index, merkle.leaf_hash(data), nodes)
        nodes.update({(level, index >> level): one for level, one in enumerate(done)})
    return nodes


def defined(leaves: list[bytes]) -> bytes:
    """MTH, word for word as RFC 6962 2.1 defines it."""
    if not leaves:
        return hashlib.sha256(b"").digest()
    if len(leaves) == 1:
        return hashlib.sha256(b"\x00" + leaves[0]).digest()
    k = 1
    while k * 2 < len(leaves):
        k *= 2
    return hashlib.sha256(b"\x01" + defined(leaves[:k]) + defined(leaves[k:])).digest()


def inclusion(index: int, size: int, nodes: merkle.Nodes) -> list[bytes]:
    return [merkle.hash_of(span, nodes) for span in merkle.inclusion_spans(index, size)]


def consistency(old: int, new: int, nodes: merkle.Nodes) -> list[bytes]:
    return [merkle.hash_of(span, nodes) for span in merkle.consistency_spans(old, new)]


@pytest.mark.parametrize("size", range(9))
def test_roots(size: int) -> None:
    nodes = grown(LEAVES)
    assert merkle.hash_of((0, size), nodes).hex() == ROOTS[size]
    assert defined(LEAVES[:size]).hex() == ROOTS[size]


def test_a_leaf_and_a_node() -> None:
    leaf = "395aa064aa4c29f7010acfe3f25db9485bbd4b91897b6ad7ad547639252b4d56"
    node = "aa217fe888e47007fa15edab33c2b492a722cb106c64667fc2b044444de66bbb"
    assert merkle.leaf_hash(b"L123456").hex() == leaf
    assert merkle.parent_hash(b"N123", b"N456").hex() == node


@pytest.mark.parametrize(("index", "size"), INCLUSION)
def test_inclusion_proofs(index: int, size: int) -> None:
    path = inclusion(index, size, grown(LEAVES))
    assert tuple(one.hex()[:8] for one in path) == INCLUSION[index, size]


@pytest.mark.parametrize(("old", "new"), CONSISTENCY)
def test_consistency_proofs(old: int, new: int) -> None:
    proof = consistency(old, new, grown(LEAVES))
    assert tuple(one.hex()[:8] for one in proof) == CONSISTENCY[old, new]


def test_the_paths_of_the_rfc_s_own_seven_leaves() -> None:
    # Source: RFC 6962 2.1.3, the tree of d0 to d6 and its proofs in letters.
    a, b, c, d, e, f = ((0, place) for place in range(6))
    g, h, i, j, k = (1, 0), (1, 1), (1, 2), (0, 6), (2, 0)
    assert _nodes(merkle.inclusion_spans(0, 7)) == [[b], [h], [i, j]]  # b, h, l = i and j
    assert _nodes(merkle.inclusion_spans(3, 7)) == [[c], [g], [i, j]]
    assert _nodes(merkle.inclusion_spans(4, 7)) == [[f], [j], [k]]
    assert _nodes(merkle.inclusion_spans(6, 7)) == [[i], [k]]
    assert _nodes(merkle.consistency_spans(3, 7)) == [[c], [d], [g], [i, j]]
    assert _nodes(merkle.consistency_spans(4, 7)) == [[i, j]]
    assert _nodes(merkle.consistency_spans(6, 7)) == [[i], [j], [k]]
    assert a not in merkle.needed_for(merkle.inclusion_spans(0, 7))
    assert e not in merkle.needed_for(merkle.inclusion_spans(4, 7))


def _nodes(spans: list[merkle.Span]) -> list[list[merkle.Node]]:
    return [merkle.subtrees(span) for span in spans]


def test_every_proof_of_every_small_tree_holds_and_no_other_does() -> None:
    leaves = [bytes([place]) for place in range(17)]
    nodes = grown(leaves)
    roots = [merkle.hash_of((0, size), nodes) for size in range(18)]
    assert roots == [defined(leaves[:size]) for size in range(18)]
    for size in range(1, 18):
        for index in range(size):
            path, leaf = inclusion(index, size, nodes), merkle.leaf_hash(leaves[index])
            assert merkle.root_by(leaf, index, size, path) == roots[size]
            assert merkle.root_by(leaf, index, size, [*path, leaf]) is None
            for other in set(range(size)) - {index}:
                assert merkle.root_by(leaf, other, size, path) != roots[size]
    for old, new in itertools.combinations_with_replacement(range(1, 18), 2):
        proof = consistency(old, new, nodes)
        assert merkle.consistent(old, new, (roots[old], roots[new]), proof)
        assert not merkle.consistent(old, new, (roots[old - 1], roots[new]), proof)
        assert (
            not merkle.consistent(old, new, (roots[old], roots[new - 1]), proof) or old == new - 1
        )
        assert not merkle.consistent(old, new, (roots[old], roots[new]), [*proof, roots[1]])
        assert not proof or not merkle.consistent(old, new, (roots[old], roots[new]), proof[:-1])


@given(st.integers(1, 3000), st.data())
def test_a_changed_proof_leads_elsewhere(size: int, data: st.DataObject) -> None:
    index = data.draw(st.integers(0, size - 1))
    nodes = {one: hashlib.sha256(repr(one).encode()).digest() for one in _needed(index, size)}
    path = inclusion(index, size, nodes)
    leaf = b"\x07" * 32
    root = merkle.root_by(leaf, index, size, path)
    assert root is not None
    if path:
        place = data.draw(st.integers(0, len(path) - 1))
        path[place] = bytes([path[place][0] ^ 1]) + path[place][1:]
        assert merkle.root_by(leaf, index, size, path) != root


def _needed(index: int, size: int) -> list[merkle.Node]:
    return list(merkle.needed_for(merkle.inclusion_spans(index, size)))


@pytest.mark.parametrize(("index", "size"), [(0, 0), (-1, 4), (4, 4), (9, 4)])
def test_no_leaf_outside_of_the_tree(index: int, size: int) -> None:
    with pytest.raises(ValueError, match="not in a tree"):
        merkle.inclusion_spans(index, size)
    assert merkle.root_by(b"", index, size, []) is None


@pytest.mark.parametrize(("old", "new"), [(0, 4), (5, 4), (-1, 1)])
def test_no_tree_grows_from_none_or_shrinks(old: int, new: int) -> None:
    with pytest.raises(ValueError, match="grows"):
        merkle.consistency_spans(old, new)
    assert not merkle.consistent(old, new, (b"", b""), [])
