"""Whatever a person can get wrong: one line a problem, the right exit code, and nothing energised.

Real processes against a running virtual bench. Each test ends by asking the bench: no output is on.
"""

from __future__ import annotations

import json
import os
import pty
import resource
import socket
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import pytest
import serial

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

Edit = tuple[str, str]
REAL_TIME: Edit = ("lockstep = true", "lockstep = false")  # deadlines by the wall clock: shorter


class Shop(NamedTuple):
    """A proved virtual bench and a registered transformer."""

    program: Program
    bench: VirtualBench
    part: str

    def edited(self, where: Path, *edits: Edit) -> Path:
        """A copy of the bench file with each of ``edits`` done once."""
        text = self.bench.file.read_text("utf-8")
        for old, new in edits:
            assert old in text, old
            text = text.replace(old, new, 1)
        file = where / "edited.toml"
        file.write_text(text, "utf-8")
        return file

    def run(self, *more: object, file: Path | None = None, **how: Any) -> Ran:
        """Run the transformer in bay 1; what is in ``more`` comes last and wins."""
        program = how.pop("program", self.program)
        bench = ("--bench", file or self.bench.file)
        args = ("run", *bench, "--bay", 1, "--part", self.part, *more)
        return ended(program.start(*args, **how))


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    where = tmp_path_factory.mktemp("shop")
    program = Program(where / "home", where / "state")
    with proved_bench(program, where) as bench:
        yield Shop(program, bench, program("intake", *TRANSFORMER).out.strip())


@pytest.fixture
def shop(built: Shop) -> Iterator[Shop]:
    """Whatever a test does wrong, the bench stays dead."""
    yield built
    built.bench.assert_dead()


def assert_refused(ran: Ran, *words: str, code: int = 2) -> None:
    """Refused in words and in one line, nothing on standard output."""
    assert (ran.code, ran.out) == (code, ""), ran.err
    assert "Traceback" not in ran.err
    last = ran.err.strip().split("\n")[-1]
    for one in words:
        assert one in last, ran.err


# ---- the bench file -----------------------------------------------------------------------------------


def duplicate(text: str) -> Edit:
    """Give contactor 2 the coil of contactor 1."""
    one, two = (
        next(line for line in text.split("\n") if line.startswith(f"contactor_{n} ="))
        for n in (1, 2)
    )
    return two, two.split("=")[0] + "=" + one.split("=", 1)[1]


BAD_FILES: dict[str, tuple[Edit, str, tuple[str, ...]]] = {
    "unknown key": (("bays = 4", "bay = 4"), "bay = 4", ("unknown key 'bay'", "did you mean bays")),
    "wrong type": (("bays = 4", 'bays = "4"'), 'bays = "4"', ("wrong type", "whole number")),
    "nan": (("scan_s = 0.1", "scan_s = nan"), "scan_s = nan", ("nan is not a finite",)),
    "infinity": (
        ("series_ohm = 47000.0", "series_ohm = inf"),
        "series_ohm = inf",
        ("inf is not a finite",),
    ),
    "no watchdog": (('kind = "B"', 'kind = "none"'), 'kind = "none"', ("watchdog", "B, C, F")),
    "deadlines that don't fit": (
        ("timeout_s = 1.0", "timeout_s = 0.15"),
        "",
        ("half the watchdog's",),
    ),
    "calibration overdue": (
        ("calibration_due = 20", "calibration_due = 2020-01-01 # 20"),
        "calibration_due = 2020-01-01",
        ("calibration",),
    ),
    "broken TOML": (("[supply]", "[supply"), "[supply", ("not TOML",)),
}


@pytest.mark.parametrize("name", BAD_FILES)
def test_bad_bench_file(shop: Shop, tmp_path: Path, name: str) -> None:
    edit, wrong, words = BAD_FILES[name]
    file = shop.edited(tmp_path, edit)
    ran = shop.run("--yes", file=file)
    assert (ran.code, ran.out) == (2, "")
    assert all(line.startswith(f"milliproof: {file}:") for line in ran.err.strip().split("\n"))
    number = file.read_text("utf-8")[: file.read_text("utf-8").index(wrong)].count("\n") + 1
    telling = [line for line in ran.err.split("\n") if all(word in line for word in words)]
    assert telling, ran.err
    assert not wrong or any(f"{file}:{number}:" in line for line in telling), ran.err


def test_every_problem_at_once(shop: Shop, tmp_path: Path) -> None:
    text = shop.bench.file.read_text("utf-8")
    edits = (("bays = 4", "bay = 4"), ("scan_s = 0.1", "scan_s = nan"), duplicate(text))
    ran = shop.run("--yes", file=shop.edited(tmp_path, *edits))
    assert (ran.code, ran.out) == (2, "")
    for words in ("unknown key 'bay'", "nan is not a finite", "used twice: outputs.contactor_1"):
        assert sum(words in line for line in ran.err.split("\n")) == 1, ran.err


def test_missing_bench_file(shop: Shop, tmp_path: Path) -> None:
    ran = shop.run("--yes", file=tmp_path / "no.toml")
    assert_refused(ran, f"{tmp_path / 'no.toml'}: no such file", "milliproof bench describe")


# ---- options and parts --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--bay", "9"), ("--bay 9", "no such bay", "allowed: 1 to 4")),
        (("--bay", "0"), ("--bay 0", "no such bay")),
        (("--bay", "one"), ("'--bay'", "'one' is not a valid integer")),
        (("--part", "P-0099"), ("part P-0099", "not registered", "intake")),
        (("--part", "ninety"), ("'ninety'", "part numbers look like P-0012")),
        (("--hand", "temperature_c=20"), ("--hand temperature_c", "allowed")),
        (("--hand", "temperature_c=nan"), ("--hand", "'nan' is not a finite number")),
        (("--chnage", "dried"), ("--chnage", "--change")),
    ],
)
def test_wrong_options_of_run(shop: Shop, more: tuple[str, ...], words: tuple[str, ...]) -> None:
    assert_refused(shop.run("--yes", "--json", *more), *words)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--family", "transfomer"), ("unknown family", "did you mean transformer")),
        (("--rated-v", "-120"), ("'--rated-v'", "'-120' is out of range", "allowed: more than 0")),
        (("--rated-v", "inf"), ("'--rated-v'", "'inf' is not a finite number")),
    ],
)
def test_wrong_plate(shop: Shop, more: tuple[str, ...], words: tuple[str, ...]) -> None:
    assert_refused(shop.program("intake", *TRANSFORMER, *more), *words)


def test_part_that_is_not_on_the_shelf(shop: Shop) -> None:
    plate = ("--family", "transformer", "--serial", "NOWHERE-1", "--rated-v", "120")
    part = shop.program("intake", *plate).out.strip()
    assert_refused(shop.run("--yes", "--part", part), "no part 'NOWHERE-1' on the shelf")


# ---- ports and devices --------------------------------------------------------------------------------


def relay_port(shop: Shop, other: str) -> Edit:
    return f'port = "{shop.bench.said["relays_pty"]}"', f'port = "{other}"'


def tcp_port(shop: Shop, line: str, other: int) -> Edit:
    return f"tcp_port = {str(shop.bench.said[line]).rpartition(':')[2]}", f"tcp_port = {other}"


def test_port_that_is_missing(shop: Shop, tmp_path: Path) -> None:
    file = shop.edited(tmp_path, relay_port(shop, "/dev/ttyNOWHERE"))
    ran = shop.run("--yes", file=file)
    assert_refused(ran, "relays: /dev/ttyNOWHERE: no such port", "milliproof bench ports")


def test_port_that_is_held(shop: Shop) -> None:
    with serial.Serial(str(shop.bench.said["relays_pty"]), exclusive=True):
        assert_refused(shop.run("--yes"), "relays: ", "held by another program")


def test_serial_device_that_is_silent(shop: Shop, tmp_path: Path) -> None:
    nobody, port = pty.openpty()
    try:
        file = shop.edited(tmp_path, relay_port(shop, os.ttyname(port)), REAL_TIME)
        assert_refused(shop.run("--yes", file=file), "relays: no reply within the deadline")
    finally:
        os.close(nobody)
        os.close(port)


@pytest.mark.parametrize(("line", "name"), [("modbus_tcp", "panel"), ("scpi", "leakage")])
def test_network_device_that_is_silent(shop: Shop, tmp_path: Path, line: str, name: str) -> None:
    """It takes the connection and says nothing."""
    with socket.create_server(("127.0.0.1", 0)) as quiet:
        edit = tcp_port(shop, line, quiet.getsockname()[1])
        file = shop.edited(tmp_path, edit, REAL_TIME)
        ran = shop.run("--yes", file=file)
    assert_refused(ran, name, "no reply within the deadline", "check power")


def test_device_that_is_another(shop: Shop, tmp_path: Path) -> None:
    file = shop.edited(tmp_path, ('identify = "EXAMPLE', 'identify = "ELSEWHERE'))
    ran = shop.run("--yes", file=file)
    assert_refused(ran, "leakage: says it is 'EXAMPLE", "not 'ELSEWHERE", "check the address")


def test_bench_that_is_another(shop: Shop, tmp_path: Path) -> None:
    file = shop.edited(tmp_path, (str(shop.bench.said["token"]), "00" * 16))
    ran = shop.run("--yes", file=file)
    assert_refused(ran, f"{file}: ", "run token that this bench does not show")


# ---- disk and home ------------------------------------------------------------------------------------


@pytest.mark.parametrize("home", ["/proc/milliproof", "/sys/milliproof"])
def test_home_that_can_not_be_written(shop: Shop, home: str) -> None:
    program = replace(shop.program, home=Path(home))
    assert_refused(shop.run("--yes", program=program), f"{home}: ", "choose another place")


def limited(size: int) -> Callable[[], None]:
    """No file may grow beyond ``size`` bytes: to the program a full disk."""
    return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))


def test_disk_that_is_full_from_the_start(shop: Shop) -> None:
    before = len(shop.program.attempts())
    assert_refused(shop.run("--yes", preexec_fn=limited(0)), "limit on a file's size")
    assert len(shop.program.attempts()) == before


def test_disk_that_fills_while_a_part_is_on(shop: Shop) -> None:
    """The heartbeat is withheld, the bench switched off, the journal kept for the next start."""
    part = shop.program("intake", *PUMP).out.strip()
    store = sum(one.stat().st_size for one in shop.program.home.glob("records*"))
    ran = shop.run("--yes", "--part", part, preexec_fn=limited(store + 25_000))
    assert_refused(ran, ".journal: closing record not stored", "the journal is kept here")
    shop.bench.assert_dead()
    (journal,) = shop.program.home.glob("*.journal")
    assert journal.stat().st_size > 20_000
    assert shop.run("--yes").code == 1  # the transformer fails, as it should
    attempt = next(one for one in shop.program.attempts() if one["number"] == journal.stem)
    assert attempt["verdict"] == "interrupted"
    with Store.open(shop.program.home) as home:
        assert home.trace(attempt["closing"])["t_ms"]
        assert home.verify() == []


# ---- other programs, other benches --------------------------------------------------------------------


def test_bench_that_another_program_holds(shop: Shop) -> None:
    part = shop.program("intake", *PUMP).out.strip()
    args = ("run", "--bench", shop.bench.file, "--bay", 1, "--part", part, "--json")
    first = shop.program.start(*args, stdin=subprocess.PIPE)
    until(lambda: list(shop.program.home.glob("*.journal")))
    held = f"locked by another program (process {first.pid})"
    bench = ("--bench", shop.bench.file)
    assert_refused(shop.run("--yes"), held)
    assert_refused(shop.program("bench", "prove", *bench, "--yes"), held)
    assert_refused(shop.program("bench", "check", *bench), held)
    assert first.poll() is None  # unharmed: it still waits for its answers
    assert first.stdin is not None
    first.stdin.write(50 * "yes\n1\n")  # one of the two answers each question that it has
    first.stdin.flush()
    ran = ended(first)
    assert (ran.code, ran.json["verdict"]) == (0, "pass"), ran.err


@contextmanager
def real_bench(shop: Shop, where: Path) -> Iterator[tuple[Path, Program]]:
    """The same wires with a bench file that claims no virtual bench, and a home for real records."""
    text = shop.bench.file.read_text("utf-8")
    text = text[: text.index("[virtual]")] + text[text.index("[supply]") :]
    file = where / "real.toml"
    file.write_text(text.replace(str(shop.bench.described["bench"]["id"]), "a-real-one"), "utf-8")
    program = replace(shop.program, home=where / "real home")
    assert program("intake", *TRANSFORMER).out.strip() == shop.part
    yield file, program


def test_real_bench_is_never_energised(shop: Shop, tmp_path: Path) -> None:
    with real_bench(shop, tmp_path) as (file, program):
        here: dict[str, Any] = {"file": file, "program": program}
        assert_refused(shop.run(**here), "a-real-one: is a real bench", code=4)
        assert_refused(program("bench", "prove", "--bench", file), "is a real bench", code=4)
        no_token = ("--yes", "shows no run token: it is not a virtual bench")
        assert_refused(shop.run("--yes", **here), *no_token)
        assert_refused(program("bench", "prove", "--bench", file, "--yes"), *no_token)


def test_simulated_and_real_never_share_a_home(shop: Shop, tmp_path: Path) -> None:
    with real_bench(shop, tmp_path) as (file, program):
        assert_refused(shop.run(file=file), "holds simulated records, the bench is real", "--home")
        assert shop.run(file=file, program=program).code == 4  # now it is a home of real records
        ran = shop.run("--yes", program=program)
        assert_refused(ran, "holds real records, the bench is simulated", "--home")


def test_bench_that_is_not_proved_or_locked_out(tmp_path: Path) -> None:
    program = Program(tmp_path / "home", tmp_path / "state")
    part = program("intake", *TRANSFORMER).out.strip()
    with virtual_bench(program, tmp_path) as bench:
        run = ("run", "--bench", bench.file, "--bay", 1, "--part", part, "--yes")
        assert_refused(program(*run), "no bench proof on record", "bench prove", code=4)
        lockout = program.state / f"{bench.described['bench']['id']}.lockout.json"
        lockout.write_text(json.dumps({"reason": "contactor 2 welded", "at": "2026-01-05"}))
        words = ("locked out: contactor 2 welded", "lock out and tag out", "bench unlock")
        assert_refused(program(*run), *words, code=4)
        assert_refused(program("bench", "prove", "--bench", bench.file, "--yes"), *words, code=4)
        bench.assert_dead()
        lockout.unlink()
    assert_refused(program(*run), "virtual bench", "doesn't answer", "milliproof virtual")


# ---- machine output -----------------------------------------------------------------------------------


def json_commands(shop: Shop, where: Path) -> list[tuple[object, ...]]:
    bench = ("--bench", shop.bench.file)
    return [
        ("bench", "ports"),
        ("bench", "describe", "--out", where / "described.toml"),
        ("bench", "check", *bench),
        ("bench", "prove", *bench, "--yes"),  # the hands take the last part out
        ("intake", *TRANSFORMER),
        ("run", *bench, "--bay", 1, "--part", shop.part, "--yes"),
        ("history",),
        ("show", shop.part),
        ("families",),
        ("limits",),
        ("limits", "approve", "pass_ma", "--by", "R. Tarn"),
        ("completion", "bash"),
    ]


def test_json_is_one_document_and_nothing_else(shop: Shop, tmp_path: Path) -> None:
    for args in json_commands(shop, tmp_path):
        ran = shop.program(*args, "--json")
        assert ran.code in (0, 1), (args, ran.err)
        assert isinstance(ran.json, dict | list), args
        assert ran.out.endswith(("}\n", "]\n")), args
