"""The use-case `correct`: from a folder and a reference to a proposal, and from a proposal to the disk."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from xmpsync.errors import NoReference, WrongUsage
from xmpsync.shoot import second_opinion
from xmpsync.shoot.embed import rekey_written
from xmpsync.shoot.events import Listener
from xmpsync.shoot.history import recover_or_raise
from xmpsync.shoot.load import LeftOut, Trouble
from xmpsync.shoot.looks import with_looks
from xmpsync.shoot.measure import open_store
from xmpsync.shoot.options import Machine, Options
from xmpsync.shoot.propose import Proposal, propose
from xmpsync.shoot.refusals import command
from xmpsync.shoot.session import Ready, prepare, recall, refuse_unfinished, state_folder
from xmpsync.solve import solve
from xmpsync.write.outcome import Progress, RunOutcome
from xmpsync.write.perform import perform


@dataclass(frozen=True, slots=True)
class Correction:
    """A proposal with everything it came from. Nothing is written yet."""

    ready: Ready
    proposal: Proposal

    @property
    def troubles(self) -> tuple[Trouble, ...]:
        return (*self.ready.troubles, *self.proposal.troubles)

    @property
    def left_out(self) -> tuple[LeftOut, ...]:
        return self.ready.left_out


def prepare_correction(
    root: Path, options: Options, machine: Machine, listener: Listener, *, writes: bool
) -> Correction:
    """Measure, solve and plan; every figure of the plan is confirmed by a second implementation of the colour model.

    `writes` tells that a real run may follow: an interrupted run is then put right first, before anything is read.
    Otherwise an interrupted run stops the command (exit 4).
    """
    state = state_folder(root, machine)
    if writes:
        put_right(root, state, listener)
    else:
        refuse_unfinished(root, state)
    options = recall(options, state, listener)
    if not options.references:
        raise NoReference(
            "No reference is given, and no run that stands remembers one.",
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
    listener.start("Solving", 0)
    try:
        solution = with_looks(solve(ready.request), ready.request, ready.stand.frames)
        listener.start("Planning every line to write", 0)
        proposal = propose(ready.request, solution, ready.stand.frames, options, root)
        second_opinion.confirm(ready.request.frames, proposal.solution, proposal.settings())
    finally:
        listener.done()
    return Correction(ready, proposal)


def carry_out(correction: Correction, machine: Machine, listener: Listener) -> RunOutcome | None:
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
    return outcome


def _told(step: Progress, listener: Listener) -> None:
    if step.stage == "write":
        listener.step()


def put_right(root: Path, state: Path, listener: Listener) -> None:
    """Recover an interrupted run, and say so."""
    sentence = recover_or_raise(root, state)
    if sentence is not None:
        listener.note(sentence)
