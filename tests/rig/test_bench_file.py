"""Every refusal of a bench file: the exact line, the key and the words; and what a good file gives."""

from __future__ import annotations

import datetime
import hashlib
import random
import re
import tomllib
from pathlib import Path

import pytest

from drivers.described import LineSpec, ModbusReading, PrintedReading, ScpiReading
from procedures.scan import FEEDS, QUANTITIES, SOURCES, Accuracy
from rig.bench_file import Bench, load_bench
from rig.bench_timing import rtu_s
from rig.errors import BenchFileProblems, Exit, Problem
from rig.toml_lines import key_lines

EXAMPLES = Path(__file__).parents[2] / "rig" / "examples"
SPLIT = (EXAMPLES / "split_phase.toml").read_text("utf-8")
TODAY = datetime.date(2026, 11, 25)


def load(tmp_path: Path, text: str | bytes) -> Bench:
    path = tmp_path / "bench.toml"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return load_bench(path, TODAY)


def problems(tmp_path: Path, text: str | bytes) -> tuple[Problem, ...]:
    with pytest.raises(BenchFileProblems) as caught:
        load(tmp_path, text)
    assert caught.value.exit_code == Exit.WRONG_USE
    return caught.value.problems


def changed(old: str, new: str, text: str = SPLIT) -> tuple[str, int]:
    """The example with one place changed, and the line of that place."""
    assert text.count(old) == 1, f"{old!r} occurs {text.count(old)} times"
    return text.replace(old, new), text[: text.index(old)].count("\n") + 1


# ---- good files --------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["smallest", "split_phase", "single_phase_230"])
def test_examples_load(name: str) -> None:
    bench = load_bench(EXAMPLES / f"{name}.toml", TODAY)
    assert bench.virtual is None
    assert bench.digest == hashlib.sha256((EXAMPLES / f"{name}.toml").read_bytes()).hexdigest()


def test_split_phase_is_complete() -> None:
    bench = load_bench(EXAMPLES / "split_phase.toml", TODAY)
    assert (bench.id, bench.bays, bench.scan_s) == ("example-split-phase", 4, 0.1)
    assert bench.capabilities.feeds == set(FEEDS)
    assert bench.capabilities.sources == set(SOURCES)
    assert bench.capabilities.quantities == set(QUANTITIES)
    assert bench.accuracy["leakage_ma"] == Accuracy(1.0, 0.01)
    assert bench.max_age_s["leakage_ma"] == 0.6
    assert bench.calibration["leakage"].due == datetime.date(2027, 3, 2)
    assert bench.spec.watchdog.kind == "B"
    assert bench.spec.watchdog.address == 100
    assert bench.spec.lines["relays"].parity == "even"


def test_each_kind_of_reading_is_described() -> None:
    readings = load_bench(EXAMPLES / "split_phase.toml", TODAY).spec.readings
    second = readings["second_leakage_ma"]
    assert isinstance(second, ModbusReading)
    assert (second.encoding, second.order, second.scale) == ("int32", "CDAB", 0.001)
    assert second.status is not None
    assert (second.status.table, second.status.address) == ("input", 26)
    assert (second.status.invalid_mask, second.status.over_mask) == (3, 4)
    leakage, ohms = readings["leakage_ma"], readings["resistance_ohm"]
    assert isinstance(leakage, ScpiReading)
    assert (leakage.query, leakage.group, leakage.low, leakage.high) == ("leakage", 1, 0.0, 30.0)
    assert isinstance(ohms, PrintedReading)
    assert re.fullmatch(ohms.pattern, "R 10.472 ohm")


def test_units_are_converted_once() -> None:
    """10 µA floor of the smallest bench's meter is 0.010 mA; percent stays percent."""
    bench = load_bench(EXAMPLES / "smallest.toml", TODAY)
    assert bench.accuracy["leakage_ma"].percent == 1.0
    assert bench.accuracy["leakage_ma"].floor == pytest.approx(0.010)
    assert bench.hand_unit["bond_ohm"] == "ohm"
    assert "bond_ohm" not in bench.capabilities.quantities
    assert "bond_ohm" in bench.capabilities.hand


def test_230_v_bench_reads_bits_and_a_coil_watchdog() -> None:
    bench = load_bench(EXAMPLES / "single_phase_230.toml", TODAY)
    mirror = bench.spec.inputs["contactor_2_open"]
    assert (mirror.table, mirror.address, mirror.bit, mirror.inverted) == ("input", 0, 1, True)
    assert (bench.spec.watchdog.kind, bench.spec.watchdog.address) == ("F", 31)
    assert bench.capabilities.feeds == {"limited", "line_neutral", "neutral_line", "both_hot"}
    assert bench.supply.protection == "rcd"


def test_sixteen_bit_orders() -> None:
    """BA: low byte first; the drivers know it as BADC (bytes swapped within the word)."""
    text, _ = changed(
        'address = 4, type = "uint16", order = "AB"', 'address = 4, type = "uint16", order = "BA"'
    )
    path = EXAMPLES / "split_phase.toml"
    assert path.exists()
    reading = _loaded_text(text).spec.readings["frequency_hz"]
    assert isinstance(reading, ModbusReading)
    assert reading.order == "BADC"


def _loaded_text(text: str) -> Bench:
    import tempfile

    with tempfile.TemporaryDirectory() as where:
        return load(Path(where), text)


def test_virtual_table(tmp_path: Path) -> None:
    table = (
        '[virtual]\ntoken = "00112233445566778899AABBCCDDEEFF"\ndevice = "relays"\nregister = 200\n'
    )
    bench = load(tmp_path, SPLIT + table + 'control = "127.0.0.1:4711"\nlockstep = true\n')
    assert bench.virtual is not None
    assert bench.virtual.token == "00112233445566778899aabbccddeeff"
    assert (bench.virtual.register, bench.virtual.lockstep) == (200, True)


# ---- the file itself ---------------------------------------------------------------------------------


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(
        BenchFileProblems, match=r"no\.toml: no such file; allowed: an existing file"
    ):
        load_bench(tmp_path / "no.toml", TODAY)


def test_directory(tmp_path: Path) -> None:
    with pytest.raises(BenchFileProblems, match="is a directory"):
        load_bench(tmp_path, TODAY)


def test_device_file_is_not_read_for_ever() -> None:
    with pytest.raises(BenchFileProblems, match="no ordinary file"):
        load_bench("/dev/zero", TODAY)


def test_unreadable(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(SPLIT)

    def refuse(*args: object, **kwargs: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(BenchFileProblems, match="can't be read: Permission denied"):
        load_bench(path, TODAY)


def test_not_utf8(tmp_path: Path) -> None:
    text = SPLIT.encode().replace(b"Example bench, split phase", b"Example \xff bench")
    (problem,) = problems(tmp_path, text)
    assert problem.line == SPLIT[: SPLIT.index("Example bench, split")].count("\n") + 1
    assert problem.what == "byte 0xff is not UTF-8"


def test_broken_toml(tmp_path: Path) -> None:
    text, line = changed("bays = 4", "bays = = 4")
    (problem,) = problems(tmp_path, text)
    assert problem.line == line
    assert problem.what.startswith("not TOML")


def test_key_given_twice_names_its_line(tmp_path: Path) -> None:
    text, line = changed("bays = 4", "bays = 4\nbays = 5")
    (problem,) = problems(tmp_path, text)
    assert problem.line in (line, line + 1)
    assert "overwrite" in problem.what


def test_deep_nesting_is_refused(tmp_path: Path) -> None:
    (problem,) = problems(tmp_path, "x = " + "[" * 5000)
    assert "TOML" in problem.what


def test_windows_line_ends_and_byte_order_mark(tmp_path: Path) -> None:
    text, line = changed("bays = 4", "bays = 0")
    (problem, *_) = problems(tmp_path, b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert (problem.line, problem.key) == (line, "bench.bays")


def test_empty_file_names_every_table(tmp_path: Path) -> None:
    missing = {problem.key for problem in problems(tmp_path, "")}
    wanted = "format bench supply watchdog lines devices outputs inputs readings"
    assert missing == set(wanted.split())


# ---- one change, one refusal -------------------------------------------------------------------------

REFUSALS = tomllib.loads((Path(__file__).parent / "bench_refusals.toml").read_text("utf-8"))[
    "refusal"
]


@pytest.mark.parametrize("case", REFUSALS, ids=lambda case: f"{case['key']}: {case['what']}")
def test_refusal(tmp_path: Path, case: dict[str, str]) -> None:
    text, _ = changed(case["old"], case["new"])
    key = case["key"]
    found = [problem for problem in problems(tmp_path, text) if problem.key == key]
    assert found, [str(problem) for problem in problems(tmp_path, text)]
    hit = next((problem for problem in found if case["what"] in problem.what), found[0])
    assert case["what"] in hit.what
    assert case.get("allowed", "") in hit.allowed
    assert hit.meant == case.get("meant", "")
    assert str(hit).startswith(f"{tmp_path / 'bench.toml'}:{hit.line}: {key}: ")
    assert hit.line == line_by_hand(text, key)


def line_by_hand(text: str, key: str) -> int:
    """The line of a key in these files by a cruder way than the code's: its header or its entry."""
    parts = key.split(".")
    lines = text.split("\n")
    for depth in range(len(parts), 0, -1):
        header = "[" + ".".join(parts[:depth]) + "]"
        if header in lines:
            start = lines.index(header)
            rest = parts[depth : depth + 1]
            for number in range(start + 1, len(lines)):
                if rest and re.match(rf"{re.escape(rest[0])}\s*=", lines[number]):
                    return number + 1
                if lines[number].startswith("["):
                    break
            return start + 1
    return next(n for n, line in enumerate(lines, 1) if re.match(rf"{parts[0]}\s*=", line))


def test_overdue_and_missing_calibration(tmp_path: Path) -> None:
    path = EXAMPLES / "split_phase.toml"
    with pytest.raises(BenchFileProblems) as caught:
        load_bench(path, datetime.date(2027, 3, 3))
    assert [p.key for p in caught.value.problems] == [
        f"devices.{name}.calibration_due" for name in ("supply", "leakage", "ohms")
    ]
    assert {p.what for p in caught.value.problems} == {"overdue since 2027-03-02"}
    load_bench(path, datetime.date(2027, 3, 2))  # the last day still counts
    with pytest.raises(BenchFileProblems, match="is in the future"):
        load_bench(path, datetime.date(2026, 3, 1))
    text = SPLIT.replace("calibrated = 2026-03-02\ncalibration_due = 2027-03-02\n", "", 1)
    (problem,) = problems(tmp_path, text)
    assert (problem.key, problem.what[:7]) == ("devices.supply.calibrated", "missing")
    assert problem.line == text.split("\n").index("[devices.supply]") + 1


@pytest.mark.parametrize(("baud", "wire_ms"), [(9600, 22.9), (19200, 11.5), (115200, 4.8)])
def test_wire_time(baud: int, wire_ms: float) -> None:
    """8-byte request and 7-byte reply, 8N1, two gaps of 3.5 characters, 1.75 ms above 19200 baud:
    MODBUS over Serial Line V1.02, 2.5.1.1; worked by hand: 15 * 10 / 9600 + 7 * 10 / 9600 s."""
    line = LineSpec("bus", "rtu", baud=baud, parity="none", stop_bits=1)
    assert rtu_s(line, 8, 7) * 1000 == pytest.approx(wire_ms, abs=0.05)


def test_slow_line_does_not_fit(tmp_path: Path) -> None:
    """At 9600 baud 8E1 the beat has 8 + 8 characters, ten coils written 11 + 8, read back 8 + 7,
    each with gaps of 7: 71 * 11 / 9600 s and three times 12 ms are 117 ms. A scan has 100 ms."""
    text, _ = changed("baud = 19200", "baud = 9600")
    found = {problem.what: problem for problem in problems(tmp_path, text)}
    problem = found["the 3 transactions of a scan take 0.117 s"]
    assert problem.key == "lines.relays"
    assert problem.line == text.split("\n").index("[lines.relays]") + 1
    assert any("switching every output" in what for what in found)


def test_deadlines_of_a_scan_stay_below_the_watchdog(tmp_path: Path) -> None:
    text, _ = changed("deadline_s = 0.12", "deadline_s = 0.4")
    (problem,) = problems(tmp_path, text)
    assert problem.key == "lines.relays"
    assert "add up to 1.200 s" in problem.what


def test_two_names_for_one_board(tmp_path: Path) -> None:
    text, _ = changed(
        '[devices.supply]\nline = "panel"\nunit = 2', '[devices.supply]\nline = "panel"\nunit = 1'
    )
    keys = {problem.key: problem.what for problem in problems(tmp_path, text)}
    assert "used twice: devices.inputs" in keys["devices.supply.unit"]


def test_two_lines_on_one_port(tmp_path: Path) -> None:
    text, _ = changed("usb-example-meter-if00", "usb-example-rs485-if00")
    (problem,) = problems(tmp_path, text)
    assert (problem.key, problem.what) == (
        "lines.ohms.port",
        "channel used twice: lines.relays has it already",
    )


def test_single_phase_has_no_second_leg(tmp_path: Path) -> None:
    text, _ = changed('system = "split-phase"', 'system = "single-phase"')
    keys = {problem.key for problem in problems(tmp_path, text)}
    assert keys == {"outputs.feed_line_line", "readings.supply_2_v"}


def test_fahrenheit_takes_no_percent(tmp_path: Path) -> None:
    text, _ = changed(
        'scale = 0.1, unit = "°C", period_s = 1.0, accuracy = { percent = 0.0',
        'scale = 0.1, unit = "°F", period_s = 1.0, accuracy = { percent = 1.0',
    )
    (problem,) = problems(tmp_path, text)
    assert problem.key == "readings.temperature_c.accuracy.percent"


def test_a_whole_accuracy_statement_in_the_quantitys_unit(tmp_path: Path) -> None:
    """In µA: floor and resolution become mA, the full scale is the greater end of the range."""
    text, _ = changed(
        'group = 2, unit = "mA", accuracy = { percent = 1.0, floor = 0.01 }, range = [-30.0, 30.0]',
        'group = 2, unit = "uA", accuracy = { percent = 1.0, floor = 4.0, range_percent = 0.1, '
        "digits = 3.0, resolution = 1.0, temperature_percent_per_k = 0.02, "
        "calibration_percent = 0.4 }, range = [-40000.0, 30000.0]",
    )
    path = tmp_path / "bench.toml"
    path.write_text(text, "utf-8")
    got = load_bench(path, TODAY).accuracy["leakage_resistive_ma"]
    assert (got.percent, got.range_percent, got.digits) == (1.0, 0.1, 3.0)
    assert (got.temperature_percent_per_k, got.calibration_percent) == (0.02, 0.4)
    assert (got.floor, got.resolution, got.full) == pytest.approx((0.004, 0.001, 40.0))
    assert got.half_width(2.0) == pytest.approx(0.02 + 0.04 + 0.003 + 0.004)


def test_what_a_statement_does_not_say_stays_unsaid() -> None:
    got = load_bench(EXAMPLES / "split_phase.toml", TODAY).accuracy["leakage_ma"]
    assert (got.resolution, got.temperature_percent_per_k, got.calibration_percent) == (
        None,
        None,
        None,
    )


def test_a_hand_instruments_statement_has_no_range(tmp_path: Path) -> None:
    file = EXAMPLES / "single_phase_230.toml"
    old = 'temperature_c = { hand = true, unit = "°C" }'
    new = old[:-2] + ", accuracy = { percent = 0.0, floor = 0.5, range_percent = 1.0 } }"
    text = file.read_text("utf-8")
    assert old in text
    (problem,) = problems(tmp_path, text.replace(old, new))
    assert problem.key == "readings.temperature_c.accuracy.range_percent"
    assert problem.allowed == "0; use floor"


def test_all_problems_at_once_in_order(tmp_path: Path) -> None:
    text = SPLIT.replace("bays = 4", "bays = -4").replace("echo = false", "ecco = false")
    text = text.replace("hood_ok = {", "hud_ok = {")
    found = problems(tmp_path, text)
    assert [p.key for p in found] == ["bench.bays", "lines.relays.ecco", "inputs.hud_ok"]
    assert [p.line for p in found] == sorted(p.line for p in found)


# ---- hostile files -----------------------------------------------------------------------------------

WORDS = [
    "nan",
    "-1",
    "true",
    '"x"',
    "[]",
    "{}",
    "1e400",
    "[1, 2, 3]",
    "2026-01-01",
    "''",
    "99999999999",
]


def mutated(rng: random.Random) -> str:
    lines = SPLIT.split("\n")
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(lines))
        choice = rng.randrange(6)
        if choice == 0:
            del lines[at]
        elif choice == 1:
            lines.insert(at, lines[rng.randrange(len(lines))])
        elif choice == 2:
            lines[at] = re.sub(r"= [^ ,}]+", f"= {rng.choice(WORDS)}", lines[at], count=1)
        elif choice == 3 and lines[at]:
            cut = rng.randrange(len(lines[at]))
            lines[at] = lines[at][:cut] + chr(rng.randrange(1, 0x2FF)) + lines[at][cut + 1 :]
        elif choice == 4:
            lines[at] = re.sub(
                r"\d+", str(rng.choice([0, 1, 65535, 65536, -7])), lines[at], count=2
            )
        else:
            lines[at] = lines[at][: rng.randrange(len(lines[at]) + 1)]
    return "\n".join(lines)


@pytest.mark.parametrize("seed", range(300))
def test_mutations_never_end_in_a_traceback(tmp_path: Path, seed: int) -> None:
    text = mutated(random.Random(seed))
    try:
        load(tmp_path, text)
    except BenchFileProblems as exc:
        for problem in exc.problems:
            assert 0 < problem.line <= text.count("\n") + 1
            assert "\n" not in str(problem)


def test_lines_of_every_way_to_write_a_key() -> None:
    text = (
        "a = 1\n"
        'b.c = """\n'
        "x = 1\n"
        '"""\n'
        "[d.'e f']\n"
        "g = [ # comment ]\n"
        "  1,\n"
        "  { h = 2, i.j = '}' },\n"
        "]\n"
        "k = 1.5\n"
    )
    lines = key_lines(text)
    assert lines[("b", "c")] == 2
    assert lines[("d", "e f")] == 5
    assert lines[("d", "e f", "g", 1, "h")] == 8
    assert lines[("d", "e f", "g", 1, "i", "j")] == 8
    assert lines[("d", "e f", "k")] == 10
    assert ("x",) not in lines
