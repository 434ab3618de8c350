"""RFC 8785 (JSON Canonicalization Scheme) against its published values.

Our records hold integers and text only; the numbers are checked all the same, because the library's
claim to be RFC 8785 is what an outsider relies on when repeating a hash.
"""

from __future__ import annotations

import hashlib
import json
import struct

import pytest
import rfc8785

from results.errors import BadRecord
from results.record import canonical

# Source: RFC 8785 appendix B, table of IEEE 754 doubles and their text (all rows but the refusals).
APPENDIX_B = [
    ("0000000000000000", "0"),
    ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"),
    ("8000000000000001", "-5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("ffefffffffffffff", "-1.7976931348623157e+308"),
    ("4340000000000000", "9007199254740992"),
    ("c340000000000000", "-9007199254740992"),
    ("4430000000000000", "295147905179352830000"),
    ("44b52d02c7e14af5", "9.999999999999997e+22"),
    ("44b52d02c7e14af6", "1e+23"),
    ("44b52d02c7e14af7", "1.0000000000000001e+23"),
    ("444b1ae4d6e2ef4e", "999999999999999700000"),
    ("444b1ae4d6e2ef4f", "999999999999999900000"),
    ("444b1ae4d6e2ef50", "1e+21"),
    ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
    ("3eb0c6f7a0b5ed8d", "0.000001"),
    ("41b3de4355555553", "333333333.3333332"),
    ("41b3de4355555554", "333333333.33333325"),
    ("41b3de4355555555", "333333333.3333333"),
    ("41b3de4355555556", "333333333.3333334"),
    ("41b3de4355555557", "333333333.33333343"),
    ("becbf647612f3696", "-0.0000033333333333333333"),
    ("43143ff3c1cb0959", "1424953923781206.2"),
]
# Source: RFC 8785 appendix B, the rows that must be refused.
NOT_NUMBERS = ["7fffffffffffffff", "7ff0000000000000"]


def _double(digits: str) -> float:
    return float(struct.unpack(">d", bytes.fromhex(digits))[0])


@pytest.mark.parametrize(("digits", "text"), APPENDIX_B)
def test_appendix_b_numbers(digits: str, text: str) -> None:
    assert rfc8785.dumps(_double(digits)) == text.encode()


@pytest.mark.parametrize("digits", NOT_NUMBERS)
def test_appendix_b_refusals(digits: str) -> None:
    with pytest.raises(rfc8785.FloatDomainError):
        rfc8785.dumps(_double(digits))
    with pytest.raises(BadRecord):
        canonical({"x": _double(digits)})


# Inputs: RFC 8785 section 3.2.3 (sorting) and the object files of the RFC's reference repository,
# cyberphone/json-canonicalization, testdata/input (from memory; the hash proves that what each of
# them canonicalises to is exact). SHA-256: computed over the canonical outputs of that repository.
TESTDATA = {
    "arrays": (
        '[56,{"d":true,"10":null,"1":[]}]',
        "099601b171cafed97c333f8878d68e7f8c8f795412adb34b2fdcf0e7c7beac42",
    ),
    "french": (
        '{"peach":"This sorting order","péché":"is wrong according to French",'
        '"pêche":"but canonicalization MUST","sin":"ignore locale"}',
        "d99d0ebdcb0033cb858cfa830ae46bc0fb3309413b271f1da828c89901a27ed5",
    ),
    "structures": (
        '{"1":{"f":{"f":"hi","F":5},"\\n":56.0},"10":{},"":"empty","a":{},'
        '"111":[{"e":"yes","E":"no"}],"A":{}}',
        "605f65004ec2db7692522a0852c22f1c989e036d547e88963d1a3143cf3195d5",
    ),
    "unicode": (
        '{"Unnormalized Unicode":"A\\u030a"}',
        "0d99aad92a125196ff887876643fd3206786a84ddce2cee52ba4ad256d2381d3",
    ),
    "values": (
        '{"numbers":[333333333.33333329,1E30,4.50,2e-3,0.000000000000000000000000001],'
        '"string":"\\u20ac$\\u000F\\u000aA\'\\u0042\\u0022\\u005c\\\\\\"\\/",'
        '"literals":[null,true,false]}',
        "2d5e01a318d0f0879ab568c4be289c8b1f64ef8921a53c6277d5e069978baacb",
    ),
    "weird": (
        '{"\\u20ac":"Euro Sign","\\r":"Carriage Return","\\u000a":"Newline","1":"One",'
        '"\\u0080":"Control\\u007f","\\ud83d\\ude02":"Smiley",'
        '"\\u00f6":"Latin Small Letter O With Diaeresis",'
        '"\\ufb33":"Hebrew Letter Dalet With Dagesh","</script>":"Browser Challenge"}',
        "6af595a9aa80110b964b4de3f82a05fa6ae7423005019bacfa2620dddc4e94d1",
    ),
}


@pytest.mark.parametrize("name", TESTDATA)
def test_reference_files(name: str) -> None:
    given, wanted = TESTDATA[name]
    assert hashlib.sha256(rfc8785.dumps(json.loads(given))).hexdigest() == wanted


@pytest.mark.parametrize("name", ["french", "unicode", "weird"])
def test_reference_files_without_floats_through_our_own_door(name: str) -> None:
    given, wanted = TESTDATA[name]
    assert hashlib.sha256(canonical(json.loads(given))).hexdigest() == wanted


def test_members_sort_by_utf_16_code_units() -> None:
    # Source: RFC 8785 section 3.2.3; a smiley's first unit is D83D, before FB33, though its code
    # point 1F602 is behind it.
    assert canonical({"\ufb33": 1, "\U0001f602": 2}) == '{"\U0001f602":2,"\ufb33":1}'.encode()


def test_sha_256_of_abc() -> None:
    # Source: FIPS 180-4 example, SHA-256("abc").
    wanted = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert hashlib.sha256(b"abc").hexdigest() == wanted
