"""Broken bench files and broken replies by the thousand: ``python -m tests.fuzz --count 10000``.

Each must end in a clear error of its room (file, line, key and words; or line, what and what to do), or
in a bench or reading that is right; anything else that is raised is a finding, printed with what draws
it again. Ends with 1 when there is a finding.
"""

from __future__ import annotations

import argparse
import datetime
import random
import re
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path

from rig.bench_file import load_bench
from rig.errors import BenchFileProblems
from tests.fuzz_blocks import block_replies
from tests.fuzz_replies import damaged, modbus_replies, printed_replies, scpi_replies

EXAMPLES = Path(__file__).parents[1] / "rig" / "examples"
TODAY = datetime.date(2026, 11, 25)
REPLIES = 5  # kinds of replies share the count
LONGEST_S = 5.0  # for one file: more is a hang
LITERALS = (
    *("nan", "-inf", "-1", "0", "1e400", "99999999999999999999", "1e-320", "true", "false"),
    *('""', '"x"', "'\\'", '"\\u0000"', '"contactor_1"', '"relays"', "[]", "{}", "[[[[]]]]"),
    *(
        "{ a = { b = 1 } }",
        "[1, 2]",
        "[inf, nan]",
        "2026-01-01",
        "2026-01-01T00:00:00Z",
        "07:32:00",
    ),
    *('"(("', "'[a'", '"a{99999}"', '"°C"', '"\\ud800"', "0x7fffffffffffffff", "'''\n'''"),
)


# ---- bench files -------------------------------------------------------------------------------------


def bench_file(rng: random.Random) -> bytes:
    """One of the shipped examples, changed in its lines, its values or its bytes."""
    text = rng.choice(sorted(EXAMPLES.glob("*.toml"))).read_text("utf-8")
    lines = text.split("\n")
    for _ in range(rng.randint(1, 5)):
        rng.choice(CHANGES)(rng, lines)
    raw = "\n".join(lines).encode("utf-8", "surrogatepass")
    return damaged(rng, raw) if rng.random() < 0.15 else raw


def _leave_out(rng: random.Random, lines: list[str]) -> None:
    if lines:
        del lines[rng.randrange(len(lines))]


def _repeat(rng: random.Random, lines: list[str]) -> None:
    if lines:
        lines.insert(rng.randrange(len(lines)), rng.choice(lines))


def _value(rng: random.Random, lines: list[str]) -> None:
    at = rng.randrange(len(lines)) if lines else 0
    for n, line in enumerate(lines[at:], at):
        places = [m.span(1) for m in re.finditer(r"= ([^ ,}]+)", line)]
        if places:
            a, b = rng.choice(places)
            lines[n] = line[:a] + rng.choice(LITERALS) + line[b:]
            return


def _key(rng: random.Random, lines: list[str]) -> None:
    at = rng.randrange(len(lines)) if lines else 0
    for n, line in enumerate(lines[at:], at):
        keys = [m.span(1) for m in re.finditer(r"([A-Za-z_0-9.]+) =", line)]
        if keys:
            a, b = rng.choice(keys)
            other = rng.choice((line[a:b][:-1], line[a:b] + "s", "a.b", '"é ü"', "''", "x" * 300))
            lines[n] = line[:a] + other + line[b:]
            return


def _number(rng: random.Random, lines: list[str]) -> None:
    at = rng.randrange(len(lines)) if lines else 0
    if lines:
        drawn = str(rng.choice((0, 1, 7, 65535, 65536, -7, 10**12)))
        lines[at] = re.sub(r"\d+", drawn, lines[at], count=rng.randint(1, 3))


def _header(rng: random.Random, lines: list[str]) -> None:
    heads = [n for n, line in enumerate(lines) if line.startswith("[")]
    if heads:
        at = rng.choice(heads)
        other = rng.choice((f"[{lines[at]}]", "[bench]", "[a.b.c]", "[[lines]]", "[", ""))
        lines[at] = other


def _character(rng: random.Random, lines: list[str]) -> None:
    at = rng.randrange(len(lines)) if lines else 0
    if lines and lines[at]:
        cut = rng.randrange(len(lines[at]))
        lines[at] = lines[at][:cut] + chr(rng.randrange(1, 0x3000)) + lines[at][cut + 1 :]


def _end(rng: random.Random, lines: list[str]) -> None:
    if rng.random() < 0.2:
        del lines[rng.randrange(len(lines) + 1) :]


CHANGES = (_leave_out, _repeat, _value, _value, _value, _key, _number, _header, _character, _end)


def bench_files(seed: int, count: int) -> Iterator[str]:
    """``count`` files; yields whether each was refused or describes a bench."""
    with tempfile.TemporaryDirectory() as where:
        path = Path(where) / "bench.toml"
        for n in range(count):
            raw = bench_file(random.Random(f"{seed}:{n}"))
            path.write_bytes(raw)
            started_s = time.monotonic()
            yield _loaded(path, raw)
            if time.monotonic() - started_s > LONGEST_S:
                raise AssertionError(f"took {time.monotonic() - started_s:.1f} s")


def _loaded(path: Path, raw: bytes) -> str:
    try:
        load_bench(path, TODAY)
    except BenchFileProblems as exc:
        last = raw.count(b"\n") + 1
        for problem in exc.problems:
            if not 0 <= problem.line <= last or "\n" in str(problem) or not problem.what:
                raise AssertionError(f"unclear: {problem!r} of {last} lines") from exc
        if not exc.problems:
            raise AssertionError("refused without a word") from exc
        return "refused"
    return "taken"


# ---- the command -------------------------------------------------------------------------------------


def kinds(seed: int, count: int) -> dict[str, Callable[[], Iterator[str]]]:
    """What can be drawn, each ready to run: ``count`` files and ``count`` replies in all."""
    share = count // REPLIES
    rng = {
        kind: random.Random(f"{seed}:{kind}")
        for kind in ("rtu", "mbap", "scpi", "blocks", "printed")
    }
    return {
        "bench files": partial(bench_files, seed, count),
        "Modbus RTU replies": partial(modbus_replies, "rtu", rng["rtu"], share),
        "Modbus TCP replies": partial(modbus_replies, "mbap", rng["mbap"], share),
        "SCPI replies": partial(scpi_replies, rng["scpi"], share),
        "SCPI blocks": partial(block_replies, rng["blocks"], share),
        "printed lines": partial(printed_replies, rng["printed"], count - 4 * share),
    }


def tried(cases: Iterator[str]) -> tuple[Counter[str], BaseException | None]:
    """How many were taken and refused, and what else was raised."""
    count: Counter[str] = Counter()
    try:
        for outcome in cases:
            count[outcome] += 1
    except Exception as exc:
        return count, exc
    return count, None


def main(arguments: Sequence[str] | None = None) -> int:
    """The command; returns its exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--count", type=int, default=10_000, help="so many files and replies each")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(arguments)
    findings = 0
    for name, cases in kinds(given.seed, given.count).items():
        count, found = tried(cases())
        done = count.total()
        print(
            f"{name}: {done} tried, {count['refused']} refused, {count['taken']} taken", flush=True
        )
        if found is not None:
            findings += 1
            print(f"  finding in number {done} of seed {given.seed}:")
            traceback.print_exception(found)
    print(f"{findings} findings")
    return 1 if findings else 0


if __name__ == "__main__":
    sys.exit(main())
