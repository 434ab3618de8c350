"""The home, a bench's lock and its lockout."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from rig import home
from rig.errors import BenchBusy, Exit, HomeUnusable, RigError


@pytest.fixture(autouse=True)
def _own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(home.STATE_VARIABLE, str(tmp_path / "state"))
    monkeypatch.delenv(home.HOME_VARIABLE, raising=False)


def test_option_before_variable_before_platform(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "xdg"))
    assert home.data_dir() == tmp_path / "xdg" / "milliproof"
    monkeypatch.setenv(home.HOME_VARIABLE, str(tmp_path / "variable"))
    assert home.data_dir() == tmp_path / "variable"
    assert home.data_dir(tmp_path / "option") == tmp_path / "option"


def test_only_the_owner_may_look(tmp_path: Path) -> None:
    made = home.data_dir(tmp_path / "new" / "home")
    assert stat.S_IMODE(made.stat().st_mode) == 0o700


def test_a_file_in_the_way(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("")
    with pytest.raises(HomeUnusable, match="a file is in the way"):
        home.data_dir(tmp_path / "taken")
    with pytest.raises(HomeUnusable, match="a file is in the way"):
        home.data_dir(tmp_path / "taken" / "below")


@pytest.mark.parametrize(
    ("number", "words"),
    [(28, "the disk is full"), (30, "the file system is read-only"), (13, "no permission")],
)  # ENOSPC, EROFS, EACCES of Linux
def test_trouble_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, words: str
) -> None:
    def refuse(**kwargs: object) -> None:
        raise OSError(number, "refused")

    monkeypatch.setattr(home.tempfile, "TemporaryFile", refuse)
    with pytest.raises(HomeUnusable, match=words) as caught:
        home.data_dir(tmp_path)
    assert caught.value.exit_code == Exit.WRONG_USE


def test_lock_names_the_holder() -> None:
    holder = (
        "import sys\nfrom rig.home import bench_lock\n"
        "with bench_lock('b1'):\n    print('held', flush=True)\n    sys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", holder], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdin is not None
        assert other.stdout is not None
        assert other.stdout.readline() == b"held\n"
        words = f"locked by another program .process {other.pid}."
        with pytest.raises(BenchBusy, match=words), home.bench_lock("b1"):
            pass
        with home.bench_lock("another"):
            pass
        other.kill()  # a crash leaves nothing to clean up
        other.wait()
    with home.bench_lock("b1"):
        pass


def test_lock_in_the_same_program() -> None:
    with home.bench_lock("b1"):
        with pytest.raises(BenchBusy, match=str(os.getpid())), home.bench_lock("b1"):
            pass
        with pytest.raises(BenchBusy), home.bench_lock("b1"):
            pass
    with home.bench_lock("b1"):
        pass


def test_lockout_survives_and_keeps_its_first_reason() -> None:
    assert home.read_lockout("b1") is None
    home.write_lockout("b1", "off could not be proved", at="2026-11-25T10:00:00+00:00")
    home.write_lockout("b1", "something later")
    found = home.read_lockout("b1")
    assert found == home.Lockout("off could not be proved", "2026-11-25T10:00:00+00:00")
    assert home.read_lockout("b2") is None
    home.clear_lockout("b1")
    assert home.read_lockout("b1") is None
    home.clear_lockout("b1")  # nothing to clear is no error


@pytest.mark.parametrize("damage", [b"", b"{", b"[]", b'{"reason": 1}', b"\xff\xfe"])
def test_damaged_lockout_still_locks_out(damage: bytes) -> None:
    home.write_lockout("b1", "reason")
    (home.state_dir() / "b1.lockout.json").write_bytes(damage)
    found = home.read_lockout("b1")
    assert found is not None
    assert "can't be read" in found.reason


def test_never_overwrites(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    home.write_new(path, "one")
    with pytest.raises(RigError, match="exists already"):
        home.write_new(path, "two")
    assert path.read_text() == "one"
    with pytest.raises(RigError, match="directory does not exist"):
        home.write_new(tmp_path / "no" / "bench.toml", "x")
