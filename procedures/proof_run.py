"""What the bench proof's checks share: the run, the record of checks, waiting until it is live."""

from __future__ import annotations

from dataclasses import dataclass, field

from procedures.scan import Accuracy, Check, Demand
from procedures.steps import Run, Step, give

LIVE_LONGEST_S = 20.0
POOR = Accuracy(5.0, 0.05)


@dataclass(slots=True)
class Proof:
    """The run and the fixture vectors found so far; ``second_ma`` those of the second sensor.

    ``watchdog_s``: how long the relay board may take to drop the contactors.
    """

    run: Run
    fixture_ma: dict[str, tuple[float, float]] = field(default_factory=dict)
    second_ma: dict[str, tuple[float, float]] = field(default_factory=dict)
    watchdog_s: float = 3.0

    def check(
        self,
        name: str,
        value: float | None,
        unit: str,
        allowed: str,
        met: bool | None,
        words: str = "",
    ) -> None:
        """Put a check into the record."""
        self.run.checks.append(Check(name, value, unit, allowed, met, words))

    def fitted(self, outputs: str, check: str, unproved: str) -> bool:
        """Whether an output is fitted; if not, the check is recorded as not done."""
        if outputs in self.run.setup.proof:
            return True
        self.check(check, None, "", "", None, f"not done, {outputs} is not fitted: {unproved}")
        return False

    def accuracy(self, quantity: str) -> Accuracy:
        """The meter's statement, or a poor meter's."""
        return self.run.setup.accuracy.get(quantity, POOR)


def live(run: Run, want: Demand) -> Step[bool]:
    """Wait until the demand is energised; a demand without a feed shows only in the state."""
    scan = yield from give(run, want)
    start_s = scan.t_s
    while scan.state != "live" or scan.feed != want.feed:
        waits_for_bench = not scan.waiting and scan.t_s - start_s > LIVE_LONGEST_S
        if scan.event is not None or waits_for_bench:
            return False
        scan = yield from give(run, want)
    return True
