"""The control channel: JSON lines over loopback TCP, for time, a technician's hands, and the account.

``{"do": "advance", "s": 0.1}`` answers ``{"t_s": ...}``; ``hands`` answers ``{"said": ...}``;
``account``, ``shelf`` and ``moments`` answer what their names say. ``fault`` begins one (``kind``,
``where``, ``for_s``, ``count``, and what the kind takes), ``mend`` removes all, ``faults`` lists what can
be broken where, ``verdict`` tells the bench what a part was given, for its account. A wrong request
answers ``{"error": ...}``.
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable, Mapping
from typing import Any

from drivers.errors import DriverError
from drivers.virtual import by_hand
from drivers.virtual.faults import Faults
from drivers.virtual.pace import Pace
from drivers.virtual.scenario import plate

LONGEST_ADVANCE_S = 3600.0
MOST_STEP_MA = 300.0
LONGEST_LINE = 65_536
FAULT_KEYS = frozenset({"do", "kind", "where", "for_s", "count"})
Request = Mapping[str, Any]


class WrongRequest(Exception):
    """A request that is not understood; the words go back to the asker."""


def _need(request: Request, key: str, kind: type) -> Any:
    value = request.get(key)
    if type(value) is not kind:
        raise WrongRequest(f"{key!r} must be a {kind.__name__}, not {value!r}")
    return value


def _optional(request: Request, key: str, kind: type) -> Any:
    return None if request.get(key) is None else _need(request, key, kind)


def _number(key: str, value: object) -> float:
    """A finite number; JSON's NaN and Infinity are none."""
    if isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value):
        return float(value)
    raise WrongRequest(f"{key!r} must be a number, not {value!r}")


def _seconds(value: object) -> float:
    """Refuses NaN too: it is not within any bounds."""
    number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if number and 0.0 <= value <= LONGEST_ADVANCE_S:  # type: ignore[operator]
        return float(value)  # type: ignore[arg-type]
    raise WrongRequest(f"'s' must be 0 to {LONGEST_ADVANCE_S} seconds, not {value!r}")


class Control:
    """Answers requests about one bench. ``advanced`` is called after each advance."""

    def __init__(
        self, pace: Pace, advanced: Callable[[], None], faults: Faults | None = None
    ) -> None:
        self._pace, self._plant = pace, pace.plant
        self._advanced = advanced
        self._faults = faults or Faults(pace.plant)

    def line(self, raw: bytes) -> bytes:
        """One request line to one answer line."""
        try:
            request = json.loads(raw)
            if not isinstance(request, dict):
                raise WrongRequest("a request is a JSON object")
            answer = self._do(request)
        except (ValueError, WrongRequest, DriverError) as exc:
            answer = {"error": str(exc)}
        return json.dumps(answer).encode() + b"\n"

    def _do(self, request: Request) -> Request:
        act = ACTS.get(str(request.get("do")))
        if act is None:
            raise WrongRequest(f"'do' must be one of {', '.join(ACTS)}")
        return act(self, request)

    def advance(self, request: Request) -> Request:
        seconds = _seconds(request.get("s"))
        if not self._pace.lockstep:
            raise WrongRequest("this bench runs in real time")
        t_s = self._pace.advance(seconds, time.monotonic())
        self._advanced()
        return {"t_s": t_s}

    def account(self, request: Request) -> Request:
        account = self._plant.account
        entries = [{"t_s": h.t_s, "kind": h.kind, "words": h.words} for h in account.entries]
        return {
            "hazards": account.hazards,
            "kinds": dict(account.kinds),
            "t_s": self._plant.t_s,
            "entries": entries[-100:],
            "faults": [fault.told() for fault in self._faults.records[-100:]],
        }

    def fault(self, request: Request) -> Request:
        kind = _need(request, "kind", str)
        where = _optional(request, "where", str)
        count = _optional(request, "count", int)
        for_s = None if request.get("for_s") is None else _number("for_s", request["for_s"])
        if (count is not None and count < 1) or (for_s is not None and for_s <= 0.0):
            raise WrongRequest("'count' and 'for_s' must be more than 0")
        how = {key: _number(key, value) for key, value in request.items() if key not in FAULT_KEYS}
        begun = self._faults.begin(kind, where, for_s, count, how)
        return {"said": f"{begun.kind} at {begun.where}", "number": begun.number}

    def mend(self, request: Request) -> Request:
        return {"said": f"{self._faults.mend()} mended"}

    def faults(self, request: Request) -> Request:
        return {"faults": self._faults.kinds()}

    def verdict(self, request: Request) -> Request:
        given, serial = _need(request, "verdict", str), _need(request, "serial", str)
        return {"said": self._faults.judge(given, serial)}

    def moments(self, request: Request) -> Request:
        return self._pace.moments.told()

    def shelf(self, request: Request) -> Request:
        return {"shelf": {serial: plate(part) for serial, part in self._plant.shelf.items()}}

    def hands(self, request: Request) -> Request:
        hand = HANDS.get(str(request.get("act")))
        if hand is None:
            raise WrongRequest(f"'act' must be one of {', '.join(HANDS)}")
        return {"said": hand(self, request) or "done"}

    # ---- hands -----------------------------------------------------------------------------------

    def _mount(self, request: Request) -> None:
        self._plant.mount(_need(request, "bay", int), _need(request, "serial", str))

    def _unmount(self, request: Request) -> None:
        self._plant.unmount(_need(request, "bay", int))

    def _lid(self, request: Request) -> None:
        self._plant.lid(_need(request, "closed", bool))

    def _arm(self, request: Request) -> None:
        self._plant.arm(_need(request, "pressed", bool))

    def _stop(self, request: Request) -> None:
        self._plant.stop(_need(request, "pressed", bool))

    def _supply(self, request: Request) -> None:
        by_hand.connect(self._plant, _need(request, "v", float))

    def _interlock(self, request: Request) -> None:
        name, opened = _need(request, "name", str), _need(request, "opened", bool)
        by_hand.interlock(self._plant, name, opened)

    def _lamp(self, request: Request) -> None:
        self._plant.mount_lamp(_need(request, "bay", int))

    def _reset_gfci(self, request: Request) -> None:
        self._plant.reset_gfci()

    def _step(self, request: Request) -> None:
        ma = _need(request, "ma", float)
        if not 0.0 <= ma <= MOST_STEP_MA:
            raise WrongRequest(f"'ma' must be 0 to {MOST_STEP_MA:g}, not {ma}")
        self._plant.step_leaks(_need(request, "bay", int), ma)
        self._pace.moments.stepped(time.monotonic())

    def _eyes(self, request: Request) -> str:
        return self._plant.eyes(_need(request, "key", str), _need(request, "bay", int))


ACTS: Mapping[str, Callable[[Control, Request], Request]] = {
    "advance": Control.advance,
    "hands": Control.hands,
    "account": Control.account,
    "shelf": Control.shelf,
    "fault": Control.fault,
    "mend": Control.mend,
    "faults": Control.faults,
    "verdict": Control.verdict,
    "moments": Control.moments,
}
HANDS: Mapping[str, Callable[[Control, Request], str | None]] = {
    "mount": Control._mount,
    "unmount": Control._unmount,
    "lid": Control._lid,
    "arm": Control._arm,
    "stop": Control._stop,
    "reset_gfci": Control._reset_gfci,
    "eyes": Control._eyes,
    "step": Control._step,
    "supply": Control._supply,
    "interlock": Control._interlock,
    "lamp": Control._lamp,
}


class ControlConnection:
    """One connection to the control channel: bytes in, bytes out."""

    def __init__(self, control: Control) -> None:
        self._control, self._buffer = control, b""

    def feed(self, data: bytes) -> bytes:
        """All complete request lines, answered."""
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        if len(self._buffer) > LONGEST_LINE:
            self._buffer = b""
            return b'{"error": "the request is too long"}\n'
        return b"".join(self._control.line(line) for line in lines if line.strip())
