"""The use-case `correct`: from a folder and a reference to a proposal, and from a proposal to the disk."""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from xmpsync.errors import LeftAlone, NoReference, Trouble, WrongUsage
from xmpsync.events import Listener
from xmpsync.measuring.frames import open_store
from xmpsync.measuring.machine import Machine
from xmpsync.measuring.pool import Idle
from xmpsync.plan import second_opinion
from xmpsync.plan.edits import start_early
from xmpsync.plan.kept import keep_measured, rekey_written
from xmpsync.plan.options import Options
from xmpsync.plan.planned import Planned, plan_bytes
from xmpsync.plan.propose import Proposal, propose
from xmpsync.shoot.history import recover_or_raise
from xmpsync.shoot.look_findings import with_looks
from xmpsync.shoot.phrases import command
from xmpsync.shoot.session import Ready, prepare, recall
from xmpsync.shoot.state import refuse_unfinished, state_folder
from xmpsync.solve import solve
from xmpsync.write.outcome import Progress, RunOutcome
from xmpsync.write.perform import perform


@dataclass(frozen=True, slots=True)
class Correction:
    """A proposal with everything it came from: the values of every frame. No byte is planned, nothing written.

    `solved` makes one of a ready request, `planned` adds its bytes. A page or another try needs the
    values only.
    """

    ready: Ready
    proposal: Proposal

    @property
    def troubles(self) -> tuple[Trouble, ...]:
        return self.ready.troubles

    @property
    def left_out(self) -> tuple[LeftAlone, ...]:
        return self.ready.left_out


@dataclass(frozen=True, slots=True)
class PlannedCorrection(Correction):
    """A correction with the exact bytes, every edit checked: what a real run performs."""

    proposal: Planned

    @property
    def troubles(self) -> tuple[Trouble, ...]:
        return (*self.ready.troubles, *self.proposal.troubles)


def solved(ready: Ready) -> Correction:
    """Solve, and turn the answer into numbers. The cheap step of a try: no sidecar is edited."""
    solution = with_looks(solve(ready.request), ready.request, ready.stand.frames)
    return Correction(ready, propose(ready.request, solution, ready.stand.frames, ready.options, ready.root))


def planned(correction: Correction, n_workers: int = 1, idle: Idle[Any] | None = None) -> PlannedCorrection:
    """The same correction with its bytes, from the sidecars as they were read for it.

    Every figure is confirmed by a second implementation of the colour model. `idle`: workers that wait already.
    """
    values = correction.proposal
    second_opinion.confirm(values.request.frames, values.solution, values.settings())
    return PlannedCorrection(correction.ready, plan_bytes(values, n_workers, idle))


def prepare_correction(
    root: Path, options: Options, machine: Machine, listener: Listener, *, writes: bool
) -> PlannedCorrection:
    """Measure, solve and plan the bytes: `values_first` and `planned`."""
    with closing(Idle[Any]()) as idle:
        found = values_first(root, options, machine, listener, writes=writes, idle=idle)
        listener.start("Planning every line to write", 0)
        try:
            return planned(found, machine.n_workers, idle)
        finally:
            listener.done()


def values_first(
    root: Path, options: Options, machine: Machine, listener: Listener, *, writes: bool, idle: Idle[Any] | None = None
) -> Correction:
    """Measure and solve; no byte is planned.

    `writes`: a real run may follow, so an interrupted run is recovered before anything is read.
    Otherwise an interrupted run stops the command (exit 4). `idle`: where workers that will plan the bytes are to
    start, beside the solve.
    """
    state = state_folder(root, machine)
    if writes:
        put_right(root, state, listener)
    else:
        refuse_unfinished(root, state)
    options = recall(options, state, listener)
    if not options.references:
        raise NoReference(
            "No reference is given, and none is remembered from a run.",
            next_step="Name a frame whose skin is right: --reference FRAME. "
            f"To find one: {command('references', root)}",
        )
    second_opinion.import_beside()
    ready = prepare(root, options, machine, listener)
    if not ready.request.frames:
        raise WrongUsage(
            "None of the frames could be read.",
            next_step=" ".join(t.sentence for t in ready.troubles[:3]) or "Check the folder.",
        )
    if idle is not None:
        start_early(len(ready.request.frames), machine.n_workers, idle)
    listener.start("Solving", 0)
    try:
        return solved(ready)
    finally:
        listener.done()


def carry_out(correction: PlannedCorrection, machine: Machine, listener: Listener) -> RunOutcome | None:
    """Perform the plan; None when there is nothing to write."""
    plan, ready = correction.proposal.plan, correction.ready
    if not plan.changes:
        return None
    listener.start("Writing", len(plan.changes))
    try:
        outcome = perform(plan, ready.root, ready.state, listener=lambda step: _told(step, listener))
    finally:
        listener.done()
    if ready.options.embed_dng:
        written = {*outcome.written, *outcome.created}
        with open_store(ready.state, machine, listener) as store:
            rekey_written(store, ready.root, tuple(c for c in plan.changes if c.path in written))
    if ready.options.write_regions:
        written = {*outcome.written, *outcome.created}
        with open_store(ready.state, machine, listener) as store:
            changes = [c for c in plan.changes if c.path in written]
            marks = ready.loaded.wishes.marks
            keep_measured(store, correction.proposal.wishes, changes, marks, told_apart=machine.people)
    return outcome


def _told(step: Progress, listener: Listener) -> None:
    if step.stage == "write":
        listener.step()


def put_right(root: Path, state: Path, listener: Listener) -> None:
    """Recover an interrupted run, with a note."""
    sentence = recover_or_raise(root, state)
    if sentence is not None:
        listener.note(sentence)
