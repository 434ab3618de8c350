"""Where data and state live: the home with its records, and per bench its lock and its lockout.

A home can be copied, moved or chosen by option; a lock and a lockout belong to the bench, so they
live in the platform's state directory, whatever home is in use.
"""

from __future__ import annotations

import contextlib
import datetime
import errno
import fcntl
import json
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from rig.commissioned import Drill, counts
from rig.errors import BenchBusy, HomeUnusable, RigError

HOME_VARIABLE = "MILLIPROOF_HOME"
STATE_VARIABLE = "MILLIPROOF_STATE"
OWNER_ONLY = 0o700

_CAUSES = {  # errno: (what, remedy)
    errno.ENOSPC: ("the disk is full", "free space or choose another place with --home"),
    errno.EDQUOT: ("the disk quota is used up", "free space or choose another place with --home"),
    errno.EFBIG: ("the limit on a file's size is reached", "raise it: ulimit -f"),
    errno.EROFS: ("the file system is read-only", "choose another place with --home"),
    errno.EACCES: ("no permission", "choose another place with --home or correct its rights"),
    errno.EPERM: ("no permission", "choose another place with --home or correct its rights"),
    errno.ENOTDIR: ("a file is in the way", "remove it or choose another place with --home"),
    errno.EEXIST: ("a file is in the way", "remove it or choose another place with --home"),
    errno.ENAMETOOLONG: ("the name is too long", "choose another place with --home"),
}


def _unusable(path: Path, exc: OSError) -> HomeUnusable:
    words = (exc.strerror or str(exc), "choose another place with --home")
    what, remedy = _CAUSES.get(exc.errno or 0, words)
    return HomeUnusable(str(path), what, remedy)


def data_dir(chosen: str | Path | None = None) -> Path:
    """The home: ``chosen``, else MILLIPROOF_HOME, else the platform's; made and proved writable.

    Raises HomeUnusable: read-only, full, a file in the way, no permission.
    """
    given = chosen or os.environ.get(HOME_VARIABLE)
    if given:
        return _usable(Path(given).expanduser().absolute())
    import platformdirs  # not needed for help

    return _usable(platformdirs.user_data_path("milliproof"))


def demo_dir(chosen: str | Path | None = None) -> Path:
    """The demo's home: ``chosen`` or MILLIPROOF_HOME, else one beside the real records' home."""
    if chosen or os.environ.get(HOME_VARIABLE):
        return data_dir(chosen)
    import platformdirs

    return _usable(platformdirs.user_data_path("milliproof-demo"))


def state_dir() -> Path:
    """Where locks and lockouts live: MILLIPROOF_STATE, else the platform's; raises HomeUnusable."""
    given = os.environ.get(STATE_VARIABLE)
    if given:
        return _usable(Path(given).expanduser().absolute())
    import platformdirs

    return _usable(platformdirs.user_state_path("milliproof"))


def _usable(path: Path) -> Path:
    try:
        path.mkdir(mode=OWNER_ONLY, parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=path) as probe:
            probe.write(b"x")
            probe.flush()
    except OSError as exc:
        raise _unusable(path, exc) from exc
    except ValueError as exc:  # a NUL in the name
        raise HomeUnusable(repr(str(path)), str(exc), "choose another place with --home") from exc
    return path


# ---- one program per bench ---------------------------------------------------------------------------


@contextmanager
def bench_lock(bench_id: str) -> Iterator[None]:
    """Hold the bench until the end of the block; BenchBusy names the program that holds it.

    The kernel drops the lock when the holder dies, so a crash leaves nothing to clean up.
    """
    path = state_dir() / f"{bench_id}.lock"
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as exc:
        raise _unusable(path, exc) from exc
    try:
        _take(handle, bench_id)
        yield
    finally:
        os.close(handle)


def _take(handle: int, bench_id: str) -> None:
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as exc:
        holder = os.pread(handle, 20, 0).decode("ascii", "replace").strip() or "unknown"
        what = f"bench locked by another program (process {holder})"
        raise BenchBusy(f"bench {bench_id}", what, "wait for it or end it") from exc
    os.ftruncate(handle, 0)
    os.pwrite(handle, f"{os.getpid()}\n".encode(), 0)


# ---- lockout -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Lockout:
    """Why and when (UTC, ISO 8601) a bench was locked out."""

    reason: str
    at: str


def _lockout_file(bench_id: str) -> Path:
    return state_dir() / f"{bench_id}.lockout.json"


def read_lockout(bench_id: str) -> Lockout | None:
    """The bench's lockout, None when it has none. A damaged file still locks out."""
    path = _lockout_file(bench_id)
    try:
        found = json.loads(path.read_text("utf-8"))
        return Lockout(str(found["reason"]), str(found["at"]))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError) as exc:
        return Lockout(f"the lockout file {path.name} can't be read ({exc})", "unknown")


def write_lockout(bench_id: str, reason: str, at: str | None = None) -> Lockout:
    """Lock the bench out, durably. A lockout that is there already keeps its first reason."""
    standing = read_lockout(bench_id)
    if standing is not None:
        return standing
    now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    lockout = Lockout(reason, at or now)
    path = _lockout_file(bench_id)
    _write_durably(path, json.dumps({"reason": lockout.reason, "at": lockout.at}))
    return lockout


def clear_lockout(bench_id: str) -> None:
    """Release the bench. The caller has recorded who did it and why."""
    path = _lockout_file(bench_id)
    try:
        with contextlib.suppress(FileNotFoundError):
            path.unlink()
        _sync_dir(path.parent)
    except OSError as exc:
        raise _unusable(path, exc) from exc


def _write_durably(path: Path, text: str) -> None:
    fresh = path.with_suffix(".new")
    try:
        with fresh.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(path)
        _sync_dir(path.parent)
    except OSError as exc:
        raise _unusable(path, exc) from exc


def _sync_dir(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


# ---- the fault drill -----------------------------------------------------------------------------------

# beside the lockouts: a drill is simulated, and a real home holds real records only
DRILL_FILE = "drill.json"


def read_drill() -> Drill | None:
    """The newest whole fault drill on this machine; None when there is none that can be read."""
    try:
        found = json.loads((state_dir() / DRILL_FILE).read_text("utf-8"))
        wanted = {"version": str, "passed": bool, "count": int, "seed": int, "at": str}
        if any(type(found[name]) is not kind for name, kind in wanted.items()):
            return None
        return Drill(**{name: found[name] for name in wanted})
    except (OSError, ValueError, KeyError, TypeError):
        return None


def write_drill(drill: Drill) -> None:
    """Keep a whole fault drill, passed or not, durably; a shorter pass takes nothing away."""
    now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    dated = replace(drill, at=drill.at or now)
    body = asdict(counts(read_drill(), dated))
    _write_durably(state_dir() / DRILL_FILE, json.dumps(body))


# ---- writing a new file ------------------------------------------------------------------------------


def write_new(path: Path, content: str | bytes) -> None:
    """Write text or bytes to a file that does not exist yet; RigError when it does."""
    try:
        with path.open("xb") as file:
            file.write(content.encode() if isinstance(content, str) else content)
    except FileExistsError as exc:
        raise RigError(str(path), "exists already", "choose another name, or remove it") from exc
    except FileNotFoundError as exc:
        raise RigError(str(path), "its directory does not exist", "make it first") from exc
    except OSError as exc:
        what, remedy = _CAUSES.get(exc.errno or 0, (exc.strerror or str(exc), ""))
        raise RigError(str(path), what, remedy.replace(" with --home", "")) from exc


def forget_bench(bench_id: str) -> None:
    """Remove lock and lockout of a virtual bench that is no more."""
    for path in (state_dir() / f"{bench_id}.lock", _lockout_file(bench_id)):
        path.unlink(missing_ok=True)
