"""milliproof plot: pictures of one attempt, for paper and screen."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from rig.commands.options import Words, with_home, with_json
from rig.commands.output import emit, say
from rig.errors import Exit

KINDS = ("time", "vectors", "place")
EPILOG = """\b
Examples:
  milliproof plot R-000026
  milliproof plot R-000026 --kind time --format svg --out pictures
  milliproof plot R-000026 --json

\b
time: leakage against time with limits, guard band, each condition, fit and predicted end.
vectors: in-phase and capacitive part of each condition with its uncertainty.
place: where along an element the leak sits, where that was measured.
Needs the extra: pip install 'milliproof[plots]'.
Exit codes: 0 drawn, 2 wrong use, no such attempt, nothing to draw, or the files can't be written."""


@click.command(epilog=EPILOG)
@click.argument("record", type=Words())
@click.option("--kind", "wanted", multiple=True, type=click.Choice(KINDS), help="Only this kind.")
@click.option(
    "--format", "formats", multiple=True, type=click.Choice(("png", "svg")), help="Else both."
)
@click.option(
    "--out", default=".", type=click.Path(path_type=Path, file_okay=False), help="Directory."
)
@with_home
@with_json
def plot(
    record: str,
    wanted: Sequence[str],
    formats: Sequence[str],
    out: Path,
    home: Path | None,
    as_json: bool,
) -> Exit:
    """Draw an attempt: leakage against time, vector diagram, place on the element."""
    from results.errors import NotFound
    from rig.plots import draw, kinds, source
    from rig.shop import open_store

    with open_store(home) as store:
        made_of = source(store, record)
    there = kinds(made_of)
    missing = [kind for kind in wanted if kind not in there]
    if missing or not there:
        what = f"has nothing for {', '.join(missing) or 'a picture'}"
        raise NotFound(f"record {record}", what, f"it has: {', '.join(there) or 'no reading'}")
    _make(out)
    drawn = [
        draw(made_of, kind, out / f"{made_of.closing.number}-{kind}.{suffix}")
        for kind in wanted or there
        for suffix in formats or ("png", "svg")
    ]
    if as_json:
        emit({"record": made_of.closing.number, "files": [str(path) for path in drawn]})
    for path in drawn:
        say(f"written: {path}")
    return Exit.DONE


def _make(out: Path) -> None:
    from rig.errors import RigError

    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise RigError(str(out), f"can't be made: {exc.strerror}", "give another --out") from exc
