"""The command line in this process, with a home and a state directory of the test's own."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from rig import main as main_module


class Ran(NamedTuple):
    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


@pytest.fixture
def cli(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Any:
    monkeypatch.setenv("MILLIPROOF_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("MILLIPROOF_STATE", str(tmp_path / "state"))
    monkeypatch.delenv(main_module.DEBUG_VARIABLE, raising=False)

    def run(*args: object) -> Ran:
        code = main_module.run([str(arg) for arg in args])
        out, err = capsys.readouterr()
        return Ran(int(code), out, err)

    return run
