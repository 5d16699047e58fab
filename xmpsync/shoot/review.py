"""The use-case `review`: choices made one after the other on a page, each solved at once, undone or redone, then
written through the same plan and run as `correct`.

The choices are `Options` as the command line gives them, and answers about people as `people` keeps them, so that
command lines do the same.
"""

from __future__ import annotations

import secrets
import shlex
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from xmpsync.errors import NoReference, Refused, WrongUsage
from xmpsync.events import Listener
from xmpsync.measuring.machine import Machine
from xmpsync.measuring.pool import Idle
from xmpsync.measuring.worker import MeasureJob
from xmpsync.plan.options import Options
from xmpsync.shoot.choices import MAX_STEPS, Step, carried, keep_steps, read_steps
from xmpsync.shoot.correct import Correction, PlannedCorrection, carry_out, prepare_correction, put_right
from xmpsync.shoot.desk import Desk
from xmpsync.shoot.history import History, carry_out_rollback, history, prepare_rollback
from xmpsync.shoot.names_given import Answer, change_answers, read_answers
from xmpsync.shoot.people import People, PeopleWish, answers_after, people_of
from xmpsync.shoot.pointers import find_frame
from xmpsync.shoot.proxies import Proxies
from xmpsync.shoot.session import recall
from xmpsync.shoot.state import refuse_unfinished, state_folder
from xmpsync.write.outcome import RunOutcome


@dataclass(frozen=True, slots=True)
class Shown:
    """A plan that was looked at; only this very object is written."""

    plan_id: str
    correction: PlannedCorrection
    step: Step


class Review:
    """One shoot on the desk. Every public method may be called from any thread; one works at a time, and whoever reads
    several things that belong together holds `lock`.

    `version` counts what changed the page, so that a page that shows an older one can be told.
    """

    def __init__(self, root: Path, options: Options, machine: Machine, listener: Listener) -> None:
        self.root, self.machine, self.listener = root, machine, listener
        self.state = state_folder(root, machine)
        refuse_unfinished(root, self.state)
        self.lock = threading.RLock()
        self._shown: Shown | None = None
        self._people: tuple[Correction, People] | None = None
        self._idle: Idle[MeasureJob] = Idle()
        self.proxies = Proxies(self.state)
        kept = read_steps(self.state) if options == Options() else None
        self.from_kept = kept is not None
        if kept is not None:
            self._steps, self._at = kept
            options = self._steps[self._at].options
        else:
            options = recall(options, self.state, listener)
            self._steps, self._at = [], 0
        self._desk = Desk.of(root, options, machine, listener, self._idle)
        options = by_frame(options, self._desk.ready.loaded.all_ids)
        self.now: Correction = self._desk.ask(options, read_answers(self.state))
        self.version = 0
        if kept is None:
            self._steps = [Step(options, read_answers(self.state))]

    @property
    def options(self) -> Options:
        return self.now.ready.options

    @property
    def can_undo(self) -> bool:
        return self._at > 0

    @property
    def can_redo(self) -> bool:
        return self._at + 1 < len(self._steps)

    def people(self) -> People:
        """Who is in the shoot, and whose names would settle most."""
        now, answers = self.now, read_answers(self.state)
        if self._people is None or self._people[0] is not now or self._people[1].answers != answers:
            self._people = now, people_of(now.ready, now.proposal.solution, answers)
        return self._people[1]

    def close(self) -> None:
        """End the worker that waits for places to measure, and close the store of pictures."""
        with self.lock:
            self._idle.close()
            self.proxies.close()

    def change(self, options: Options) -> None:
        """Take new choices. Where they are invalid (WrongUsage), the old ones stay."""
        with self.lock:
            answers = read_answers(self.state)
            found = self._asked(options, answers)
            self._add(Step(options, answers), found)

    def say(self, wish: PeopleWish) -> None:
        """Take an answer about people: kept where `people` keeps them, so that every command counts it."""
        with self.lock:
            people = self.people()
            answers = tuple(answers_after(people, wish, self.root))
            found = self._asked(self.options, answers)
            change_answers(self.state, lambda now: carried(now, people.answers, answers))
            self._add(Step(self.options, answers), found)

    def step(self, by: int) -> None:
        """Undo (-1) or redo (+1)."""
        with self.lock:
            at = self._at + by
            if not 0 <= at < len(self._steps):
                raise WrongUsage("There is nothing more to undo or redo.", next_step="Make a choice.")
            old, new = self._steps[self._at], self._steps[at]
            change = _between(old.answers, new.answers)
            found = self._asked(new.options, change(read_answers(self.state)))
            if old.answers != new.answers:
                change_answers(self.state, change)
            self._at = at
            self._take(found)

    def plan(self) -> Shown:
        """Read everything again as the command line does, and plan the exact bytes. Nothing is written.

        Raises NoReference where none is chosen.
        """
        with self.lock:
            if not self.options.references:
                raise NoReference("No skin is chosen yet.", next_step="Click a face whose skin is right.")
            found = prepare_correction(self.root, self.options, self.machine, self.listener, writes=False)
            if not self._desk.holds(found.ready):
                self._desk = Desk.around(found.ready, self.machine, self.listener, self._idle)
                self.now = self._desk.ask(self.options, read_answers(self.state))
                self.version += 1
            self._shown = Shown(secrets.token_hex(8), found, self._steps[self._at])
            return self._shown

    def write(self, plan_id: str) -> RunOutcome | None:
        """Perform the plan that was looked at, and no other.

        Raises Refused where choices changed since; the run itself refuses where a sidecar changed since.
        """
        with self.lock:
            shown = self._shown
            if shown is None or shown.plan_id != plan_id or shown.step != self._steps[self._at]:
                raise Refused("The choices changed since this plan was shown.", next_step="Look at the plan again.")
            self._shown = None
            put_right(self.root, self.state, self.listener)
            outcome = carry_out(shown.correction, self.machine, self.listener)
            self._afresh()
            return outcome

    def roll_back(self) -> RunOutcome:
        """Take the newest run back, as `rollback` does."""
        with self.lock:
            ready = prepare_rollback(self.root, self.machine.state, None, (), force=False, writes=True)
            outcome = carry_out_rollback(ready)
            self._shown = None
            self._afresh()
            return outcome

    def runs(self) -> History:
        """All runs of the shoot."""
        return history(self.root, self.machine.state, verify=False)

    def commands(self) -> list[str]:
        """The command lines that do the same, quoted for a shell: what was said about people, then the correction."""
        root, state = str(self.root), self.machine.state
        where = [root] if state is None else [root, "--state", str(state)]
        answers = read_answers(self.state)
        lines = []
        if answers:
            words = [w for a in answers for w in ("--name", f"{a.frame_id}@{a.x:.4f},{a.y:.4f}={a.name}")]
            lines.append(shlex.join(["xmpsync", "people", *where, *words]))
        if not self.options.references:
            return [*lines, shlex.join(["xmpsync", "references", *where])]
        no_people = [] if self.machine.people else ["--no-people"]
        return [*lines, f"{shlex.join(['xmpsync', 'correct', *where, *no_people])} {self.options.as_typed()}"]

    def _asked(self, options: Options, answers: Sequence[Answer]) -> Correction:
        if self._desk.read_anew(options):
            self._desk = Desk.of(self.root, options, self.machine, self.listener, self._idle)
        return self._desk.ask(options, answers)

    def _afresh(self) -> None:
        """Read the files again: a run changed them."""
        self._desk = Desk.of(self.root, self.options, self.machine, self.listener, self._idle)
        self.now = self._desk.ask(self.options, read_answers(self.state))
        self.version += 1

    def _add(self, step: Step, found: Correction) -> None:
        self._steps = [*self._steps[: self._at + 1], step][-MAX_STEPS:]
        self._at = len(self._steps) - 1
        self._take(found)

    def _take(self, found: Correction) -> None:
        self.now = found
        self._shown = None
        self.version += 1
        keep_steps(self.state, self._steps, self._at)


def by_frame(options: Options, ids: Sequence[str]) -> Options:
    """The options with frames that may be typed in several ways (name, stem) as their paths in the shoot."""

    def path(text: str) -> str:
        return find_frame(text, ids) or text

    def numbered(texts: tuple[str, ...]) -> tuple[str, ...]:
        parts = (text.rpartition("=") for text in texts)
        return tuple(f"{path(name)}{equals}{number}" for name, equals, number in parts)

    return replace(
        options,
        keep=tuple(path(text) for text in options.keep),
        leave_out=tuple(path(text) for text in options.leave_out),
        strength_at=numbered(options.strength_at),
        nudge=numbered(options.nudge),
        nudge_light=numbered(options.nudge_light),
    )


def _between(old: Sequence[Answer], new: Sequence[Answer]) -> Callable[[tuple[Answer, ...]], tuple[Answer, ...]]:
    return lambda now: carried(now, old, new)
