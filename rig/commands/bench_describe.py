"""milliproof bench describe: write a commented bench file to start from."""

from __future__ import annotations

from pathlib import Path

import click

from rig.commands.options import with_json
from rig.commands.output import emit, say

EXAMPLES = {
    "smallest": "smallest.toml",
    "split-phase": "split_phase.toml",
    "230v": "single_phase_230.toml",
}
DRAWING = "wiring_drawing.txt"
EPILOG = """\b
Examples:
  milliproof bench describe --out my-bench.toml
  milliproof bench describe --example 230v > my-bench.toml

\b
Exit codes: 0 written, 2 the file exists already or can't be written."""


def example_text(name: str) -> str:
    """The text of an example bench file, with the wiring drawn as comments at its end."""
    from importlib.resources import files

    room = files("rig")
    example = (room / "examples" / EXAMPLES[name]).read_text("utf-8")
    drawing = (room / DRAWING).read_text("utf-8").splitlines()
    return "\n".join([example, *(f"# {line}".rstrip() for line in drawing), ""])


@click.command(epilog=EPILOG)
@click.option("--out", type=click.Path(path_type=Path), help="File to write; else stdout.")
@click.option(
    "--example",
    type=click.Choice(list(EXAMPLES)),
    default="split-phase",
    show_default=True,
    help="Which bench to start from.",
)
@with_json
def describe(out: Path | None, example: str, as_json: bool) -> None:
    """Write a commented bench file to start from. Never overwrites a file."""
    text = example_text(example)
    if out is not None:
        from rig.home import write_new

        write_new(out, text)
        say(f"{out} written: change every address, range and date to your own hardware's,")
        say(f"then: milliproof bench check --bench {out}")
    if as_json:
        shown = {} if out else {"text": text}
        emit({"example": example, "out": str(out) if out else None, **shown})
    elif out is None:
        click.echo(text, nl=False)
