"""The command line. Commands import their work only when they run, so that help is instant."""

from __future__ import annotations

import os
import sys

import click

from xmpsync import __version__
from xmpsync.cli.check import check
from xmpsync.cli.completion import completion
from xmpsync.cli.correct import correct
from xmpsync.cli.measure import measure
from xmpsync.cli.people import people, references
from xmpsync.cli.report import report
from xmpsync.cli.review import review
from xmpsync.cli.rollback import rollback
from xmpsync.cli.runs import runs
from xmpsync.errors import OwnCheckFailed, WrongOptions, XmpsyncError

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
        if "--json" in sys.argv[1:]:
            from xmpsync.cli.talk import put_json
            from xmpsync.errors import WrongUsage
            from xmpsync.shoot.documents import error_document

            put_json(error_document(WrongUsage(error.format_message(), next_step="See --help.")))
        code = error.exit_code
    except XmpsyncError as error:
        _show(error)
        if "--json" in sys.argv[1:]:
            from xmpsync.cli.talk import put_json
            from xmpsync.shoot.documents import error_document

            put_json(error_document(error))
        code = error.exit_code
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 0
    sys.exit(code or 0)


def _show(error: XmpsyncError) -> None:
    from xmpsync.cli.talk import say

    for one in error.each if isinstance(error, WrongOptions) else (error,):
        say(f"Error: {one.what}", style="bold red")
        if one.next_step:
            say(one.next_step)
    if error.written:
        say(error.written)
    if isinstance(error, OwnCheckFailed):
        say("This is a bug in xmpsync: please report it with the file that caused it.")
