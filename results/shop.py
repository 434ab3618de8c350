"""The shop's store behind a home: many homes, one server, and a bench that goes on without it.

A home appends to its own file first, so that a lost server never costs a record; then what the server
lacks is handed over, and what others handed over is fetched. The server is asked in a thread of its
own: one that hangs costs a bench ``PATIENCE_S``, not its run.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from results import handover, joining
from results.errors import OutOfReach, ResultsError
from results.joining import Membership

if TYPE_CHECKING:
    from results.store import Store

PATIENCE_S = 5.0  # without a record moving: the server is taken for lost
PAUSE_S = 30.0  # so long a lost server isn't asked again


@dataclass(slots=True)
class Shop:
    """A home's link to its shop's store. ``words``: what is amiss, empty when all is handed over."""

    home: Store
    store: Store
    words: str = ""
    _moved: int = 0
    _ask_again_s: float = 0.0
    _fault: Exception | None = None
    _thread: threading.Thread | None = None

    def join(self) -> None:
        """Get letters in the shop, and exchange what is new.

        Raises OutOfReach when this home has none yet and the server doesn't answer; StoreUnavailable
        and MixedHome when the two don't belong together.
        """
        self._within_patience(self._join)
        fault = self._fault
        if fault is None:
            self.exchange()
        elif not isinstance(fault, OutOfReach) or self.membership() is None:
            raise fault

    def membership(self) -> Membership | None:
        """This home's place in the shop, None before it has joined."""
        with self.home._reading() as connection:
            return joining.membership(connection)

    def exchange(self) -> None:
        """Hand over and fetch. Never raises: the home has each record already; see ``words``."""
        if time.monotonic() >= self._ask_again_s:
            self._within_patience(self._carry)

    def close(self) -> None:
        """Let the connections go, unless the server hangs on one."""
        if self._thread is None or not self._thread.is_alive():
            self.store.close()

    # ---- asking ------------------------------------------------------------------------------------

    def _within_patience(self, act: Callable[[], None]) -> None:
        """Do it, or take over what an earlier call couldn't wait for; notes what was amiss."""
        if self._thread is None or not self._thread.is_alive():
            self._fault, self.words = None, ""
            self._thread = threading.Thread(target=self._try, args=(act,), daemon=True)
            self._thread.start()
        seen = -1
        while self._thread.is_alive() and seen != self._moved:
            seen = self._moved
            self._thread.join(PATIENCE_S)
        if self._thread.is_alive():
            self._note(OutOfReach(self.store.place.name, "doesn't answer"))

    def _try(self, act: Callable[[], None]) -> None:
        try:
            act()
        except Exception as fault:  # told in words: the record is in the home, the run goes on
            self._note(fault)

    def _note(self, fault: Exception) -> None:
        self._fault = fault
        if isinstance(fault, OutOfReach):
            self._ask_again_s = time.monotonic() + PAUSE_S
        said = str(fault) if isinstance(fault, ResultsError) else repr(fault)
        self.words = f"kept in this home, to be handed over later: {said}"

    # ---- in the thread -----------------------------------------------------------------------------

    def _join(self) -> None:
        where = self.home.place.name
        self.store.make_ready()
        mine = self.membership()
        with self.store._writing() as there, self.home._reading() as here:
            if mine is None:
                joining.refuse_unnumbered(here, handover.heads(there), where)
            itself, given = joining.enter(there, mine, where)
        with self.home._writing() as here:
            joining.settle(here, itself, given, where)

    def _carry(self) -> None:
        skip = self._compared()
        self._one_way(self.store, self.home, skip)
        self._one_way(self.home, self.store, skip)
        if skip:
            chains = ", ".join(sorted(skip))
            self.words = (
                f"not handed over: this home and the shop's store have parted in the chain of "
                f"{chains}; two homes went on from the same record. Keep both as they are"
            )

    def _compared(self) -> set[str]:
        """Chains that have parted. Raises MixedHome."""
        with self.home._reading() as here, self.store._reading() as there:
            unstamped = joining.unstamped(here, there, self.store.place.name)
            mine, theirs = handover.heads(here), handover.heads(there)
            one = handover.parted(here, mine, theirs)
            found = one | handover.parted(there, theirs, mine)
        if unstamped is not None:
            with self.store._writing() as there:
                joining.stamp(there, unstamped)
        return found

    def _one_way(self, source: Store, target: Store, skip: set[str]) -> None:
        with target._reading() as there:
            have = handover.heads(there)
        with source._reading() as here:
            for load in handover.loads(here, have, skip):
                with target._writing() as there:
                    handover.take(there, load)
                    joining.learn_homes(here, there)
                self._moved += 1
