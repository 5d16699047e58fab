"""`xmpsync runs`: what was written when."""

from __future__ import annotations

from pathlib import Path

import click

from xmpsync.cli.options import JSON, SHOOT, STATE


@click.command(short_help="List what was written when.")
@SHOOT
@STATE
@click.option("--verify", is_flag=True, help="Check every backup against its hash.")
@click.option("--keep", type=click.IntRange(1), metavar="N", help="Give up the backups of all but the newest N runs.")
@JSON
def runs(shoot: Path, state: Path | None, verify: bool, keep: int | None, as_json: bool) -> None:
    """List the runs of SHOOT: when, which command, how many files, and whether it was rolled back."""
    from xmpsync.cli.show import show_runs
    from xmpsync.cli.talk import put_json
    from xmpsync.shoot.documents import runs_document
    from xmpsync.shoot.history import history

    found = history(shoot, state, verify=verify, keep=keep)
    if as_json:
        put_json(runs_document(found))
    else:
        show_runs(found)
    raise click.exceptions.Exit(4 if found.damaged else 0)
