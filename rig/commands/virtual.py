"""``milliproof virtual``: a virtual bench alone, for anyone's Modbus or SCPI client."""

from __future__ import annotations

import json
import signal
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

_FILE = click.Path(dir_okay=False, path_type=Path)
_OURS = b"# A virtual bench."  # how the bench file of a virtual bench begins
_SCENARIO = click.Path(exists=True, dir_okay=False, path_type=Path)


@click.command()
@click.option("--bench-out", required=True, type=_FILE, help="Write the fitting bench file here.")
@click.option(
    "--scenario", type=_SCENARIO, help="File with the parts on the shelf; else the demo's."
)
@click.option(
    "--real-time", is_flag=True, help="By the wall clock; else a controller moves its time."
)
@click.option("--seed", type=int, default=1, show_default=True, help="Draws the meters' errors.")
@click.option("--json", "as_json", is_flag=True, help="Ports and shelf as JSON on stdout.")
def virtual(
    bench_out: Path, scenario: Path | None, real_time: bool, seed: int, as_json: bool
) -> None:
    """Start a virtual bench and keep it until Ctrl-C.

    It speaks Modbus RTU on a pty, Modbus TCP, SCPI over TCP, and prints lines on a second pty; the
    bench file says where. SIMULATED: its numbers say nothing about any real part.

    \b
    Examples:
      milliproof virtual --bench-out virtual.toml
      milliproof bench check --bench virtual.toml     (in another terminal)
      milliproof bench prove --bench virtual.toml --yes
    """
    from drivers.virtual.process import Options, launch
    from drivers.virtual.remote import RemoteBench
    from drivers.virtual.scenario import DEMO

    _refuse_other(bench_out)
    options = Options(scenario or DEMO, real_time, seed, bench_out)
    with launch(options) as ports:
        host, _, port = str(ports["control"]).rpartition(":")
        remote = RemoteBench(host, int(port))
        shelf = remote.shelf()
        remote.close()
        _announce(ports, shelf, bench_out, as_json)
        _wait_for_a_person()


def _refuse_other(path: Path) -> None:
    """Write over an earlier virtual bench's file, which is of no more use, and over no other."""
    from rig.errors import RigError

    if path.is_file() and not path.read_bytes().startswith(_OURS):
        raise RigError(str(path), "exists and is no virtual bench's file", "choose another name")


def _announce(
    ports: Mapping[str, Any], shelf: Mapping[str, Mapping[str, Any]], bench_out: Path, as_json: bool
) -> None:
    if as_json:
        said = {**ports, "bench_file": str(bench_out), "shelf": shelf, "simulated": True}
        click.echo(json.dumps(said))
        return
    click.echo(f"SIMULATED virtual bench, described in {bench_out}")
    for name, where in ports.items():
        click.echo(f"  {name:<11} {where}")
    click.echo("On the shelf (serial, family, model):")
    for serial, plate in shelf.items():
        click.echo(f"  {serial:<11} {plate['family']:<17} {plate.get('model', '')}")
    click.echo(f"Next: milliproof bench prove --bench {bench_out} --yes. Ctrl-C ends the bench.")


def _wait_for_a_person() -> None:
    """Until Ctrl-C, a polite kill or a closed terminal."""
    ends = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    signal.pthread_sigmask(signal.SIG_BLOCK, ends)
    signal.sigwait(ends)
