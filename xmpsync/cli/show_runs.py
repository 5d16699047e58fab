"""The screens of `runs` and `rollback`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from xmpsync.cli.show import RIGHT, listed
from xmpsync.cli.talk import put_sentence, put_table, say

if TYPE_CHECKING:
    from xmpsync.shoot.history import History, RollbackReady
    from xmpsync.write.outcome import RunOutcome


def show_runs(found: History) -> None:
    """A line for each run, on stdout; damaged backups as talk."""
    from xmpsync.shoot.words import counted, local_time

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
    from xmpsync.shoot.words import counted
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
        tell(f"{counted(len(paths), 'file')}, {what} ({why}){which}.")
    for step in found.plan.steps:
        if step.action is Action.LEAVE:
            tell(f"{step.path}, {step.action.value}: {step.why}.")


def show_rollback(found: RollbackReady, outcome: RunOutcome) -> None:
    """What a rollback did."""
    from xmpsync.shoot.words import counted

    n = len(outcome.written) + len(outcome.created) + len(outcome.removed)
    say(f"Run {found.plan.run_id} rolled back: {counted(n, 'file')}.", style="bold")
    for item in outcome.left_alone:
        say(f"Left alone: {item.path}: {item.reason}", style="yellow")
    for remark in outcome.remarks:
        say(remark)
    say("If your editor keeps a database of its own, let it load the sidecars again now.")
