"""The controller's side of the control channel, and a clock that walks the bench in lockstep."""

from __future__ import annotations

import json
import socket
from typing import Any

from drivers.errors import DriverError, Garbled, LineLost, PortUnavailable, Refused, Silent

DEADLINE_S = 30.0
LONGEST = 65_536


class RemoteBench:
    """A connection to a virtual bench's control channel. Close it when done."""

    def __init__(self, host: str, port: int) -> None:
        self.where = f"virtual bench {host}:{port}"
        try:
            self._socket = socket.create_connection((host, port), timeout=DEADLINE_S)
        except OSError as exc:
            remedy = "start it with: milliproof virtual --bench-out FILE"
            raise PortUnavailable(self.where, f"doesn't answer: {exc}", remedy) from exc
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def advance(self, seconds: float) -> float:
        """Let ``seconds`` of simulated time pass; the simulated time after it."""
        line = f'{{"do": "advance", "s": {float(seconds)!r}}}\n'  # each scan does this: no encoder
        return float(self._answered(line.encode())["t_s"])

    def hands(self, act: str, **what: Any) -> str:
        """What a technician does or sees; ``done`` or the answer. Raises Refused with the reason."""
        return str(self._ask({"do": "hands", "act": act, **what})["said"])

    def account(self) -> dict[str, Any]:
        """Hazards counted by the bench itself: hazards, kinds, entries, t_s; and ``faults``, each with
        number, kind, where, onset_s, energised, off_s (next without volts), ended_s, hits, allowed_s,
        late."""
        return self._ask({"do": "account"})

    def fault(self, kind: str, **how: Any) -> str:
        """Begin a fault: ``where``, ``for_s`` (simulated), ``count`` (replies) and what the kind takes.
        Raises Refused with the reason where there can be none."""
        return str(self._ask({"do": "fault", "kind": kind, **how})["said"])

    def mend(self) -> str:
        """Remove all faults, those of the contacts too. Raises Refused while an output is on."""
        return str(self._ask({"do": "mend"})["said"])

    def faults(self) -> list[dict[str, Any]]:
        """Every kind of fault: kind, group, words, where (all places), falsifies, allowed_s, takes."""
        found: list[dict[str, Any]] = self._ask({"do": "faults"})["faults"]
        return found

    def verdict(self, verdict: str, serial: str) -> str:
        """Tell the bench what a mounted part was given; words when that is a hazard, else empty."""
        return str(self._ask({"do": "verdict", "verdict": verdict, "serial": serial})["said"])

    def moments(self) -> dict[str, float | None]:
        """When things happened last, ``time.monotonic`` seconds; only in real time."""
        return self._ask({"do": "moments"})

    def shelf(self) -> dict[str, dict[str, Any]]:
        """Serial numbers with the words on the plates."""
        shelf: dict[str, dict[str, Any]] = self._ask({"do": "shelf"})["shelf"]
        return shelf

    def close(self) -> None:
        """Close the connection; the bench goes on."""
        self._socket.close()

    def _ask(self, request: dict[str, Any]) -> dict[str, Any]:
        return self._answered(json.dumps(request).encode() + b"\n")

    def _answered(self, line: bytes) -> dict[str, Any]:
        answer = self._parse(self._exchange(line))
        if "error" in answer:
            raise Refused(self.where, str(answer["error"]))
        return answer

    def _exchange(self, line: bytes) -> bytes:
        try:
            self._socket.sendall(line)
            reply = b""
            while not reply.endswith(b"\n"):
                more = self._socket.recv(LONGEST)
                if not more:
                    raise LineLost(self.where, "closed the connection")
                reply += more
        except TimeoutError as exc:
            raise Silent(self.where, f"no answer within {DEADLINE_S} s") from exc
        except (OSError, ValueError) as exc:
            raise LineLost(self.where, f"connection lost: {exc}") from exc
        return reply

    def _parse(self, reply: bytes) -> dict[str, Any]:
        try:
            answer = json.loads(reply)
        except ValueError as exc:
            raise Garbled(self.where, f"not JSON: {reply[:60]!r}") from exc
        if not isinstance(answer, dict):
            raise DriverError(self.where, f"not an answer: {reply[:60]!r}")
        return answer


class LockstepClock:
    """Control time told by the bench: its simulated time plus what was spent since the last advance.

    Implements ``drivers.roles.Clock``. One advance per sleep, the whole gap at once.
    """

    def __init__(self, remote: RemoteBench) -> None:
        self._remote = remote
        self._bench_s = remote.advance(0.0)
        self._spent_s = 0.0

    def now_s(self) -> float:
        """Simulated seconds."""
        return self._bench_s + self._spent_s

    def spent(self, cost_s: float) -> None:
        """Charge a transaction's declared latency, or a time-out's deadline."""
        self._spent_s += cost_s

    def sleep_until(self, t_s: float) -> None:
        """Let the bench catch up with what was spent and go on to ``t_s`` if that is later."""
        gap_s = max(t_s, self.now_s()) - self._bench_s
        self._spent_s = 0.0
        if gap_s > 0.0:
            self._bench_s = self._remote.advance(gap_s)
