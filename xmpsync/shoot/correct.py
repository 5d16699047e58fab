"""The use-case `correct`: from a folder and a reference to a proposal, and from a proposal to the disk."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from xmpsync.errors import WrongUsage
from xmpsync.shoot.events import Listener
from xmpsync.shoot.load import LeftOut, Trouble
from xmpsync.shoot.options import Machine, Options
from xmpsync.shoot.propose import Proposal, propose
from xmpsync.shoot.session import Ready, prepare, recall, refuse_unfinished, state_folder
from xmpsync.solve import solve
from xmpsync.write.perform import RunOutcome, perform
from xmpsync.write.recover import recover


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
    """Measure, solve and plan.

    `writes` tells that a real run may follow: an interrupted run is then put right first, before anything is read.
    Otherwise an interrupted run stops the command (exit 4).
    """
    state = state_folder(root, machine)
    if writes:
        put_right(root, state, listener)
    else:
        refuse_unfinished(root, state)
    options = recall(options, state)
    if not options.references:
        raise WrongUsage(
            "No reference is given, and no earlier run remembers one.",
            next_step="Name a frame whose skin is right: --reference FRAME",
        )
    ready = prepare(root, options, machine, listener)
    if not ready.request.frames:
        raise WrongUsage(
            "None of the frames could be read.",
            next_step=" ".join(t.sentence for t in ready.troubles[:3]) or "Check the folder.",
        )
    solution = solve(ready.request)
    proposal = propose(ready.request, solution, ready.stand.frames, options, ready.scales, root)
    return Correction(ready, proposal)


def carry_out(correction: Correction) -> RunOutcome | None:
    """Perform the plan; None when there is nothing to write."""
    plan = correction.proposal.plan
    if not plan.changes:
        return None
    return perform(plan, correction.ready.root, correction.ready.state)


def put_right(root: Path, state: Path, listener: Listener) -> None:
    """Recover an interrupted run, and say so."""
    report = recover(root, state)
    if report is not None:
        listener.note(report.sentence)
