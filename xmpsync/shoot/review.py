"""The use-case `review`: choices made one after the other on a page, each solved at once, undone or redone, then
written through the same plan and run as `correct`.

The choices are `Options` as the command line gives them, so that one command line does the same. They are kept in
STATE/review.json after every step (whole file, replaced), so that a crash loses none.
"""

from __future__ import annotations

import secrets
import shlex
import threading
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import msgspec

from xmpsync.disk.files import RealFileSystem
from xmpsync.errors import Refused, WrongUsage
from xmpsync.shoot.answers import read_answers
from xmpsync.shoot.bind import bind
from xmpsync.shoot.correct import (
    Correction,
    PlannedCorrection,
    carry_out,
    prepare_correction,
    put_right,
    solved,
    values_first,
)
from xmpsync.shoot.events import Listener
from xmpsync.shoot.history import History, carry_out_rollback, history, prepare_rollback
from xmpsync.shoot.options import Machine, Options
from xmpsync.shoot.request import build_request
from xmpsync.shoot.session import Ready, state_folder
from xmpsync.shoot.wishes import read_wishes
from xmpsync.write.outcome import RunOutcome

CHOICES = "review.json"
MAX_BYTES = 4 * 2**20
"""Bytes of kept choices that are read: some thousand steps; a larger file is not ours."""
MAX_STEPS = 200
"""Steps that can be undone."""
TAKEN_STOCK = ("frames", "min_rating", "include_rejected", "skin", "neutral", "clock", "camera_profiles", "scale")
"""Options that change what is read or measured; all others need a new solve only."""


class Kept(msgspec.Struct):
    """What the file of choices holds: all steps, and which of them is in force."""

    steps: list[dict[str, Any]]
    at: int


@dataclass(frozen=True, slots=True)
class Planned:
    """A plan that was looked at; only this very object is written."""

    plan_id: str
    correction: PlannedCorrection
    options: Options


class Review:
    """One shoot on the desk. Every public method may be called from any thread; one works at a time."""

    def __init__(self, root: Path, options: Options, machine: Machine, listener: Listener) -> None:
        self.root, self.machine, self.listener = root, machine, listener
        self.state = state_folder(root, machine)
        self._lock = threading.RLock()
        self._planned: Planned | None = None
        kept = self._read()
        self.from_kept = options == Options() and kept is not None
        if kept is not None and self.from_kept:
            self._steps, self._at = [Options.from_manifest(step) for step in kept.steps], kept.at
            options = self._steps[self._at]
        self.now: Correction = values_first(root, options, machine, listener, writes=False)
        self.version = 0
        if not self.from_kept:
            self._steps, self._at = [self.now.ready.options], 0

    @property
    def options(self) -> Options:
        return self.now.ready.options

    @property
    def can_undo(self) -> bool:
        return self._at > 0

    @property
    def can_redo(self) -> bool:
        return self._at + 1 < len(self._steps)

    def change(self, options: Options) -> None:
        """Take new choices. Where they are invalid (WrongUsage), the old ones stay."""
        with self._lock:
            found = self._solved(options)
            self._steps = [*self._steps[: self._at + 1], options][-MAX_STEPS:]
            self._at = len(self._steps) - 1
            self._take(found)

    def step(self, by: int) -> None:
        """Undo (-1) or redo (+1)."""
        with self._lock:
            at = self._at + by
            if not 0 <= at < len(self._steps):
                raise WrongUsage("There is nothing more to undo or redo.", next_step="Make a choice.")
            found = self._solved(self._steps[at])
            self._at = at
            self._take(found)

    def plan(self) -> Planned:
        """Read everything again as the command line does, and plan the exact bytes. Nothing is written."""
        with self._lock:
            found = prepare_correction(self.root, self.options, self.machine, self.listener, writes=False)
            self._planned = Planned(secrets.token_hex(8), found, self.options)
            self.now = found
            self.version += 1
            return self._planned

    def write(self, plan_id: str) -> RunOutcome | None:
        """Perform the plan that was looked at, and no other.

        Raises Refused where choices changed since; the run itself refuses where a sidecar changed since.
        """
        with self._lock:
            planned = self._planned
            if planned is None or planned.plan_id != plan_id or planned.options != self.options:
                raise Refused("The choices changed since this plan was shown.", next_step="Look at the plan again.")
            self._planned = None
            put_right(self.root, self.state, self.listener)
            outcome = carry_out(planned.correction, self.machine, self.listener)
            self._afresh()
            return outcome

    def roll_back(self) -> RunOutcome:
        """Take the newest run back, as `rollback` does."""
        with self._lock:
            ready = prepare_rollback(self.root, self.machine.state, None, (), force=False, writes=True)
            outcome = carry_out_rollback(ready)
            self._planned = None
            self._afresh()
            return outcome

    def runs(self) -> History:
        """All runs of the shoot."""
        return history(self.root, self.machine.state, verify=False)

    def command(self) -> str:
        """The command line that does the same, quoted for a shell."""
        return f"xmpsync correct {shlex.quote(str(self.root))} {self.options.as_typed()}"

    def _afresh(self) -> None:
        self.now = values_first(self.root, self.options, self.machine, self.listener, writes=False)
        self.version += 1

    def _solved(self, options: Options) -> Correction:
        old = self.now.ready.options
        if any(getattr(old, name) != getattr(options, name) for name in TAKEN_STOCK):
            return values_first(self.root, options, self.machine, self.listener, writes=False)
        return solved(asked_again(self.now.ready, options))

    def _take(self, found: Correction) -> None:
        self.now = found
        self._planned = None
        self.version += 1
        self._keep()

    def _read(self) -> Kept | None:
        fs, path = RealFileSystem.around(self.state), self.state / CHOICES
        stat = fs.stat(path)
        if stat is None:
            return None
        try:
            if not stat.is_regular:
                raise ValueError("it is not a plain file")
            kept = msgspec.json.decode(fs.read(path, 0, MAX_BYTES), type=Kept)
            if not 0 <= kept.at < len(kept.steps):
                raise ValueError("its steps do not fit together")
        except (OSError, ValueError, msgspec.DecodeError) as error:
            raise Refused(
                f"The choices kept in {path} cannot be used: {error}.",
                next_step="Move the file away, or look what it is.",
            ) from error
        return kept

    def _keep(self) -> None:
        fs, path = RealFileSystem.around(self.state), self.state / CHOICES
        temporary = path.with_name(f"{CHOICES}.{secrets.token_hex(4)}.new")
        data = msgspec.json.encode(Kept([step.to_manifest() for step in self._steps], self._at))
        with fs.create(temporary) as file:
            file.write(data)
            file.sync()
        fs.replace(temporary, path)
        fs.sync_dir(self.state)


def asked_again(ready: Ready, options: Options) -> Ready:
    """The same frames with another question; clocks stay as they were aligned."""
    captures = {frame.frame_id: frame.capture for frame in ready.request.frames}
    loaded = replace(ready.loaded, wishes=read_wishes(options, ready.loaded.all_ids))
    bound = bind(loaded.wishes, ready.stand, ready.troubles)
    request = build_request(ready.stand, options, bound, read_answers(ready.state))
    frames = tuple(replace(frame, capture=captures[frame.frame_id]) for frame in request.frames)
    return replace(ready, options=options, loaded=loaded, request=replace(request, frames=frames))
