"""`xmpsync runs`: what was written when."""

from __future__ import annotations

from pathlib import Path

import click

from xmpsync.cli.options import JSON, SHOOT, STATE, YES, confirmed


@click.command(short_help="List what was written when.")
@SHOOT
@STATE
@click.option("--verify", is_flag=True, help="Check every backup against its hash.")
@click.option(
    "--delete-older",
    type=click.IntRange(1),
    metavar="N",
    help="Delete the backups of all but the newest N runs, after confirmation.",
)
@YES
@JSON
def runs(shoot: Path, state: Path | None, verify: bool, delete_older: int | None, yes: bool, as_json: bool) -> None:
    """List the runs of SHOOT: when, which command, how many files, and whether it was rolled back."""
    from xmpsync.cli.show_runs import show_runs
    from xmpsync.cli.talk import put_json
    from xmpsync.shoot.documents import runs_document
    from xmpsync.shoot.history import history

    if delete_older is not None and not yes:
        confirmed(
            f"Delete the backups of all but the newest {delete_older} runs? Those runs can then not be rolled back."
        )
    found = history(shoot, state, verify=verify, keep=delete_older)
    if as_json:
        put_json(runs_document(found))
    else:
        show_runs(found)
    raise click.exceptions.Exit(4 if found.damaged else 0)
