"""The command line. Commands import their work only when they run, so that help is instant."""

from __future__ import annotations

import os
import sys
from itertools import zip_longest
from pathlib import PurePath

import click

from xmpsync import __version__
from xmpsync.cli.command_check import check
from xmpsync.cli.command_correct import correct
from xmpsync.cli.command_measure import measure
from xmpsync.cli.command_page import report, review
from xmpsync.cli.command_people import people, references
from xmpsync.cli.command_runs import rollback, runs
from xmpsync.cli.talk import put, put_json, say
from xmpsync.errors import OwnCheckFailed, WrongOptions, WrongUsage, XmpsyncError

SHELLS = ("bash", "zsh", "fish")

EPILOG = """
Exit codes: 0 done; 1 finished but some frames failed, or `check` is out of tolerance; 2 wrong usage; 3 refused for
safety, nothing written; 4 the disk needs attention; 70 internal check failed.
"""


@click.group(epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(__version__, prog_name="xmpsync")
def cli() -> None:
    """Bring the skin of a whole shoot to one look, before any handwork starts.

    Choose a frame whose skin you like: xmpsync measures the skin of every frame in the RAW data and writes
    temperature, tint and exposure into the XMP sidecars. Start with --dry-run; rollback undoes a run.
    """


@click.command(short_help="Print the shell's script for completion by the tab key.")
@click.argument("shell", type=click.Choice(SHELLS), required=False)
def completion(shell: str | None) -> None:
    """Print the script that makes SHELL complete commands and options (default: the shell that $SHELL names).

    \b
    bash:  xmpsync completion bash > ~/.xmpsync-complete    then in ~/.bashrc:  . ~/.xmpsync-complete
    zsh:   xmpsync completion zsh > ~/.xmpsync-complete     then in ~/.zshrc:   . ~/.xmpsync-complete
    fish:  xmpsync completion fish > ~/.config/fish/completions/xmpsync.fish
    """
    from click.shell_completion import get_completion_class

    name = shell or PurePath(os.environ.get("SHELL", "")).name
    found = get_completion_class(name) if name in SHELLS else None
    if found is None:
        raise WrongUsage("The shell is not known.", next_step=f"Name it: xmpsync completion {{{','.join(SHELLS)}}}")
    group = click.get_current_context().find_root().command
    put(found(group, {}, "xmpsync", "_XMPSYNC_COMPLETE").source())


for command in (correct, check, measure, references, people, report, review, runs, rollback, completion):
    cli.add_command(command)


def run() -> None:
    """Entry point: every error that a person can do something about is one message, without a traceback."""
    try:
        code = cli.main(standalone_mode=False)
    except click.exceptions.Exit as leaving:
        code = leaving.exit_code
    except click.Abort:
        click.echo("Stopped. Nothing more was written; measurements are kept.", err=True)
        code = 130
    except click.ClickException as error:
        error.show()
        _as_json(WrongUsage(error.format_message(), next_step="See --help."))
        code = error.exit_code
    except XmpsyncError as error:
        _show(error)
        _as_json(error)
        code = error.exit_code
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 0
    sys.exit(code or 0)


def _as_json(error: XmpsyncError) -> None:
    """The error as a document too, where the command was to print one."""
    if "--json" in sys.argv[1:]:
        from xmpsync.shoot.run_documents import error_document

        put_json(error_document(error))


def _show(error: XmpsyncError) -> None:
    each = error.each if isinstance(error, WrongOptions) else (error,)
    for one, following in zip_longest(each, each[1:]):
        say(f"Error: {one.what}", style="bold red")
        if one.next_step and (following is None or following.next_step != one.next_step):
            say(one.next_step)
    if error.written:
        say(error.written)
    if isinstance(error, OwnCheckFailed):
        say("This is a bug in xmpsync: please report it with the file that caused it.")
