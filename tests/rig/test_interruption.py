"""Whoever stops, hangs up or kills: off, proved off, booked, and the bench is good for the next run.

Real processes against a virtual bench; the moments are drawn from the stages of a circulation pump's
run, from a fixed seed that is printed. What the bench did is asked of the bench.
"""

from __future__ import annotations

import fcntl
import json
import os
import pty
import random
import signal
import subprocess
import termios
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from results.store import Store
from tests.rig.whole_program import (
    PUMP,
    TRANSFORMER,
    Program,
    Ran,
    VirtualBench,
    ended,
    proved_bench,
    until,
    virtual_bench,
)

SEED = 2301
# the stages that every run of this pump passes, in order; the last two are over within a few scans
STAGES = (  # but the last one: on an idle machine a run is through it before it is seen to begin
    "look",
    "ground bond",
    "ohms, terminal to terminal",
    "insulation, dry",
    "filling",
    "insulation, wet",
    "limited step",
    "rated run, warm",
)
WORDS = {
    signal.SIGINT: "stopped by the operator (Ctrl-C)",
    signal.SIGHUP: "terminal closed",
    signal.SIGTERM: "program told to end",
}
CONTACTORS = {"contactor_1", "contactor_2"}


class Moment(NamedTuple):
    """When and how a run is stopped: so long after this stage began, so often."""

    stage: str
    after_s: float
    number: signal.Signals
    presses: int


def moments(count: int) -> list[Moment]:
    """Each stage at least once, each signal as often as the others."""
    draw = random.Random(SEED)
    print(f"seed {SEED}")
    return [
        Moment(
            stage=STAGES[n % len(STAGES)],
            after_s=draw.uniform(0.0, 0.15),
            number=list(WORDS)[n % len(WORDS)],
            presses=draw.choice((1, 1, 2, 5)),
        )
        for n in range(count)
    ]


class Pump(NamedTuple):
    """A circulation pump registered in a home, and a bench that has been proved."""

    program: Program
    bench: VirtualBench
    part: str

    @property
    def args(self) -> tuple[object, ...]:
        return ("run", "--bench", self.bench.file, "--bay", 1, "--part", self.part)

    def journals(self) -> list[Path]:
        return sorted(self.program.home.glob("*.journal"))

    def stage_begun(self, stage: str) -> bool:
        """Whether the journal of the attempt that is on tells of a stage."""
        return any(f'"stage":"{stage}"' in one.read_text("utf-8") for one in self.journals())

    def started(self, stage: str, *args: object, **how: Any) -> subprocess.Popen[str]:
        """A run that has come to a stage."""
        process = self.program.start(*self.args, *args, **how)
        until(lambda: self.stage_begun(stage) or process.poll() is not None, 30.0)
        return process

    def tally(self) -> int:
        """How many attempts there are."""
        with Store.open(self.program.home) as store:
            return len(store.history(None))

    def newest(self) -> dict[str, Any]:
        """The newest attempt, which must be closed, with its closing record's body."""
        with Store.open(self.program.home) as store:
            assert store.open_attempts() == []
            return dict(store.get(store.history(1)[0].closing or "none").body)

    def assert_aborted(self, reason: str) -> None:
        """The newest attempt is closed as aborted, with its readings, and nothing was left behind."""
        found = self.newest()
        assert found["verdict"] == "aborted", found["reason"]
        assert reason in found["reason"]
        assert found["trace"]["rows"] > 0
        assert self.journals() == []
        self.bench.assert_dead()


@pytest.fixture(scope="module")
def pump(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pump]:
    where = tmp_path_factory.mktemp("pump")
    program = Program(where / "home", where / "state")
    with proved_bench(program, where) as bench:
        yield Pump(program, bench, program("intake", *PUMP).out.strip())


@pytest.mark.parametrize("moment", moments(12), ids=lambda m: f"{m.stage}, {m.number.name}")
def test_stopped_by_a_person(pump: Pump, moment: Moment) -> None:
    run = pump.started(moment.stage, "--yes", "--json")
    time.sleep(moment.after_s)
    for _ in range(moment.presses):
        run.send_signal(moment.number)
        time.sleep(0.02)
    ran = ended(run)
    assert (ran.code, ran.json["verdict"]) == (3, "aborted"), ran.err
    assert ran.json["reason"].startswith(WORDS[moment.number])
    assert "Traceback" not in ran.err
    pump.assert_aborted(WORDS[moment.number])


@pytest.mark.parametrize("after_s", [0.05, 0.25, 0.5])
def test_stopped_before_there_is_an_attempt(pump: Pump, after_s: float) -> None:
    """Earlier still, while the interpreter starts, the signal's default ends the process."""
    before = pump.tally()
    run = pump.program.start(*pump.args, "--yes", "--json")
    time.sleep(after_s)
    run.send_signal(signal.SIGTERM)
    ran = ended(run)
    assert ran.code in (3, -signal.SIGTERM), ran.err
    assert pump.tally() == before or pump.newest()["verdict"] == "aborted"
    pump.bench.assert_dead()


@pytest.mark.parametrize("stage", ["ground bond", "limited step", "both ends hot, warm"])
def test_terminal_that_is_closed(pump: Pump, stage: str) -> None:
    keyboard, screen = pty.openpty()

    def own_terminal() -> None:
        fcntl.ioctl(0, termios.TIOCSCTTY, 0)

    how = dict.fromkeys(("stdin", "stdout", "stderr"), screen)
    run = pump.started(stage, "--yes", start_new_session=True, preexec_fn=own_terminal, **how)
    os.close(screen)
    os.close(keyboard)
    assert run.wait(30) == 3
    pump.assert_aborted(WORDS[signal.SIGHUP])


def test_nobody_reads_the_screen(pump: Pump) -> None:
    """A closed pipe for words does not end the run: the record and the result are what counts."""
    with pump.started("ohms, terminal to terminal", "--yes", "--json") as run:
        assert run.stdout is not None
        assert run.stderr is not None
        run.stderr.close()
        verdict = json.loads(run.stdout.read())["verdict"]
    assert (run.returncode, verdict) == (0, "pass")
    assert pump.newest()["verdict"] == "pass"


def test_nobody_reads_the_result(pump: Pump) -> None:
    part = pump.program("intake", *TRANSFORMER).out.strip()
    with pump.program.start(*pump.args[:-1], part, "--yes") as run:
        assert run.stdout is not None
        assert run.stderr is not None
        run.stdout.close()
        assert "Traceback" not in run.stderr.read()
    assert run.returncode == 3  # nobody was told the verdict
    assert pump.newest()["verdict"] == "fail"
    pump.bench.assert_dead()


# ---- prompts that nobody can answer -------------------------------------------------------------------


def close_input() -> None:
    os.close(0)


@pytest.mark.parametrize("how", [{}, {"preexec_fn": close_input, "stdin": None}])
def test_closed_input_ends_at_the_first_prompt(pump: Pump, how: dict[str, Any]) -> None:
    begun_s = time.monotonic()
    ran = pump.program(*pump.args, "--json", **how)
    assert ran.code == 3
    assert time.monotonic() - begun_s < 20.0
    assert "standard input is closed: nobody can answer" in ran.json["reason"]
    assert ran.err.count("Read, and done?") == 1  # put once, not again and again
    assert "\n\n\n" not in ran.err
    pump.assert_aborted("standard input is closed")


def test_prompt_that_waits_is_stopped(pump: Pump) -> None:
    run = pump.program.start(*pump.args, "--json", stdin=subprocess.PIPE)
    until(lambda: pump.stage_begun("cautions"))
    time.sleep(0.5)
    run.send_signal(signal.SIGINT)
    assert run.wait(20) == 3  # though its standard input is still open
    assert ended(run).json["verdict"] == "aborted"
    pump.assert_aborted(WORDS[signal.SIGINT])


# ---- killed: nothing of the program is left to switch off ---------------------------------------------


def killed(pump: Pump, stage: str, after_s: float) -> tuple[str, int]:
    """The opening's number, and how many readings were on the disk."""
    run = pump.started(stage, "--yes")
    time.sleep(after_s)
    run.kill()
    assert ended(run).code == -signal.SIGKILL
    (journal,) = pump.journals()
    whole = [line for line in journal.read_text("utf-8").split("\n")[:-1] if '"row"' in line]
    return journal.stem, len(whole)


@pytest.mark.parametrize("stage", ["insulation, dry", "limited step", "rated run, warm"])
def test_killed(pump: Pump, stage: str) -> None:
    after_s = random.Random(SEED + len(stage)).uniform(0.0, 0.2)
    opening, readings = killed(pump, stage, after_s)
    until(lambda: not pump.bench.coils_on() & CONTACTORS, 5.0)  # the board's own watchdog
    inputs = pump.bench.inputs()
    assert inputs["contactor_1_open"]
    assert inputs["contactor_2_open"]
    assert pump.program(*pump.args).code == 3  # ends at its first prompt: input is closed
    before = next(a for a in pump.program.attempts() if a["number"] == opening)
    assert before["verdict"] == "interrupted"
    with Store.open(pump.program.home) as store:
        body = store.get(before["closing"]).body
        assert store.verify() == []
    assert body["trace"]["rows"] == readings
    pump.bench.assert_dead()


def test_after_all_that_a_run_passes_on_the_same_proof(pump: Pump) -> None:
    ran = pump.program(*pump.args, "--yes", "--json", "--change", "valve replaced")
    assert (ran.code, ran.json["verdict"]) == (0, "pass"), ran.err
    pump.bench.assert_dead()


# ---- the bench proof and the demo ---------------------------------------------------------------------


def stopped_proof(program: Program, bench: VirtualBench, after_s: float) -> Ran:
    proof = program.start("bench", "prove", "--bench", bench.file, "--yes", "--json")
    until(lambda: list(program.home.glob("*.journal")) or proof.poll() is not None, 30.0)
    time.sleep(after_s)
    proof.send_signal(signal.SIGINT)
    return ended(proof)


def test_bench_proof_that_is_stopped(tmp_path: Path) -> None:
    program = Program(tmp_path / "home", tmp_path / "state")
    draw = random.Random(SEED)
    with virtual_bench(program, tmp_path) as bench:
        for _ in range(2):
            ran = stopped_proof(program, bench, draw.uniform(0.0, 0.4))
            assert (ran.code, ran.json["passed"]) == (3, False), ran.err
            assert WORDS[signal.SIGINT] in ran.json["reason"]
            assert program.attempts()[0]["verdict"] == "aborted"
            bench.assert_dead()
        part = program("intake", *PUMP).out.strip()
        run = ("run", "--bench", bench.file, "--bay", 1, "--part", part, "--yes")
        assert program(*run).code == 4  # an unfinished proof is none
        assert program("bench", "prove", "--bench", bench.file, "--yes").code == 0


def children(process: subprocess.Popen[str]) -> list[int]:
    listed = Path(f"/proc/{process.pid}/task/{process.pid}/children")
    return [int(number) for number in listed.read_text().split()]


@pytest.mark.parametrize("closed", [0, 2])
def test_demo_that_is_stopped(tmp_path: Path, closed: int) -> None:
    """Who stops one part wants no other; and the demo's bench does not outlive it."""
    program = Program(tmp_path / "home", tmp_path / "state")
    demo = program.start("demo", "--json")
    until(lambda: list(program.home.glob(f"R-*{closed * 2 + 1}.journal")), 60.0)
    (bench,) = children(demo)
    demo.send_signal(signal.SIGINT)
    ran = ended(demo)
    assert (ran.code, ran.out) == (3, "")
    assert "stopped by the operator (Ctrl-C); milliproof history shows" in ran.err
    newest = program.attempts()[0]
    assert newest["verdict"] == "aborted"
    until(lambda: not Path(f"/proc/{bench}").exists())
    assert list(program.state.glob("virtual-*")) == []
