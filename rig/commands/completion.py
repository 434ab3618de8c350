"""milliproof completion: the script that makes a shell complete our commands."""

from __future__ import annotations

import click
from click.shell_completion import get_completion_class

from rig.commands.options import with_json
from rig.commands.output import emit
from rig.errors import RigError

EPILOG = """\b
Put one of these into your shell's start file:
  bash  eval "$(milliproof completion bash)"
  zsh   eval "$(milliproof completion zsh)"
  fish  milliproof completion fish | source

\b
Exit codes: 0 printed, 2 wrong use."""


@click.command(epilog=EPILOG)
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
@with_json
def completion(shell: str, as_json: bool) -> None:
    """Print the completion script for a shell."""
    from rig.main import cli

    kind = get_completion_class(shell)
    if kind is None:
        raise RigError("completion", f"this version of click can't complete in {shell}")
    script = kind(cli, {}, "milliproof", "_MILLIPROOF_COMPLETE").source()
    if as_json:
        emit({"shell": shell, "script": script})
    else:
        click.echo(script)
