"""What is let loose on a mutant: the acts below the command line, or command lines. "" or what went wrong."""

from __future__ import annotations

import contextlib
import io
import random
import traceback
import unicodedata
from pathlib import Path

from benchmarks.attack.shoots import REFERENCE, command
from tests.store.test_database import KEY, MEASUREMENT
from tests.write.disk import Shoot, packet
from xmpsync.errors import XmpsyncError
from xmpsync.store.database import Store
from xmpsync.write.recover import recover, unfinished
from xmpsync.write.rollback import perform_rollback, plan_rollback
from xmpsync.write.runs import list_runs, prune, remembered, verify_runs, written_by_us

COMMANDS: tuple[tuple[str, ...], ...] = (
    ("runs",), ("runs", "--json"), ("runs", "--verify"), ("runs", "--delete-older", "1", "--yes"),
    ("rollback", "--yes"), ("rollback", "2", "--force", "--yes"), ("rollback", "--dry-run"), ("rollback", "--recover"),
    ("check",), ("check", "--json"), ("correct", "--yes"), ("correct", "--dry-run", "--diff", "--frames-table"),
    ("correct", "--reference", REFERENCE, "--embed-dng", "--yes"), ("correct", "--dry-run", "--json"),
    ("people",), ("people", "--json"), ("references",), ("measure",), ("measure", "--forget-faces", "--yes"),
)  # fmt: skip


def below_the_commands(root: Path) -> str:
    """Everything that commands do with a state folder, and a run afterwards."""
    shoot = Shoot(root / "shoot")
    state = shoot.state

    def store() -> None:
        with Store(state / "measurements.sqlite") as opened:
            opened.pairs(), opened.get(KEY, "k"), opened.holds_size(1)
            opened.put(KEY, "k2", "c", MEASUREMENT)
            opened.forget_identities()

    for act in (
        store,
        lambda: (list_runs(state), verify_runs(state), remembered(state), written_by_us(state), unfinished(state)),
        lambda: shoot.run(shoot.change("a.xmp", packet(4800)), shoot.change("d.xmp", packet(4500))),
        lambda: recover(shoot.root, state),
        lambda: perform_rollback(plan_rollback(shoot.root, state), shoot.root, state),
        lambda: perform_rollback(plan_rollback(shoot.root, state, "2", force=True), shoot.root, state),
        lambda: prune(state, 1),
    ):
        try:
            act()
        except XmpsyncError as error:
            if not (error.what and str(error)):
                return "an error without words"
        except Exception:
            return traceback.format_exc()
    return _run_goes_through(shoot)


def _run_goes_through(shoot: Shoot) -> str:
    """Where it is refused, it does once the state folder is moved away, as the messages advise."""
    try:
        shoot.run(shoot.change("e.xmp", packet(4600)))
    except XmpsyncError:
        shoot.state.rename(shoot.root / ".moved-away")
        try:
            shoot.run(shoot.change("f.xmp", packet(4700)))
        except Exception:
            return traceback.format_exc()
    except Exception:
        return traceback.format_exc()
    return ""


def commands(root: Path, chance: random.Random) -> str:
    """Three command lines, and one that must go through."""
    shoot = root / "shoot"
    for name, *arguments in chance.sample(COMMANDS, 3):
        _, trouble = _one(shoot, name, *arguments)
        if trouble:
            return f"{name} {' '.join(arguments)}: {trouble}"
    last = ("--reference", REFERENCE, "--yes")
    code, trouble = _one(shoot, "correct", *last)
    if code in (2, 3, 4) and not trouble:
        (shoot / ".xmpsync").rename(shoot / ".moved-away")
        code, trouble = _one(shoot, "correct", *last)
    if trouble or code not in (0, 1):
        return trouble or f"unusable afterwards, exit code {code}"
    return ""


def _one(shoot: Path, name: str, *arguments: str) -> tuple[int, str]:
    """The exit code of a command line, and what is wrong with what it printed or how it ended."""
    out, err = io.StringIO(), io.StringIO()
    code = -1
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            code = command(name, shoot, *arguments)
    except MemoryError:
        return code, "out of memory"
    except Exception:
        return code, traceback.format_exc()
    text = out.getvalue() + err.getvalue()
    odd = {letter for letter in text if unicodedata.category(letter) in ("Cc", "Cs") and letter not in "\n\t"}
    if odd:
        return code, f"it printed {sorted(odd)!r}"
    if code not in (0, 1, 2, 3, 4):
        return code, f"exit code {code}: {text[-800:]}"
    if code and not text.strip():
        return code, f"exit code {code} without a word"
    return code, ""
