"""The command line: lazy, every refusal in words with its exit code, JSON on stdout alone."""

from __future__ import annotations

import os
import socketserver
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import click
import pytest

from rig import main as main_module
from rig.commands.bench_describe import EXAMPLES
from rig.commands.options import Finite, Words
from rig.errors import Exit, WrongPackages
from tests.rig.kept import Terminal, attempted

ROOT = Path(__file__).parents[2]
HEAVY = ("pydantic", "numpy", "sqlalchemy", "rich", "serial", "pymodbus", "pyvisa", "alembic")
PUMP = ("intake", "--family", "pump", "--serial", "x", "--rated-v", "240")
HEATER = ("intake", "--family", "heater", "--serial", "OF55-0117", "--rated-v", "240")


# ---- start ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("args", [["--help"], ["bench", "--help"], ["bench", "chek"]])
def test_help_imports_nothing_heavy(args: Sequence[str]) -> None:
    code = (
        "import sys\nfrom rig.main import run\n"
        f"run({list(args)!r})\n"
        f"heavy = [name for name in {HEAVY!r} if name in sys.modules]\n"
        "sys.exit(', '.join(heavy) or 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_every_command_is_there_and_explains_itself() -> None:
    tables = (main_module.COMMANDS, main_module.BENCH_COMMANDS)
    context = click.Context(main_module.cli)
    for group, table in zip((main_module.cli, main_module.bench), tables, strict=True):
        for name in table:
            command = group.get_command(context, name)
            assert command is not None, name
            if isinstance(command, main_module.LazyGroup):
                continue
            with click.Context(command, info_name=name) as own:
                words = command.get_help(own)
            assert "--json" in words, name
            assert "Examples:" in words or "start file" in words, name


def test_help_lists_commands_and_exit_codes(cli: Any) -> None:
    ran = cli("--help")
    assert ran.code == 0
    assert all(f"  {name} " in ran.out for name in main_module.COMMANDS)
    for words in ("0  pass or done", "1  fail", "2  wrong use", "3  no verdict", "4  bench locked"):
        assert words in ran.out


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["histroy"], "Did you mean 'history'?"),
        (["bench", "chek"], "Did you mean 'check'"),
        (["history", "--limt", "3"], "--limit"),
        (["history", "--limit", "0"], "1<=x<=100000"),
        (["bench", "check"], "Missing option '--bench'"),
        (["completion", "tcsh"], "'bash'"),
    ],
)
def test_slips_are_wrong_use(cli: Any, args: list[str], words: str) -> None:
    ran = cli(*args)
    assert ran.code == Exit.WRONG_USE
    assert words in ran.err
    assert ran.out == ""


def test_foreign_package_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "results").mkdir()
    (tmp_path / "results" / "__init__.py").write_text("")
    monkeypatch.syspath_prepend(str(tmp_path))
    with pytest.raises(WrongPackages, match=r"package results: found .*; install milliproof into"):
        main_module.check_packages()


# ---- ends -------------------------------------------------------------------------------------------


def broken(monkeypatch: pytest.MonkeyPatch, fault: BaseException) -> None:
    def callback() -> None:
        raise fault

    command = click.Command("history", callback=callback)
    monkeypatch.setattr(main_module.LazyGroup, "get_command", lambda *_: command)


def test_unknown_fault_is_one_line(cli: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    broken(monkeypatch, ZeroDivisionError("division by zero"))
    ran = cli("history")
    assert ran.code == Exit.WRONG_USE
    assert ran.err.count("\n") == 1
    assert "unexpected ZeroDivisionError: division by zero" in ran.err
    assert "report it" in ran.err
    monkeypatch.setenv(main_module.DEBUG_VARIABLE, "1")
    assert "Traceback" in cli("history").err


def test_ctrl_c_decides_nothing(cli: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    broken(monkeypatch, KeyboardInterrupt())
    assert cli("history").code == Exit.NO_VERDICT


@pytest.mark.parametrize("command", ["--help", "limits"])
def test_reader_that_went_away(tmp_path: Path, command: str) -> None:
    env = {**os.environ, "MILLIPROOF_HOME": str(tmp_path), "MILLIPROOF_STATE": str(tmp_path)}
    reader, writer = os.pipe()
    os.close(reader)
    program = [sys.executable, "-m", "rig.main", command]
    done = subprocess.run(program, cwd=ROOT, env=env, stdout=writer, stderr=subprocess.PIPE)
    os.close(writer)
    assert (done.returncode, done.stderr) == (3, b"")  # never 0: nobody was told anything


@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "1e999", "x", "", "0", "-1", "10.1"])
def test_numbers_are_finite_and_in_range(text: str) -> None:
    with pytest.raises(click.BadParameter, match="allowed: more than 0 and at most 10"):
        Finite(above=0, most=10).convert(text, None, None)


def test_words_carry_no_control_characters() -> None:
    assert Words().convert(" OF55 µ ", None, None) == "OF55 µ"
    for bad in ("a\x1b[2J", "a\nb", "x" * 201):
        with pytest.raises(click.BadParameter):
            Words().convert(bad, None, None)


# ---- bench ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", EXAMPLES)
def test_describe_writes_what_check_accepts(cli: Any, tmp_path: Path, name: str) -> None:
    out = tmp_path / "my.toml"
    ran = cli("bench", "describe", "--example", name, "--out", out)
    assert (ran.code, ran.out) == (0, "")
    example = (ROOT / "rig" / "examples" / EXAMPLES[name]).read_text("utf-8")
    assert out.read_text("utf-8").startswith(example)  # the wiring follows, as comments
    again = cli("bench", "describe", "--out", out)
    assert again.code == Exit.WRONG_USE
    assert f"{out}: exists already" in again.err
    assert cli("bench", "describe", "--example", name).out == out.read_text("utf-8")


def test_check_refuses_a_bad_file_with_its_line(cli: Any, tmp_path: Path) -> None:
    out = tmp_path / "my.toml"
    cli("bench", "describe", "--out", out)
    text = out.read_text("utf-8").replace("bays = 4", "bays = 0").replace("echo =", "ecco =")
    out.write_text(text)
    ran = cli("bench", "check", "--bench", out)
    assert ran.code == Exit.WRONG_USE
    assert ran.err.count("\n") == 2  # one line per problem
    line = text.split("\n").index("ecco = false") + 1
    assert f"milliproof: {out}:{line}: lines.relays.ecco: unknown key 'ecco'" in ran.err


def test_ports_as_json(cli: Any) -> None:
    ran = cli("bench", "ports", "--json")
    assert ran.code == 0
    assert isinstance(ran.json["ports"], list)


class Board(socketserver.BaseRequestHandler):
    """A Modbus TCP device that answers reads with zeros and counts what would change it."""

    changes = 0

    def handle(self) -> None:
        while head := self.request.recv(7):
            length = int.from_bytes(head[4:6], "big") - 1
            pdu = self.request.recv(length)
            count = int.from_bytes(pdu[3:5], "big")
            if pdu[0] not in (1, 2, 3, 4):
                Board.changes += 1
            size = (count + 7) // 8 if pdu[0] in (1, 2) else 2 * count
            reply = bytes([pdu[0], size]) + bytes(size)
            self.request.sendall(head[:4] + (len(reply) + 1).to_bytes(2, "big") + head[6:] + reply)


@pytest.fixture
def board() -> Iterator[int]:
    Board.changes = 0
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Board) as server:
        server.daemon_threads = True
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        yield server.server_address[1]
        server.shutdown()
        thread.join()


def tcp_bench(tmp_path: Path, port: int) -> Path:
    """The smallest bench with its boards behind a gateway."""
    text = (ROOT / "rig" / "examples" / "smallest.toml").read_text("utf-8")
    head, _, tail = text.partition("[lines.bus]")
    tail = tail[tail.index("[devices.relays]") :]
    line = f'[lines.bus]\nkind = "modbus-tcp"\nhost = "127.0.0.1"\ntcp_port = {port}\n\n'
    path = tmp_path / "tcp.toml"
    path.write_text(head + line + tail, "utf-8")
    return path


def test_check_only_reads(cli: Any, tmp_path: Path, board: int) -> None:
    ran = cli("bench", "check", "--bench", tcp_bench(tmp_path, board), "--json")
    assert ran.code == 0, ran.err
    assert Board.changes == 0
    found = ran.json
    assert found["virtual"] is False
    assert found["problems"] == []
    assert found["inputs"]["stop_healthy"]["on"] is False
    assert found["readings"]["leakage_ma"]["value"] == 0.0
    assert found["readings"]["leakage_ma"]["quality"] == "good"
    shown = cli("bench", "check", "--bench", tcp_bench(tmp_path, board))
    assert "real bench" in shown.out
    assert "leakage_ma" in shown.out


def test_check_names_a_dead_line_and_goes_on(cli: Any, tmp_path: Path) -> None:
    with socketserver.TCPServer(("127.0.0.1", 0), Board) as closed:
        port = closed.server_address[1]
    ran = cli("bench", "check", "--bench", tcp_bench(tmp_path, port), "--json")
    assert ran.code == Exit.WRONG_USE
    assert ran.json["readings"] == {}
    assert any("bus" in problem for problem in ran.json["problems"])
    assert "Traceback" not in ran.err


def test_check_refuses_a_bench_in_use(cli: Any, tmp_path: Path, board: int) -> None:
    from rig.home import bench_lock

    path = tcp_bench(tmp_path, board)
    with bench_lock("example-smallest"):
        ran = cli("bench", "check", "--bench", path)
    assert ran.code == Exit.WRONG_USE
    assert f"bench locked by another program (process {os.getpid()})" in ran.err


# ---- parts and records ------------------------------------------------------------------------------


def test_intake_prints_the_number_and_knows_the_serial(cli: Any) -> None:
    first = cli(*HEATER, "--rated-w", "5500", "--complaint", "shelved 14 months")
    assert (first.code, first.out) == (0, "P-0001\n")
    other = cli(*HEATER[:4], "OF55-0231", *HEATER[5:], "--rated-w", "5500")
    assert other.out == "P-0002\n"
    again = cli(*HEATER, "--rated-w", "5500", "--change", "dried 24 h", "--json")
    assert again.json["part"] == "P-0001"
    assert again.json["seen_before"] is True
    assert again.json["plate"]["rated_mw"] == 5_500_000
    assert again.json["plate"]["change"] == "dried 24 h"
    assert "was here before: it is P-0001" in again.err


def test_attempt_that_proved_nothing_makes_no_retest(cli: Any, tmp_path: Path) -> None:
    for verdict, words in (("aborted", "attempts that count: 0"), ("fail", "can't pass")):
        attempted(tmp_path / verdict, verdict, simulated=True)
        again = cli(
            *HEATER[:4],
            "OF55-0231",
            *HEATER[5:],
            "--rated-w",
            "5500",
            "--json",
            "--home",
            tmp_path / verdict,
        )
        assert (again.json["part"], again.json["attempts"]) == ("P-0001", int(verdict == "fail"))
        assert words in again.err
        assert ("can't pass" in again.err) == (verdict == "fail")


@pytest.mark.parametrize("typed", ["P-0001", "p-0001", "P-1", "p-1"])
def test_part_number_is_the_same_part_however_it_is_typed(tmp_path: Path, typed: str) -> None:
    from results.store import Store
    from rig.proving import find_part

    attempted(tmp_path, "fail", simulated=True)
    with Store.open(tmp_path, simulated=True) as store:
        part = find_part(store, typed)
    assert (part.number, part.attempt) == ("P-0001", 2)


def test_intake_asks_in_a_terminal_until_it_is_right(
    cli: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    typed = Terminal("heatr\nheater\nOF1\n240\n-5\n5500\n")
    monkeypatch.setattr(sys, "stdin", typed)
    ran = cli("intake")
    assert (ran.code, ran.out.split("\n")[-2]) == (0, "P-0001")
    assert "did you mean heater?" in ran.err
    assert "'-5' is out of range" in ran.err
    assert cli("show", "P-0001", "--json").json[0]["body"]["rated_mw"] == 5_500_000


def test_closed_input_registers_nothing(cli: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal("heater\n"))
    assert cli("intake").code == Exit.NO_VERDICT
    assert cli("show", "P-0001").code == Exit.WRONG_USE


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["intake", "--family", "heatr", "--serial", "x"], "did you mean heater?"),
        ([*HEATER, "--rated-w", "-5500"], "'-5500' is out of range; allowed: more than 0"),
        ([*HEATER, "--rated-w", "nan"], "'nan' is not a finite number"),
        ([*HEATER], "missing --rated-w"),
        (["intake", "--serial", "x"], "missing --family"),
        ([*HEATER, "--rated-w", "1", "--model", "a\x07b"], "control characters"),
        ([*HEATER, "--rated-w", "1", "--class", "III"], "'III' is not one of"),
        (["history", "--home", ""], "is empty; allowed: a directory"),
        (
            [*PUMP, "--rated-a", "3", "--low-a", "10", "--speeds", "2"],
            "low_a 10 is above rated_a 3",
        ),
        (["show", "R-000001"], "record R-000001: not in this home"),
        (["show", "P-0001"], "part P-0001: not registered"),
        (["show", "nonsense"], "record numbers look like R-000123"),
        (["families", "pomp"], "did you mean pump?"),
        (["limits", "approve", "pas_ma", "--by", "R. Tarn"], "did you mean pass_ma?"),
        (["limits", "approve", "pass_ma"], "Missing option '--by'"),
        (["limits", "approve", "bond_ohm", "--by", "R. Tarn"], "unknown limit 'bond_ohm'"),
    ],
)
def test_refused_in_words(cli: Any, args: list[str], words: str) -> None:
    ran = cli(*args)
    assert ran.code == Exit.WRONG_USE
    assert words in ran.err
    assert ran.out == ""


def test_home_that_is_a_file(cli: Any, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    ran = cli("history", "--home", tmp_path / "file")
    assert ran.code == Exit.WRONG_USE
    assert "a file is in the way" in ran.err


def test_limits_need_a_name_behind_them(cli: Any) -> None:
    before = {row["name"]: row for row in cli("limits", "--json").json["limits"]}
    assert before["pass_ma"]["approved"] == "NO"
    assert before["bond_ohm"]["approved"] == "not needed"
    done = cli("limits", "approve", "pass_ma", "--by", "R. Tarn", "--json")
    assert done.json["approved"] == {"pass_ma": ["R-000001"]}
    after = {row["name"]: row for row in cli("limits", "--json").json["limits"]}
    assert after["pass_ma"]["approved"].startswith("R. Tarn, ")
    assert after["fail_ma"]["approved"] == "NO"


def test_a_limit_that_several_sets_have_is_approved_by_set(cli: Any) -> None:
    refused = cli("limits", "approve", "soak_min_s", "--by", "R. Tarn")
    assert refused.code == Exit.WRONG_USE
    assert "heater.soak_min_s, pump.soak_min_s" in refused.err
    done = cli("limits", "approve", "heater.soak_min_s", "--by", "R. Tarn", "--json")
    assert set(done.json["approved"]) == {"heater.soak_min_s"}
    listed = {row["key"]: row for row in cli("limits", "--json").json["limits"]}
    assert listed["heater.soak_min_s"]["approved"].startswith("R. Tarn, ")
    assert listed["pump.soak_min_s"]["approved"] == "NO"


def test_limits_are_told_in_plain_words_beside_what_never_decides(cli: Any) -> None:
    shown = cli("limits").out
    for words in ("resale gate, version 2026.1", "pass limit", "supplier's warranty gate"):
        assert words in shown
    assert "stationary class I, heating" in shown
    assert not any(one["decides"] for one in cli("limits", "--json").json["references"])


def test_families_say_what_a_bench_lacks(cli: Any) -> None:
    smallest = ROOT / "rig" / "examples" / "smallest.toml"
    found = cli("families", "heater", "--bench", smallest, "--json").json["families"][0]
    assert "reading leakage_resistive_ma" in found["bench_lacks"]
    assert "feed line_line" in found["bench_lacks"]
    assert {"pass_ma", "bond_ohm"} <= {limit["name"] for limit in found["limits"]}
    ran = cli("families")
    assert ran.code == 0
    assert "heater: " in ran.out
    assert "caution:" in ran.out


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_script(cli: Any, shell: str) -> None:
    ran = cli("completion", shell)
    assert ran.code == 0
    assert "_MILLIPROOF_COMPLETE" in ran.out


def test_completion_answers_without_importing_commands() -> None:
    env = {
        **os.environ,
        "_MILLIPROOF_COMPLETE": "bash_complete",
        "COMP_WORDS": "milliproof bench ch",
        "COMP_CWORD": "2",
    }
    code = "from rig.main import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, env=env, capture_output=True, text=True
    )
    assert "plain,check" in done.stdout.split("\n")
