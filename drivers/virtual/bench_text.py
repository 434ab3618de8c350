"""The bench file that fits a running virtual bench: same wiring as the example, real port names."""

from __future__ import annotations

import json
from datetime import date, timedelta

from drivers.virtual.endpoints import HOST
from drivers.virtual.instruments import STATED
from drivers.virtual.meters import KNOWN
from drivers.virtual.names import COILS, DISCRETES
from drivers.virtual.registers import FLOATS, HEARTBEAT, LONGS, SHORTS, STATUS, TOKEN
from drivers.virtual.scpi import FIELDS
from drivers.virtual.servers import Ports
from drivers.virtual.waves import POINTS, RATE_HZ
from drivers.virtual.wires import PANEL_UNIT, RELAYS_UNIT, SUPPLY_UNIT

ASKING = "ask_s = 0.05  # twice a scan, so that a leak does not wait for its turn"
PTY_BAUD = 115200  # what a pty is told; it takes no time
# quantity: (unit, low, high, max_age_s, period_s)
RANGES: dict[str, tuple[str, float, float, float, float]] = {
    "supply_v": ("V", 0.0, 300.0, 0.8, 0.2),
    "supply_2_v": ("V", 0.0, 300.0, 0.8, 0.2),
    "frequency_hz": ("Hz", 40.0, 70.0, 3.0, 1.0),
    "bay_v": ("V", 0.0, 600.0, 0.6, 0.2),
    "bay_dc_v": ("V", -600.0, 600.0, 0.6, 0.2),
    "load_a": ("A", 0.0, 100.0, 0.6, 0.2),
    "power_w": ("W", -100.0, 20000.0, 0.8, 0.2),
    "temperature_c": ("°C", -20.0, 120.0, 3.0, 1.0),
    "conductivity_ms_cm": ("mS/cm", 0.0, 20.0, 3.0, 1.0),
    "injection_ma": ("mA", 0.0, 30.0, 0.6, 0.2),
}
PRINTED = {
    "resistance_ohm": (r"R\s+([^ ]+) ohm", "ohm", 2000000.0),
    "insulation_mohm": (r"I\s+([^ ]+) Mohm", "Mohm", 1000.0),
    "bond_ohm": (r"B\s+([^ ]+) ohm", "ohm", 20.0),
}
STATED_BY = {  # parts of one sensor share its accuracy statement
    "leakage_resistive_ma": "leakage_ma",
    "leakage_capacitive_ma": "leakage_ma",
    "second_leakage_resistive_ma": "second_leakage_ma",
    "second_leakage_capacitive_ma": "second_leakage_ma",
}

HEAD = """\
# A virtual bench. Its numbers are simulated; the protocols are real. Valid while it runs.
format = 1

[bench]
id = "{bench_id}"
name = "Virtual bench, split phase"
bays = {bays}
scan_s = 0.1

[virtual]
token = "{token}"
device = "relays"
register = {token_register}
control = "{host}:{control}"
lockstep = {lockstep}

[supply]
system = "split-phase"
line_to_neutral_v = 120.0
frequency_hz = 60.0
tolerance_percent = 10.0
protection = "gfci"
rated_residual_ma = 6.0
series_ohm = 47000.0
series_percent = 1.0
control_ma = 0.25

[watchdog]
kind = "B"
device = "relays"
register = {heartbeat}
timeout_s = 1.0

[lines.relays]
kind = "rtu"
port = "{relays_pty}"
baud = {baud}
parity = "none"
stop_bits = 1
echo = false

[lines.panel]
kind = "modbus-tcp"
host = "{host}"
tcp_port = {modbus_tcp}

[lines.leakage]
kind = "scpi-tcp"
host = "{host}"
tcp_port = {scpi}

[lines.ohms]
kind = "printed"
port = "{meter_pty}"
baud = 115200
parity = "none"

[devices.relays]
line = "relays"
unit = {relays_unit}
latency_s = 0.012
deadline_s = 0.12

[devices.inputs]
line = "panel"
unit = {panel_unit}
latency_s = 0.002
deadline_s = 0.06

[devices.supply]
line = "panel"
unit = {supply_unit}
latency_s = 0.002
deadline_s = 0.06
{calibration}

[devices.leakage]
line = "leakage"
identify = "EXAMPLE,LEAKAGE METER,.*"
latency_s = 0.004
deadline_s = 0.06
{calibration}

[devices.leakage.queries.leakage]
command = "MEAS:LEAK?"
reply = '([^,]+),([^,]+),([^,]+),([^,]+)'
period_s = 0.2
{asking}

[waveform]
device = "leakage"
command = "MEAS:WAV?"
rate_hz = {wave_hz}
points = {wave_points}
type = "float32"
leakage_ma = {{ block = 1, unit = "mA", range = [-60.0, 60.0] }}
supply_v = {{ block = 2, unit = "V", range = [-450.0, 450.0] }}

[devices.ohms]
line = "ohms"
{calibration}
"""


def bench_text(
    ports: Ports,
    token: bytes,
    lockstep: bool,
    bench_id: str,
    bays: int,
    today: date,
    baud: int = PTY_BAUD,
) -> str:
    """The whole file. The meters' calibration dates are ``today``'s: they are what they claim."""
    due = today + timedelta(days=365)
    head = HEAD.format(
        bench_id=bench_id,
        bays=bays,
        asking="" if lockstep else ASKING,
        baud=baud,
        token=token.hex(),
        token_register=TOKEN,
        heartbeat=HEARTBEAT,
        host=HOST,
        lockstep=json.dumps(lockstep),
        wave_hz=RATE_HZ,
        wave_points=POINTS,
        relays_unit=RELAYS_UNIT,
        panel_unit=PANEL_UNIT,
        supply_unit=SUPPLY_UNIT,
        calibration=f"calibrated = {today}\ncalibration_due = {due}",
        **{name: getattr(ports, name) for name in ports.__slots__},
    )
    sections = (["[outputs]", *_outputs()], ["[inputs]", *_inputs()], _readings(), _known())
    return head + "".join("\n" + "\n".join(section) + "\n" for section in sections)


def _outputs() -> list[str]:
    return [f'{name} = {{ device = "relays", coil = {coil} }}' for name, coil in COILS.items()]


def _inputs() -> list[str]:
    return [
        f'{name} = {{ device = "inputs", discrete = {address} }}'
        for name, address in DISCRETES.items()
    ]


def _known() -> list[str]:
    return ["[known]", *(f"{name} = {value}" for name, value in KNOWN.items())]


def _readings() -> list[str]:
    return ["[readings]", *_scpi(), *_floats(), *_shorts(), *_longs(), *_printed()]


def _tail(name: str, unit: str, low: float, high: float, max_age_s: float) -> str:
    percent, floor = STATED[STATED_BY.get(name, name)]
    return (
        f'unit = "{unit}", accuracy = {{ percent = {percent}, floor = {floor} }}, '
        f"range = [{low}, {high}], max_age_s = {max_age_s} }}"
    )


def _scpi() -> list[str]:
    return [
        f'{name} = {{ device = "leakage", query = "leakage", group = {group}, '
        + _tail(name, "mA", 0.0 if group == 1 else -30.0, 30.0, 0.6)
        for group, name in enumerate(FIELDS, 1)
    ]


def _register(name: str, address: int, kind: str, period_s: float) -> str:
    return (
        f'{name} = {{ device = "supply", table = "input", address = {address}, {kind}, '
        f"period_s = {period_s}, "
    )


def _floats() -> list[str]:
    lines = []
    for address, name in FLOATS.items():
        unit, low, high, age_s, period_s = RANGES[name]
        kind = 'type = "float32", order = "ABCD"'
        lines.append(_register(name, address, kind, period_s) + _tail(name, unit, low, high, age_s))
    return lines


def _shorts() -> list[str]:
    lines = []
    for address, (name, scale) in SHORTS.items():
        unit, low, high, age_s, period_s = RANGES[name]
        kind = f'type = "{"int16" if low < 0 else "uint16"}", order = "AB", scale = {scale}'
        lines.append(_register(name, address, kind, period_s) + _tail(name, unit, low, high, age_s))
    return lines


def _longs() -> list[str]:
    status = f"status = {{ address = {STATUS}, invalid_mask = 3, over_mask = 4 }}, "
    kind = 'type = "int32", order = "CDAB", scale = 0.001'
    return [
        _register(name, address, kind, 0.2)
        + status
        + _tail(name, "mA", 0.0 if address == min(LONGS) else -30.0, 30.0, 0.6)
        for address, name in LONGS.items()
    ]


def _printed() -> list[str]:
    return [
        f"{name} = {{ device = \"ohms\", pattern = '{pattern}', group = 1, "
        + _tail(name, unit, 0.0, high, 2.0)
        for name, (pattern, unit, high) in PRINTED.items()
    ]
