"""CHECK.txt of a bundle: how to check it without this project. A test does exactly what it says.

Lines that begin with four blanks and ``$`` are commands; each must end without complaint.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from results import merkle
from results.sections import Section, Stored
from results.signing import ROTATION, announced_in

HASH = merkle.HASH
VERIFY = "openssl pkeyutl -verify -pubin -inkey {key} -rawin -in {file} -sigfile {signature}"
DIGEST = "openssl dgst -sha256 -binary"

START = """\
HOW TO CHECK THIS BUNDLE WITHOUT THE PROGRAM THAT MADE IT

You need a shell with the common tools (sha256sum, head, tail, od, grep) and openssl 3 or newer. Unzip
the bundle into an empty directory and work there. Each line below that begins with $ is a command; one
that says FAILED, "Signature Verification Failure" or nothing where a count of 1 is wanted has found
something.

A record is JSON in the form of RFC 8785; what is signed (Ed25519, RFC 8032) and logged (RFC 6962) are
exactly the bytes of its file. What a result says and what it does not say stands on the report.

"""
WHOSE = """\
1. WHOSE KEY?
Compare what this prints with the fingerprint that the shop gave you on paper or told you itself.
Unless they are the same, nothing below means anything: anybody can make a key.
"""
LISTED = """
2. IS EACH FILE AS LISTED, AND THE LIST SIGNED?
A file that the list does not name is no part of the bundle.
"""
SIGNED = """
3. IS EACH RECORD SIGNED?
"""
LOGGED = """
4. IS EACH RECORD IN THE LOG?
The head names the root over all records of the bench in their order. Each record is hashed up to it,
and its own "size" and "root" must be in the signed head: each last line prints 1.
"""
TRACED = """
5. ARE THE READINGS THOSE OF THE RECORD?
The .bin file holds the readings as they were stored, the .csv file the same for people. Prints 1.
"""
END = """
6. TWO BUNDLES OF ONE BENCH
Two heads of one bench must belong to one log. For heads with the same "size" compare "root". Else ask
the shop for a bundle made with --since and the older one: its older.json holds the proof of RFC 6962
2.1.2 that the newer log begins with the older.
"""


def check_text(
    directories: Sequence[tuple[str, Section]], traces: Sequence[tuple[str, str]]
) -> str:
    """The whole text. ``traces``: path of a .bin file without its ending, path of its record."""
    blocks = [START, WHOSE, *_whose(directories), LISTED, *_listed(directories), SIGNED]
    blocks += [line for one in directories for line in _signed(*one)]
    blocks += [LOGGED, *(line for one in directories for line in _logged(*one))]
    if traces:
        blocks += [TRACED, *(_traced(*one) for one in traces)]
    return "".join([*blocks, END])


def _command(words: str) -> str:
    return f"    $ {words}\n"


def _whose(directories: Sequence[tuple[str, Section]]) -> Iterator[str]:
    for where, section in directories:
        if section.keys:
            key = section.keys[-1]
            yield _command(
                f"openssl pkey -pubin -in {where}/key-{key.place}.pem -outform DER | sha256sum"
            )
            yield f"  must print {key.mark}, the key of {section.bench or 'the shop'}\n"


def _listed(directories: Sequence[tuple[str, Section]]) -> Iterator[str]:
    where, section = directories[0]
    yield _command("sha256sum -c SHA256SUMS")
    key = f"{where}/key-{section.keys[-1].place}.pem"
    yield _command(VERIFY.format(key=key, file="SHA256SUMS", signature="SHA256SUMS.sig"))


def _signed(where: str, section: Section) -> Iterator[str]:
    """Each record by the key in force at its place; a new key by the record that announces it."""
    yield f"{where}: {section.bench or 'the shop'}\n"
    for one in section.records:
        if one.signature is None:
            yield f"  {one.record.number} is older than signing; only the head covers it.\n"
            continue
        name = f"{where}/{one.record.number}"
        key = f"{where}/key-{signer_of(section, one)}.pem"
        yield _command(VERIFY.format(key=key, file=f"{name}.json", signature=f"{name}.sig"))
        if one.record.kind == "key":
            mark = announced_in(one.record).mark
            old = (
                "the key before it"
                if one.record.body["why"] == ROTATION
                else "itself: the old was lost"
            )
            yield f"  {one.record.number} announces the key {mark}, signed by {old}\n"
    if section.head is not None:
        key = f"{where}/key-{section.keys[-1].place}.pem"
        name = f"{where}/head"
        yield _command(VERIFY.format(key=key, file=f"{name}.json", signature=f"{name}.sig"))


def signer_of(section: Section, one: Stored) -> int:
    """The place of the key that is in force for a record."""
    return max((key.place for key in section.keys if key.since <= one.record.seq), default=1)


def _logged(where: str, section: Section) -> Iterator[str]:
    if section.head is None:
        yield f"{where}: no head of this chain was at hand.\n"
        return
    size = section.head.head.size
    for one in section.records:
        name = f"{where}/{one.record.number}"
        yield _command(f"( printf '\\000'; cat {name}.json ) | {DIGEST} > node")
        for place, left in enumerate(merkle.turns(one.record.seq - 1, size)):
            sibling = f"tail -c +{place * HASH + 1} {name}.path | head -c {HASH}"
            both = f"{sibling}; cat node" if left else f"cat node; {sibling}"
            yield _command(f"( printf '\\001'; {both} ) | {DIGEST} > next && mv next node")
        root = "$(od -An -v -tx1 node | tr -d ' \\n')"
        yield _command(f'grep -c "\\"root\\":\\"{root}\\".*\\"size\\":{size}}}" {where}/head.json')


def _traced(name: str, record: str) -> str:
    return _command(
        f'grep -c "\\"sha256\\":\\"$(sha256sum < {name}.bin | cut -c 1-64)\\"" {record}'
    )
