"""`xmpsync runs` and `xmpsync rollback`: what was written when, and how to take it back."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from xmpsync.cli.option_groups import JSON, SHOOT, STATE, YES, confirmed
from xmpsync.cli.show import RIGHT, listed
from xmpsync.cli.talk import put_json, put_sentence, put_table, say
from xmpsync.errors import WrongUsage
from xmpsync.shoot.phrases import counted, local_time

if TYPE_CHECKING:
    from xmpsync.shoot.history import History, RollbackReady
    from xmpsync.write.outcome import RunOutcome


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
    from xmpsync.shoot.history import history
    from xmpsync.shoot.run_documents import runs_document

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
    from xmpsync.shoot.history import carry_out_rollback, prepare_rollback, recover_only
    from xmpsync.shoot.run_documents import rollback_document

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


def show_runs(found: History) -> None:
    """A line for each run, on stdout; damaged backups as talk."""
    rows = [(run.run_id, local_time(run.time), run.command, str(len(run.paths)), run.state.value) for run in found.runs]
    if rows:
        columns = ("run", "time", "command", "files", "state")
        put_table(columns, rows, right=RIGHT, yielding=("command", "time", "files"))
    else:
        say("Nothing was written yet.")
    for damage in found.damaged:
        say(f"Damaged backup: run {damage.run_id}, {damage.path}: {damage.what}", style="red")
    if found.verified and not found.damaged:
        say("All backups are sound.")
    if found.given_up:
        say(f"Deleted the backups of {counted(len(found.given_up), 'run')}; these can no longer be rolled back.")


def show_rollback_plan(found: RollbackReady, *, every: bool, data: bool, names: bool = True) -> None:
    """What would happen: files of one kind together, those left alone each with its reason; on request every file."""
    from xmpsync.write.rollback import Action

    if every:
        rows = [(step.path, step.action.value, step.why) for step in found.plan.steps]
        put_table(("file", "what", "why"), rows, names=("file",), yielding=("why",), data=data)
        return
    alike: dict[tuple[str, str], list[str]] = {}
    for step in found.plan.steps:
        if step.action is not Action.LEAVE:
            alike.setdefault((step.action.value, step.why), []).append(step.path)
    tell = put_sentence if data else say
    for (what, why), paths in alike.items():
        which = f": {listed(paths, 2)}" if names else ""
        tell(f"{counted(len(paths), 'file')}: {what} ({why}){which}.")
    for step in found.plan.steps:
        if step.action is Action.LEAVE:
            tell(f"{step.path}, {step.action.value}: {step.why}.")


def show_rollback(found: RollbackReady, outcome: RunOutcome) -> None:
    """What a rollback did."""
    n = len(outcome.written) + len(outcome.created) + len(outcome.removed)
    say(f"Run {found.plan.run_id} rolled back: {counted(n, 'file')}.", style="bold")
    for item in outcome.left_alone:
        say(f"Left alone: {item.name}: {item.reason}", style="yellow")
    for remark in outcome.remarks:
        say(remark)
    say("If your editor keeps a database of its own, let it load the sidecars again now.")
