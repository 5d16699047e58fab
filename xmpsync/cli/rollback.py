"""`xmpsync rollback`: take a run back."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from xmpsync.cli.options import JSON, SHOOT, STATE, YES


@click.command(short_help="Restore the sidecars as they were before a run.")
@SHOOT
@click.argument("run", required=False)
@click.option("--frame", "frames", multiple=True, metavar="F", help="Only this frame. Repeatable.")
@click.option("--dry-run", is_flag=True, help="Show what would be put back and write nothing.")
@click.option("--force", is_flag=True, help="Also files whose temperature, tint or exposure was changed since.")
@click.option("--frames-table", is_flag=True, help="Show every file.")
@click.option("--recover", is_flag=True, help="Only recover from an interrupted run.")
@YES
@STATE
@JSON
def rollback(
    shoot: Path,
    run: str | None,
    frames: tuple[str, ...],
    dry_run: bool,
    force: bool,
    frames_table: bool,
    recover: bool,
    yes: bool,
    state: Path | None,
    as_json: bool,
) -> None:
    """Restore the sidecars as they were before RUN (default: the newest run not yet rolled back).

    A file unchanged since the run gets its original bytes back. In a file that another program saved since, only the
    four fields that xmpsync wrote are restored. A file in which these were changed since is left alone and named.
    """
    from xmpsync.cli.show_runs import show_rollback, show_rollback_plan
    from xmpsync.cli.talk import put_json, say
    from xmpsync.errors import WrongUsage
    from xmpsync.shoot.documents import rollback_document
    from xmpsync.shoot.history import carry_out_rollback, prepare_rollback, recover_only

    if recover:
        if dry_run:
            raise WrongUsage(
                "--recover and --dry-run exclude each other: recovery has no dry run.", next_step="Give one of the two."
            )
        say(recover_only(shoot, state))
        return
    if not dry_run and not yes and not sys.stdin.isatty():
        raise WrongUsage("Confirmation needs a terminal.", next_step="Add --dry-run to look, or --yes.")
    found = prepare_rollback(shoot, state, run, frames, force=force, writes=not dry_run)
    outcome = None
    if not dry_run:
        if not yes:
            show_rollback_plan(found, every=frames_table, data=False)
            if not click.confirm("Restore these files?", err=True):
                say("Nothing was written.")
                return
        outcome = carry_out_rollback(found)
    if as_json:
        put_json(rollback_document(found, outcome))
    elif yes or dry_run:
        show_rollback_plan(found, every=frames_table, data=True, names=not yes)
    if outcome is not None:
        show_rollback(found, outcome)
    else:
        say(f"Run {found.plan.run_id} would be rolled back. Nothing was written.")
    raise click.exceptions.Exit(1 if outcome is not None and outcome.left_alone else 0)
