"""Whether the guard's own tests reach each line and branch of it: ``python -m tests.rig.guard_coverage``.

Ends with 1 and names the places when they don't. Only the guard's own tests run here: what a whole
run happens to pass through is no test of it.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import coverage
import pytest

ROOT = Path(__file__).parents[2]
MODULES = (
    "rig/guard.py",
    "rig/guard_bus.py",
    "rig/guard_seen.py",
    "rig/guard_table.py",
    "rig/scan_loop.py",
)
TESTS = (
    "tests/rig/test_guard.py",
    "tests/rig/test_guard_commissioning.py",
    "tests/rig/test_guard_edges.py",
    "tests/rig/test_guard_lies.py",
    "tests/rig/test_guard_outputs.py",
    "tests/rig/test_guard_step.py",
    "tests/rig/test_guard_tables.py",
    "tests/rig/test_scan_loop.py",
    "tests/rig/test_scan_edges.py",
    "tests/rig/test_wiring.py",
)


def main() -> int:
    """0: every line and branch is reached. 1: not. 2: a test failed, so nothing is known."""
    with tempfile.TemporaryDirectory() as where:
        reach = coverage.Coverage(
            data_file=str(Path(where) / "reached"),
            branch=True,
            include=[str(ROOT / name) for name in MODULES],
        )
        reach.start()
        failed = pytest.main(["-x", "-p", "no:cacheprovider", *(str(ROOT / t) for t in TESTS)])
        reach.stop()
        if failed:
            return 2
        percent = reach.report(show_missing=True)
        unseen = set(MODULES) - {_name(path) for path in reach.get_data().measured_files()}
    for name in sorted(unseen):
        print(f"{name}: never imported")
    return 1 if percent < 100.0 or unseen else 0


def _name(path: str) -> str:
    return Path(path).relative_to(ROOT).as_posix()


if __name__ == "__main__":
    sys.exit(main())
