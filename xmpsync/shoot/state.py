"""Where a shoot's state lies, and whether a run on it was interrupted. Loads nothing that measures or solves."""

from __future__ import annotations

from pathlib import Path

from xmpsync.disk.files import require_real_folder
from xmpsync.errors import DiskNeedsAttention, Refused, WrongUsage
from xmpsync.measuring.machine import Machine
from xmpsync.read.discover import STATE_FOLDER
from xmpsync.shoot.phrases import command
from xmpsync.write.recover import unfinished


def state_folder(root: Path, machine: Machine) -> Path:
    """Where the shoot's state lives.

    Raises WrongUsage when the shoot is not a folder.
    """
    if not root.is_dir():
        kind = "is not a folder" if root.exists() else "does not exist"
        raise WrongUsage(f"{root} {kind}.", next_step="Point at the folder that holds the RAW files.")
    folder = machine.state.resolve() if machine.state is not None else root / STATE_FOLDER
    require_real_folder(folder)
    return folder


def refuse_unfinished(root: Path, state: Path) -> None:
    """Commands that must not write stop here when a run was interrupted (exit 4)."""
    open_run = unfinished(state)
    if open_run is not None and open_run.at_work:
        raise Refused(
            f"A run on {root} is at work right now.", next_step="Wait for it to end, then run the same command again."
        )
    if open_run is not None:
        raise DiskNeedsAttention(
            f"A run on {root} was interrupted and has not been recovered yet.",
            written="This command wrote nothing.",
            next_step=f"Run: {command('rollback', root, '--recover')}",
        )
