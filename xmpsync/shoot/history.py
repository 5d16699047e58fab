"""The use-cases `runs` and `rollback`: what was written when, and the way back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from xmpsync import __version__
from xmpsync.errors import DiskNeedsAttention, WrongUsage
from xmpsync.measuring.machine import Machine
from xmpsync.shoot.state import refuse_unfinished, state_folder
from xmpsync.write.outcome import RunOutcome
from xmpsync.write.recover import recover, unfinished
from xmpsync.write.runs import Damage, RunSummary, list_runs, prune, verify_runs

if TYPE_CHECKING:
    from xmpsync.write.rollback import RollbackPlan


@dataclass(frozen=True, slots=True)
class History:
    """All runs, oldest first; `damaged` is empty unless backups were verified and found wanting."""

    runs: tuple[RunSummary, ...]
    damaged: tuple[Damage, ...]
    verified: bool
    given_up: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RollbackReady:
    """What a rollback would do; nothing is written yet."""

    root: Path
    state: Path
    plan: RollbackPlan


def history(root: Path, state: Path | None, *, verify: bool, keep: int | None = None) -> History:
    """The runs of a shoot; `keep` gives up the backups of all but the newest runs first."""
    folder = state_folder(root, Machine(state=state))
    if not verify and keep is None:
        refuse_unfinished(root, folder)
    given_up = prune(folder, keep) if keep is not None else ()
    return History(list_runs(folder), verify_runs(folder) if verify else (), verify, given_up)


def prepare_rollback(
    root: Path, state: Path | None, run: str | None, frames: Sequence[str], *, force: bool, writes: bool
) -> RollbackReady:
    """Plan a rollback; an interrupted run is put right first, or stops a command that only reads."""
    from xmpsync.write.rollback import plan_rollback  # late: `runs` needs none of it

    folder = state_folder(root, Machine(state=state))
    if writes:
        recover_or_raise(root, folder)
    else:
        refuse_unfinished(root, folder)
    paths = _paths(folder, run, frames) if frames else None
    return RollbackReady(root, folder, plan_rollback(root, folder, run, paths, force))


def carry_out_rollback(ready: RollbackReady) -> RunOutcome:
    """Perform a planned rollback, as a run of its own."""
    from xmpsync.write.rollback import perform_rollback

    return perform_rollback(ready.plan, ready.root, ready.state, tool_version=__version__)


def recover_only(root: Path, state: Path | None) -> str:
    """Put right an interrupted run; a sentence about it."""
    folder = state_folder(root, Machine(state=state))
    return recover_or_raise(root, folder) or "No run was interrupted; nothing was written."


def recover_or_raise(root: Path, state: Path) -> str | None:
    """Put right an interrupted run; a sentence, None if there was none.

    Raises DiskNeedsAttention when it left files for a person to look at.
    """
    if unfinished(state) is None:
        return None
    report = recover(root, state)
    if report is not None and report.left:
        raise DiskNeedsAttention(
            report.sentence, written="", next_step="Check these files, then run the same command again."
        )
    return report.sentence if report is not None else None


def _paths(state: Path, run: str | None, frames: Sequence[str]) -> list[str]:
    """The files that runs wrote for frames named by path, file name or stem."""
    from xmpsync.shoot.pointers import find_frame

    written = sorted({path for summary in list_runs(state) for path in summary.paths})
    found = []
    for text in frames:
        path = find_frame(text, written) or find_frame(PurePosixPath(text).stem, written)
        if path is None:
            raise WrongUsage(
                f"--frame {text!r}: its sidecar was not written by any run.", next_step="See: xmpsync runs SHOOT"
            )
        found.append(path)
    return found
