"""Ed25519 as this project uses it, against the vectors of RFC 8032 section 7.1.

Tests 1, 2, 3 and SHA(abc) as printed there (the last one's seed from memory: the signature proves it);
all 1,024 vectors of the paper's own file, which the package ``cryptography-vectors`` carries.
"""

from __future__ import annotations

import hashlib

import cryptography_vectors
import pytest

from results import keys

SECTION_7_1 = {
    "test 1": (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        b"",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e06522490155"
        "5fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
    ),
    "test 2": (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        b"\x72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
        "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
    ),
    "test 3": (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        b"\xaf\x82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac"
        "18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a",
    ),
    "SHA(abc)": (
        "833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42",
        "ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
        hashlib.sha512(b"abc").digest(),
        "dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b589"
        "09351fc9ac90b3ecfdfbc7c66431e0303dca179c138ac17ad9bef1177331a704",
    ),
}
ORDER = 2**252 + 27742317777372353535851937790883648493  # of the group, RFC 8032 5.1


@pytest.mark.parametrize("name", SECTION_7_1)
def test_section_7_1(name: str) -> None:
    seed, public, message, signature = SECTION_7_1[name]
    key = keys.PrivateKey.from_private_bytes(bytes.fromhex(seed))
    assert keys.raw_public(key).hex() == public
    assert key.sign(message).hex() == signature
    assert keys.holds(bytes.fromhex(public), message, bytes.fromhex(signature))


def test_all_vectors_of_the_paper_s_file() -> None:
    name = "asymmetric/Ed25519/sign.input"
    with cryptography_vectors.open_vector_file(name, "r") as file:
        lines = [line.strip().split(":")[:4] for line in file if line.strip()]
    assert len(lines) == 1024
    for seed, public, message, signed in lines:
        key = keys.PrivateKey.from_private_bytes(bytes.fromhex(seed)[:32])
        signature = bytes.fromhex(signed)[:64]
        assert key.sign(bytes.fromhex(message)) == signature
        assert keys.raw_public(key).hex() == public
        assert keys.holds(bytes.fromhex(public), bytes.fromhex(message), signature)


def test_a_second_signature_of_the_same_bytes_is_refused() -> None:
    """RFC 8032 5.1.7: S must be below the order of the group; S + order would hold otherwise."""
    _, public, message, signature = (SECTION_7_1["test 2"][place] for place in range(4))
    raw = bytes.fromhex(str(signature))
    other = raw[:32] + (int.from_bytes(raw[32:], "little") + ORDER).to_bytes(32, "little")
    assert not keys.holds(bytes.fromhex(str(public)), bytes(message), other)  # type: ignore[arg-type]
    assert not keys.holds(bytes.fromhex(str(public)), bytes(message), raw[:63])  # type: ignore[arg-type]


def test_what_is_no_key_signs_nothing() -> None:
    assert not keys.holds(b"", b"", bytes(64))
    assert not keys.holds(b"\xff" * 32, b"", bytes(64))
