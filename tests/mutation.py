"""Whether the tests notice small changes: ``python -m tests.mutation [--module FILE] [--most N]``.

Each change of ``tests/mutants.py`` is written into a copy of the project and the module's own tests
run over it, in as many processes at once as there are cores. A change that no test notices survives.
``mutation_explained.toml`` lists those that change nothing that anyone could observe, each with its
reason; any other survivor ends the command with 1, and so does an explanation that no longer fits a
survivor. 2: the tests fail without any change, so nothing can be said.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

# read once here, so that each forked test run starts with them
import hypothesis  # noqa: F401
import numpy as np  # noqa: F401
import pytest
import scipy.stats  # noqa: F401

from tests.mutants import Mutant, mutants

ROOT = Path(__file__).parents[1]
ROOMS = ("rig", "drivers", "procedures", "results")
COPIED = (*ROOMS, "tests", "pyproject.toml", "README.md")
EXPLAINED = Path(__file__).with_name("mutation_explained.toml")
Stage = tuple[str, ...]
GUARD_TESTS: tuple[Stage, ...] = (
    (
        "tests/rig/test_guard_edges.py",
        "tests/rig/test_guard_lies.py",
        "tests/rig/test_guard_tables.py",
        "tests/rig/test_guard_step.py",
        "tests/rig/test_guard_outputs.py",
    ),
    ("tests/rig/test_guard.py", "tests/rig/test_guard_commissioning.py"),
    ("tests/rig/test_guard_machine.py",),
)
TESTS: dict[str, tuple[Stage, ...]] = {  # the quick ones first: what they notice needs no more
    "rig/guard.py": GUARD_TESTS,
    "rig/guard_table.py": GUARD_TESTS,
    "rig/guard_bus.py": GUARD_TESTS,
    "rig/guard_seen.py": GUARD_TESTS,
    "procedures/decide.py": (("tests/procedures/test_decide.py",),),
    "procedures/limited.py": (("tests/procedures/test_limited.py",),),
    "procedures/vectors.py": (("tests/procedures/test_vectors.py",),),
    "procedures/uncertainty.py": (
        ("tests/procedures/test_uncertainty.py",),
        ("tests/published/test_uncertainty_published.py",),
    ),
}
SURVIVED, KILLED, TIMED_OUT = "survived", "killed", "timed out"
FATES = {
    0: SURVIVED,
    1: KILLED,
    2: KILLED,
}  # by pytest's exit code; 2: the module can't be imported
QUIET = (  # the project's tests turn warnings into failures: these two are not about the change
    *("-W", "ignore::SyntaxWarning"),  # "is not 0"
    *("-W", "ignore::pytest.PytestAssertRewriteWarning"),  # imported before the fork
    *("-p", "no:cacheprovider"),
)
SLOWEST = 6.0  # times as long as without a change, and as many seconds more: hung


@dataclass(slots=True)
class _Run:
    mutant: Mutant
    stages: Sequence[Stage]
    slot: Path
    pid: int
    end_s: float


# ---- one test run in a process of its own ----------------------------------------------------------


def _fork(slot: Path, tests: Sequence[str], keep_bytecode: bool) -> int:
    """Start ``tests`` over the copy in ``slot``; its exit code is pytest's."""
    pid = os.fork()
    if pid:
        return pid
    code = 99
    try:
        os.setsid()
        code = _test(slot, tests, keep_bytecode)
    finally:
        os._exit(code)


def _test(slot: Path, tests: Sequence[str], keep_bytecode: bool) -> int:
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(nowhere, stream)
    os.chdir(slot)
    sys.path[:] = [str(slot), *(p for p in sys.path if p not in ("", str(ROOT)))]
    for name in [n for n in sys.modules if n.partition(".")[0] in (*ROOMS, "tests")]:
        del sys.modules[name]
    sys.dont_write_bytecode = not keep_bytecode
    return int(pytest.main(["-x", *QUIET, "--hypothesis-seed=1", *tests]))


def _wait(pid: int, end_s: float) -> int | None:
    """The exit code, or None when the time is over: then the process and its children are ended."""
    while True:
        done, status = os.waitpid(pid, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        if time.monotonic() > end_s:
            os.killpg(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
            return None
        time.sleep(0.02)


# ---- copies of the project -------------------------------------------------------------------------


def _slots(where: Path, files: Sequence[str], jobs: int) -> tuple[list[Path], dict[Stage, float]]:
    """A copy of the project for each job, and how long each stage of tests takes without a change.

    The tests run in the first copy only: the others take over the bytecode that this leaves.
    """
    slots = [where / f"copy-{n}" for n in range(jobs)]
    _copy(slots[0])
    stages = dict.fromkeys(stage for file in files for stage in TESTS[file])
    green_s = {stage: _green_s(slots[0], stage) for stage in stages}
    for slot in slots[1:]:
        shutil.copytree(slots[0], slot)
    return slots, green_s


def _copy(slot: Path) -> None:
    slot.mkdir()
    unwanted = shutil.ignore_patterns("__pycache__", ".*")
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, slot / name, ignore=unwanted)
        else:
            shutil.copy(source, slot / name)


def _write(slot: Path, file: str, text: str) -> None:
    """A module of the copy, without the bytecode that an earlier text has left."""
    path = slot / file
    path.write_text(text, "utf-8")
    for old in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
        old.unlink()


def _green_s(slot: Path, tests: Sequence[str]) -> float:
    """How long the tests take over an unchanged copy; SystemExit 2 when they fail."""
    started_s = time.monotonic()
    code = _wait(_fork(slot, tests, keep_bytecode=True), started_s + 600.0)
    if code != 0:
        print(f"the tests fail without any change (pytest ended with {code}): {' '.join(tests)}")
        raise SystemExit(2)
    return time.monotonic() - started_s


# ---- many mutants ----------------------------------------------------------------------------------


def judged(
    chosen: Sequence[Mutant], slots: Sequence[Path], green_s: dict[Stage, float]
) -> Iterator[tuple[Mutant, str]]:
    """Each mutant with its fate, as they come."""
    waiting: list[tuple[Mutant, Sequence[Stage]]]
    waiting = [(mutant, TESTS[mutant.file]) for mutant in reversed(chosen)]
    free, running = list(slots), list[_Run]()
    while waiting or running:
        while waiting and free:
            running.append(_start(*waiting.pop(), free.pop(), green_s))
        for run in list(running):
            fate = _fate(run)
            if not fate:
                continue
            running.remove(run)
            free.append(run.slot)
            if fate == SURVIVED and len(run.stages) > 1:
                waiting.append((run.mutant, run.stages[1:]))
            else:
                yield run.mutant, fate
        time.sleep(0.01)


def _start(
    mutant: Mutant, stages: Sequence[Stage], slot: Path, green_s: dict[Stage, float]
) -> _Run:
    _write(slot, mutant.file, mutant.text)
    end_s = time.monotonic() + SLOWEST * (2.0 + green_s[stages[0]])
    return _Run(mutant, stages, slot, _fork(slot, stages[0], keep_bytecode=False), end_s)


def _fate(run: _Run) -> str:
    done, status = os.waitpid(run.pid, os.WNOHANG)
    if done:
        return FATES[os.waitstatus_to_exitcode(status)]
    if time.monotonic() <= run.end_s:
        return ""
    os.killpg(run.pid, signal.SIGKILL)
    os.waitpid(run.pid, 0)
    return TIMED_OUT


def _module(
    file: str, chosen: Sequence[Mutant], slots: Sequence[Path], green_s: dict[Stage, float]
) -> list[Mutant]:
    """Judge one module's mutants, print the figures, return the survivors."""
    count: Counter[str] = Counter()
    survivors, reasons = [], explained()
    for mutant, fate in judged(chosen, slots, green_s):
        count[fate] += 1
        if fate == SURVIVED:
            survivors.append(mutant)
            known = "explained" if mutant.key in reasons else "survives"
            print(f"  {known}: {mutant}", flush=True)
    for slot in slots:
        _write(slot, file, (ROOT / file).read_text("utf-8"))
    figures = ", ".join(f"{count[fate]} {fate}" for fate in (KILLED, TIMED_OUT, SURVIVED))
    print(f"{file}: {len(chosen)} changes, {figures}", flush=True)
    return survivors


# ---- explanations ----------------------------------------------------------------------------------


def explained() -> dict[tuple[str, str, str], str]:
    """Reason by (file, inside, change)."""
    rows = tomllib.loads(EXPLAINED.read_text("utf-8"))["equivalent"]
    return {(row["file"], row["inside"], row["change"]): row["reason"] for row in rows}


def _report(survivors: Sequence[Mutant], tried: set[tuple[str, str, str]]) -> int:
    """Print what is unexplained and which explanations are wrong now; how many there are."""
    reasons = explained()
    unexplained = [one for one in survivors if one.key not in reasons]
    still = {one.key for one in survivors}
    wrong = [key for key in reasons if key in tried and key not in still]
    for file, inside, change in wrong:
        print(f"explained as equivalent, but a test notices it: {file} in {inside}: {change}")
    print(f"{len(survivors)} survive, {len(unexplained)} of them unexplained")
    return len(unexplained) + len(wrong)


def _unknown(modules: Sequence[str], known: set[tuple[str, str, str]]) -> int:
    lost = [key for key in explained() if key[0] in modules and key not in known]
    for file, inside, change in lost:
        print(f"explains a change that can't be made any more: {file} in {inside}: {change}")
    return len(lost)


def _chosen(modules: Sequence[str], most: int | None, seed: int) -> tuple[list[Mutant], int]:
    """The mutants to try, and how many explanations fit no possible mutant."""
    every = [m for file in modules for m in mutants(file, (ROOT / file).read_text("utf-8"))]
    lost = _unknown(modules, {one.key for one in every})
    if most is None or most >= len(every):
        return every, lost
    return random.Random(seed).sample(every, most), lost


def main(arguments: Sequence[str] | None = None) -> int:
    """The command; returns its exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("--module", action="append", choices=tuple(TESTS), help="one; repeatable")
    parser.add_argument("--most", type=int, help="so many changes, drawn at random")
    parser.add_argument("--seed", type=int, default=1, help="for the draw (1)")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="test runs at once")
    given = parser.parse_args(arguments)
    modules = given.module or list(TESTS)
    chosen, wrong = _chosen(modules, given.most, given.seed)
    survivors: list[Mutant] = []
    files = [file for file in modules if any(one.file == file for one in chosen)]
    with tempfile.TemporaryDirectory(prefix="mutation-") as where:
        slots, green_s = _slots(Path(where), files, given.jobs)
        for file in files:
            mine = [one for one in chosen if one.file == file]
            survivors += _module(file, mine, slots, green_s)
    wrong += _report(survivors, {one.key for one in chosen})
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
