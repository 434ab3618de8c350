"""The command ``milliproof``. Subcommands are imported only when they are called.

``COMMANDS``, ``BENCH_COMMANDS``, ``KEYS_COMMANDS`` are the whole command line: name, module, short
help.
"""

from __future__ import annotations

import errno
import importlib
import io
import os
import sys
from collections.abc import Mapping, Sequence
from importlib.machinery import PathFinder
from typing import TYPE_CHECKING, NamedTuple

import click
from click.exceptions import NoArgsIsHelpError, NoSuchCommand

from rig.errors import EXIT_WORDS, Exit, WrongPackages, exit_code, is_known
from rig.stopping import ignore, raise_stopped

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

DEBUG_VARIABLE = "MILLIPROOF_DEBUG"
NOBODY_READS = (errno.EPIPE, errno.EIO)  # a closed pipe, a closed terminal


class Lazy(NamedTuple):
    """A subcommand: where its click command is (``module:name``) and its line in the help."""

    place: str
    words: str


COMMANDS: Mapping[str, Lazy] = {
    "demo": Lazy("rig.commands.demo:demo", "Prove fourteen invented parts on a virtual bench."),
    "bench": Lazy("rig.main:bench", "Ports, bench file, checks and proof of the bench."),
    "intake": Lazy("rig.commands.intake:intake", "Register a part and print its number."),
    "run": Lazy("rig.commands.run:run", "Prove a part in a bay."),
    "history": Lazy("rig.commands.history:history", "List attempts, newest first."),
    "statistics": Lazy(
        "rig.commands.statistics:statistics", "What fails, comes back, takes how long."
    ),
    "lookback": Lazy("rig.commands.lookback:lookback", "A meter was off: which verdicts change?"),
    "show": Lazy("rig.commands.show:show", "Show one record."),
    "custody": Lazy("rig.commands.custody:custody", "A part changes hands or place."),
    "dispose": Lazy("rig.commands.dispose:dispose", "Decide what becomes of a part."),
    "sell": Lazy("rig.commands.dispose:sell", "Record the sale of a part."),
    "quarantine": Lazy("rig.commands.quarantine:quarantine", "Keep a part from being sold; list."),
    "release": Lazy("rig.commands.quarantine:release", "Let a part out of quarantine."),
    "recall": Lazy("rig.commands.quarantine:recall", "Enter a recall notice."),
    "amend": Lazy("rig.commands.custody:amend", "Put something right, by another record."),
    "bundle": Lazy("rig.commands.bundle:bundle", "One record and its proofs in one file."),
    "report": Lazy("rig.commands.report:report", "An attempt on paper, sealed."),
    "tag": Lazy("rig.commands.tag:tag", "A label for a part, on 62 mm tape."),
    "verify": Lazy("rig.commands.verify:verify", "Check homes, bundles and reports."),
    "keys": Lazy("rig.main:keys", "Keys that sign records: list, rotate, replace, lock."),
    "plot": Lazy("rig.commands.plot:plot", "Draw an attempt: time, vectors, place."),
    "families": Lazy("rig.commands.families:families", "What each family's procedure does."),
    "limits": Lazy("rig.commands.limits:limits", "List the limits; approve those that need it."),
    "virtual": Lazy("rig.commands.virtual:virtual", "Start a virtual bench to drive yourself."),
    "suspects": Lazy("rig.commands.suspects:suspects", "Which part trips a spa, likeliest first."),
    "trip": Lazy("rig.commands.trip:trip", "Does a current trip its device?"),
    "together": Lazy("rig.commands.together:together", "Do parts trip it when they run at once?"),
    "study": Lazy("rig.commands.study:study", "How often is each way of deciding wrong?"),
    "drill": Lazy("rig.commands.drill:drill", "Break the virtual bench, and see what happens."),
    "backup": Lazy("rig.commands.backup:backup", "Copy all records to a file, while in use."),
    "restore": Lazy("rig.commands.restore:restore", "Make a store again from a backup."),
    "upgrade": Lazy("rig.commands.upgrade:upgrade", "Bring a shop's store to this version."),
    "completion": Lazy("rig.commands.completion:completion", "Print a shell completion script."),
}
BENCH_COMMANDS: Mapping[str, Lazy] = {
    "ports": Lazy("rig.commands.bench_ports:ports", "List serial ports and their permissions."),
    "describe": Lazy("rig.commands.bench_describe:describe", "Write a bench file to start from."),
    "check": Lazy("rig.commands.bench_check:check", "Read everything once; energise nothing."),
    "commission": Lazy("rig.commands.bench_commission:commission", "Is it wired as its file says?"),
    "unlock": Lazy("rig.commands.bench_unlock:unlock", "Clear a lockout, with reason and name."),
    "prove": Lazy("rig.commands.bench_prove:prove", "The bench proof at the start of the day."),
}

KEYS_COMMANDS: Mapping[str, Lazy] = {
    "list": Lazy("rig.commands.keys:listing", "Each chain's keys and their fingerprints."),
    "rotate": Lazy("rig.commands.keys:rotate", "A new key that the old one vouches for."),
    "replace": Lazy("rig.commands.keys:replace", "A new key for one that is lost."),
    "lock": Lazy("rig.commands.keys:lock", "Lock private keys by a passphrase."),
}


class LazyGroup(click.Group):
    """A group that knows its commands by name and imports one only when it is called."""

    def __init__(self, *args: object, table: Mapping[str, Lazy], **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        self.table = table

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.table)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in self.table:
            return None
        module, _, name = self.table[cmd_name].place.partition(":")
        command = getattr(importlib.import_module(module), name)
        return command if isinstance(command, click.Command) else None

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        try:
            return super().resolve_command(ctx, args)
        except NoSuchCommand as exc:  # click knows only imported commands, so hint for it
            raise NoSuchCommand(exc.command_name, possibilities=self.table, ctx=ctx) from exc

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, lazy.words) for name, lazy in self.table.items()])

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        from click.shell_completion import CompletionItem  # only a shell asks for it

        options = click.Command.shell_complete(self, ctx, incomplete)
        names = self.table.items()
        return [
            CompletionItem(n, help=lazy.words) for n, lazy in names if n.startswith(incomplete)
        ] + [item for item in options if item.value not in self.table]


_EXITS = "\n".join(f"  {code.value}  {words}" for code, words in EXIT_WORDS.items())
EPILOG = f"""\b
Exit codes of every command:
{_EXITS}

\b
Start here:
  milliproof demo
  milliproof bench describe --out my-bench.toml
  milliproof bench check --bench my-bench.toml

Every command takes --json: machine output on stdout, words for people on stderr.
Data live under --home, else MILLIPROOF_HOME, else your user data directory.
Completion in the shell: milliproof completion --help."""


@click.group(cls=LazyGroup, table=COMMANDS, epilog=EPILOG)
@click.version_option(package_name="milliproof")
def cli() -> None:
    """Prove suspected and salvaged spa parts in milliamps.

    Software is not protection: lock out, test before touch.
    """


BENCH_EPILOG = """\b
Examples:
  milliproof bench ports
  milliproof bench describe --example 230v --out my-bench.toml
  milliproof bench check --bench my-bench.toml"""


@click.group(cls=LazyGroup, table=BENCH_COMMANDS, epilog=BENCH_EPILOG)
def bench() -> None:
    """Ports, bench file, checks and proof of the bench."""


KEYS_EPILOG = """\b
Examples:
  milliproof keys list
  milliproof keys rotate shop --by "R. Tarn" --reason "yearly" """


@click.group(cls=LazyGroup, table=KEYS_COMMANDS, epilog=KEYS_EPILOG)
def keys() -> None:
    """Keys that sign records: list, rotate, replace, lock."""


def check_packages(names: Sequence[str] = ("drivers", "procedures", "results")) -> None:
    """WrongPackages when a room would be imported from anywhere but beside this one.

    The rooms have common words for names; another distribution could bring one of them.
    """
    beside = os.path.dirname(os.path.dirname(os.path.realpath(__file__)))
    for name in names:
        spec = PathFinder.find_spec(name)
        origin = os.path.realpath(spec.origin) if spec and spec.origin else "nowhere"
        wanted = os.path.join(beside, name)
        if os.path.dirname(origin) != wanted:
            raise WrongPackages(
                f"package {name}",
                f"found {origin}, wanted {wanted}",
                "install milliproof into a virtual environment of its own",
            )


def _say(words: str) -> None:
    from rig.commands.output import say

    say(f"milliproof: {words}")


def _unexpected(exc: Exception) -> Exit:
    if os.environ.get(DEBUG_VARIABLE) == "1":
        import traceback

        traceback.print_exc()
    _say(
        f"unexpected {type(exc).__name__}: {exc}; this is a defect: report it in the project's "
        f"issues with the traceback that {DEBUG_VARIABLE}=1 shows"
    )
    return Exit.WRONG_USE


def _refused(exc: Exception) -> Exit:
    """A problem per line, each on its own."""
    for line in str(exc).splitlines():
        _say(line)
    return exit_code(exc)


def _unread() -> Exit:
    """Nobody read the output, so nobody was told a verdict: never 0. The interpreter's last flush
    goes nowhere."""
    from rig.commands.output import silence

    silence(sys.stdout)
    return Exit.NO_VERDICT


def _interrupted(exc: BaseException) -> Exit:
    behind = exc.__context__ or exc  # click makes its Abort of either
    if isinstance(behind, EOFError):
        _say("standard input is closed: nobody can answer")
    else:
        _say(f"{str(behind) or 'interrupted'}; milliproof history shows what was recorded")
    return Exit.NO_VERDICT


def _misused(exc: click.ClickException) -> int:
    try:
        _say_misuse(exc)
    except OSError:
        _unread()
    return exc.exit_code if exc.exit_code != Exit.FAIL else Exit.WRONG_USE


def _say_misuse(exc: click.ClickException) -> None:
    """A problem per line and nothing around it; a group that was given nothing shows its help."""
    context = getattr(exc, "ctx", None)
    if isinstance(exc, NoArgsIsHelpError) or context is None:
        exc.show()
        return
    from rig.commands.output import say

    for line in exc.format_message().splitlines():
        say(f"{context.command_path}: {line}")


def _width() -> int:
    """Columns for help. click would import shutil for it, which costs a tenth of the start."""
    try:
        return max(50, min(80, os.get_terminal_size(1).columns))
    except OSError:
        return 80


def run(args: Sequence[str] | None = None) -> int:
    """Run one command line; the exit code. Nothing but its words reaches a person."""
    completing = "_MILLIPROOF_COMPLETE" in os.environ
    try:
        check_packages()
        done = cli.main(args, "milliproof", None, False, terminal_width=_width())
        sys.stdout.flush()
        return done if isinstance(done, int) else Exit.DONE
    except click.ClickException as exc:
        return _misused(exc)
    except (click.Abort, KeyboardInterrupt) as exc:
        return _interrupted(exc)
    except SystemExit as exc:
        if completing or exc.code != 1:
            raise
        return _unread()  # click's own end when nobody reads
    except Exception as exc:
        if isinstance(exc, OSError) and exc.errno in NOBODY_READS:
            return _unread()
        return _refused(exc) if is_known(exc) else _unexpected(exc)


def open_streams() -> None:
    """The number of a closed standard stream would go to the next file: a relay line or the store."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, os.fdopen(os.open(os.devnull, os.O_RDWR), mode))
    for stream in (sys.stdout, sys.stderr):  # a screen that lacks ± or °: ?, and the verdict stands
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def main() -> None:
    """Entry point of the ``milliproof`` script."""
    open_streams()
    raise_stopped()
    try:
        code = run()
    except KeyboardInterrupt as exc:  # it came while another end was being told
        code = _interrupted(exc)
    ignore()
    sys.exit(code)


if __name__ == "__main__":
    main()
