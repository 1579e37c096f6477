"""The root command: loads only the command that is asked for, and turns faults into sentences.

A known name is the command, anything else a path to a preset.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import sys

import click

from xover.cli.names import COMMANDS
from xover.cli.outcome import Exit, report_faults
from xover.model.problems import Fault, Refused

_PRESET = "PRESET"
"""What a word that is no command stands for: a preset to be shown."""


class Door(click.Group):
    """A group that imports a command's module when the command is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """All names, in the order of the work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command from its own module, or None."""
        if cmd_name != _PRESET and cmd_name not in COMMANDS:
            return None
        name = "overview" if cmd_name == _PRESET else cmd_name
        module = importlib.import_module(f"xover.cli.{name}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list of commands, from the table above."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """A known name is the command, anything else is shown as a preset."""
        word = args[0] if args else ""
        if word and word not in COMMANDS and (word == "-" or not word.startswith("-")):
            return _PRESET, self.get_command(ctx, _PRESET), args
        return super().resolve_command(ctx, args)


@click.command(
    cls=Door,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog='Shell completion: eval "$(_XOVER_COMPLETE=bash_source xover)", and likewise '
    "zsh_source or fish_source.",
)
@click.option("--version", is_flag=True, help="Print the version and stop.")
@click.pass_context
def root(ctx: click.Context, version: bool) -> None:
    """Set up loudspeaker processing: crossovers, alignment, delays, entry sheets.

    xover PRESET opens the workbench on a preset; without a name, on the shipped example. In a pipe,
    or with --listener, it prints the preset at a glance instead.
    """
    if version:
        from xover.__about__ import __version__

        click.echo(f"xover {__version__}")
        return
    if ctx.invoked_subcommand is None:
        door = ctx.command
        assert isinstance(door, Door)
        command = door.get_command(ctx, _PRESET)
        assert command is not None
        ctx.invoke(command, preset=None)


def run(arguments: list[str] | None = None) -> int:
    """Run the command line and give its exit code; never a traceback for a user's fault."""
    args = sys.argv[1:] if arguments is None else arguments
    as_json = "--json" in args
    try:
        try:
            result = root.main(args=args, prog_name="xover", standalone_mode=False)
            sys.stdout.flush()
            return int(result) if isinstance(result, int) else int(Exit.DONE)
        except Refused as refused:
            return report_faults(refused.faults, as_json=as_json)
        except click.exceptions.NoArgsIsHelpError as missing:
            missing.show()
            return int(Exit.NOT_DONE)
        except click.ClickException as problem:
            return report_faults([Fault("", _sentence(problem))], as_json=as_json)
        except MemoryError:
            fault = Fault("", "there is not enough memory for this; use fewer points")
            return report_faults([fault], as_json=as_json)
    except (KeyboardInterrupt, click.Abort):
        print("\nxover: stopped; nothing was changed that was not announced.", file=sys.stderr)
        return int(Exit.NOT_DONE)
    except BrokenPipeError:
        return _closed_pipe()
    except SystemExit as left:
        # click leaves this way after completing for a shell, and with 1 when the pipe is closed.
        if left.code == 1 and "_XOVER_COMPLETE" not in os.environ:
            return _closed_pipe()
        return left.code if isinstance(left.code, int) else int(Exit.DONE)


def _closed_pipe() -> int:
    """Whoever read our output has gone: say so and keep the interpreter from complaining too."""
    devnull = os.open(os.devnull, os.O_WRONLY)
    with contextlib.suppress(OSError, ValueError):
        os.dup2(devnull, sys.stdout.fileno())
    with contextlib.suppress(OSError):
        print("xover: the output was closed before everything was written.", file=sys.stderr)
    return int(Exit.NOT_DONE)


def _sentence(problem: click.ClickException) -> str:
    text = problem.format_message().strip().rstrip(".")
    context = getattr(problem, "ctx", None)
    if context is not None and context.command is not None:
        return f"{text[:1].lower()}{text[1:]}; see `{context.command_path} --help`"
    return text
