"""The JSON documents of runs and errors, and what all documents share. Loads nothing that measures or solves."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from xmpsync import __version__

if TYPE_CHECKING:
    from xmpsync.errors import XmpsyncError
    from xmpsync.shoot.history import History, RollbackReady
    from xmpsync.write.outcome import RunOutcome

SCHEMA = 1


def runs_document(found: History) -> dict[str, Any]:
    """`runs --json`."""
    return {
        **head("runs"),
        "runs": [
            {
                "run": run.run_id,
                "time": run.time,
                "command": run.command,
                "tool_version": run.tool_version,
                "files": list(run.paths),
                "state": run.state.value,
                "undoes": run.undoes,
            }
            for run in found.runs
        ],
        "damaged_backups": [{"run": d.run_id, "file": d.path, "what": d.what} for d in found.damaged],
        "verified": found.verified,
    }


def rollback_document(found: RollbackReady, outcome: RunOutcome | None) -> dict[str, Any]:
    """`rollback --json`: what goes back, and what stays and why."""
    return {
        **head("rollback"),
        "undoes": found.plan.run_id,
        "files": [{"file": s.path, "action": s.action.value, "why": s.why} for s in found.plan.steps],
        "run": None if outcome is None else outcome_of(outcome),
    }


def head(command: str) -> dict[str, Any]:
    """What every document starts with."""
    return {"schema": SCHEMA, "tool_version": __version__, "command": command}


def error_document(error: XmpsyncError) -> dict[str, Any]:
    """What went wrong, for any command with `--json`."""
    return {
        **head("error"),
        "error": error.what,
        "written": error.written,
        "next_step": error.next_step,
        "exit_code": error.exit_code,
    }


def outcome_of(outcome: RunOutcome) -> dict[str, Any]:
    """What a run wrote."""
    return {
        "run": outcome.run_id,
        "written": list(outcome.written),
        "created": list(outcome.created),
        "removed": list(outcome.removed),
        "left_alone": [{"file": item.name, "reason": item.reason} for item in outcome.left_alone],
    }
