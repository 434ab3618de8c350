"""Setting a document: a directory for the typesetter, a process for it, and what came of it."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from results.errors import ReportImpossible

LONGEST_S = 60.0
INSTALL = "install the extra: pip install 'milliproof[reports]'"
Data = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Setting:
    """A document on its way: ``finish`` waits for it. A context manager would hide the waiting."""

    process: subprocess.Popen[bytes]
    place: tempfile.TemporaryDirectory[str]

    def finish(self) -> dict[str, bytes]:
        """What was set: "out.pdf", and "out.png" where it was asked for. Raises ReportImpossible."""
        with self.place as place, self.process as process:
            try:
                _, said = process.communicate(timeout=LONGEST_S)
            except subprocess.TimeoutExpired as fault:
                process.kill()
                what = f"was not set within {LONGEST_S:.0f} s"
                raise ReportImpossible("typesetter", what, "try again") from fault
            if process.returncode:
                raise _refusal(said.decode("utf-8", "replace"))
            return {one.name: one.read_bytes() for one in Path(place).glob("out.*")}


def begin(template: str, data: Data, attached: Mapping[str, bytes]) -> Setting:
    """Start to set ``template`` (a file of ``templates/``) with ``data``; ``attached``: files by name
    that the template reads."""
    place = tempfile.TemporaryDirectory(prefix="milliproof-report-")
    root = Path(place.name)
    for source in files("results.report").joinpath("templates").iterdir():
        (root / source.name).write_bytes(source.read_bytes())
    (root / template).rename(root / "main.typ")
    (root / "data.json").write_text(json.dumps(data), "utf-8")
    for name, content in attached.items():
        (root / name).write_bytes(content)
    child = str(Path(__file__).with_name("set_pages.py"))
    command = [sys.executable, "-I", child, str(root)]
    process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stderr=subprocess.PIPE)
    return Setting(process, place)


def _refusal(said: str) -> ReportImpossible:
    if "No module named 'typst'" in said:
        return ReportImpossible("report", "typst is not installed", INSTALL)
    last = said.strip().splitlines()[-1:] or ["no reason given"]
    return ReportImpossible("report", f"can't be set: {last[0]}", "this is a defect: report it")
