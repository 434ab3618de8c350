"""Is the machine's clock set? A bench computer without a battery wakes up in the past.

A verdict is worth what its date is worth: calibration, bench proof and the order of attempts lean on it.
"""

from __future__ import annotations

import datetime
import time
from typing import TYPE_CHECKING

from rig.errors import Exit, RigError

if TYPE_CHECKING:
    from results.store import Store

# Before any version of this program was built; not the day of this one, so that a machine whose
# clock is a little slow can still run it.
BUILT = datetime.datetime(2025, 1, 1, tzinfo=datetime.UTC)
SLACK_S = 60.0  # a clock that a time server has put right; common practice, no source
REMEDY = "set the clock (timedatectl), then try again"


class ClockNotSet(RigError):
    """The machine's clock is before what has happened already: no verdict could be dated."""

    exit_code = Exit.NO_VERDICT


def refuse_unset(store: Store, bench_id: str, now_s: float | None = None) -> None:
    """Raise ClockNotSet when ``now_s`` (UTC; the machine's) is before this program or this bench's
    newest record."""
    now_s = time.time() if now_s is None else now_s
    says = f"says {_words(now_s)}"
    if now_s < BUILT.timestamp():
        raise ClockNotSet("clock", f"{says}, before this program was built", REMEDY)
    newest = store.newest_of(bench_id)
    if newest is not None and now_s < newest.at_ms / 1e3 - SLACK_S:
        record = f"{newest.number} of bench {bench_id}, made {_words(newest.at_ms / 1e3)}"
        raise ClockNotSet("clock", f"{says}, before record {record}", REMEDY)


def set_back(opened_ms: int, now_s: float | None = None) -> str:
    """What to say when the clock is behind an attempt's opening (UTC, ms); empty when it isn't."""
    now_s = time.time() if now_s is None else now_s
    if now_s >= opened_ms / 1e3 - SLACK_S:
        return ""
    return f"the clock was set back to {_words(now_s)} while the attempt ran"


def _words(at_s: float) -> str:
    try:
        moment = datetime.datetime.fromtimestamp(at_s, datetime.UTC)
    except (OverflowError, OSError, ValueError):
        return f"{at_s:.0f} s since 1970"
    return moment.strftime("%Y-%m-%d %H:%M UTC")
