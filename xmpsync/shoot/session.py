"""One shoot being worked on: its state folder, what is remembered, and the way from files to the solver's question."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from xmpsync.clocks.align import align
from xmpsync.errors import LeftAlone, Trouble
from xmpsync.events import Listener
from xmpsync.measurement import FrameMeasurement
from xmpsync.measuring.frames import Measured, measure, open_store
from xmpsync.measuring.machine import Machine
from xmpsync.measuring.memory import seldom_collected
from xmpsync.plan.options import Options
from xmpsync.shoot.bind import bind, by_hand_notes
from xmpsync.shoot.bodies import with_bodies
from xmpsync.shoot.load import Loaded, find, read_sidecars
from xmpsync.shoot.names_given import read_answers
from xmpsync.shoot.request import Stand, build_request, contradictions, shifted, take_stand
from xmpsync.shoot.scales import Scales, learn_scales
from xmpsync.shoot.state import state_folder
from xmpsync.shoot.wishes import Bound
from xmpsync.solve.problem import Request
from xmpsync.write.plan import sha256
from xmpsync.write.runs import remembered, written_by_us


@dataclass(frozen=True, slots=True)
class Ready:
    """Everything before the solve: the question, where each frame stands, and what fell out on the way."""

    root: Path
    state: Path
    options: Options
    loaded: Loaded
    stand: Stand
    request: Request
    scales: Scales
    troubles: tuple[Trouble, ...]
    left_out: tuple[LeftAlone, ...]
    n_from_store: int
    clock_notes: tuple[str, ...] = ()
    clocks_moved: bool = False


def recall(options: Options, state: Path, listener: Listener) -> Options:
    """The options to use: those given; without a reference among them those of the newest run, noted with its id.

    Where other options are given, only that run's references and marks are taken over. What would write more than is
    asked for now (packets inside DNG files, a keyword, a date) is never taken over.
    """
    if options.references:
        return options
    run = remembered(state)
    if run is None:
        return options
    old = Options.from_manifest(dict(run.options))
    if options.only_widens():
        found = replace(
            old,
            embed_dng=options.embed_dng,
            write_regions=options.write_regions,
            tag=options.tag,
            metadata_date=options.metadata_date,
        )
    else:
        found = replace(
            options,
            references=old.references,
            skin=options.skin or old.skin,
            neutral=options.neutral or old.neutral,
        )
    taken = found.as_typed(beside=options)
    if taken:
        listener.note(f"As in run {run.run_id}: {taken}")
    return found


def gather(root: Path, options: Options, machine: Machine, listener: Listener) -> tuple[Loaded, Measured, Scales]:
    """Load and measure the frames, and learn the scale of each camera: the slow part."""
    found = find(root, options, machine.state)
    with open_store(state_folder(root, machine), machine, listener) as store:
        loaded = read_sidecars(found, options, store, machine.n_workers, anew=machine.remeasure)
        measured = measure(loaded.frames, loaded.wishes.marks, machine, store, listener)
        frames, notes = with_bodies(measured.frames, loaded.wishes.bodies)
        measured = replace(measured, frames=frames)
        for note in notes:
            listener.note(note)
        return loaded, measured, learn_scales(loaded, measured.frames, options, store)


@seldom_collected()
def prepare(root: Path, options: Options, machine: Machine, listener: Listener, *, as_it_stands: bool = False) -> Ready:
    """Load, measure and take stand: everything up to the solver's question.

    `as_it_stands`: a sidecar that we wrote counts as it is, not as what it was made from (for `check`); references
    keep their meaning either way, since a reference frame is never written.
    """
    state = state_folder(root, machine)
    loaded, measured, scales = gather(root, options, machine, listener)
    ours = {} if as_it_stands else _ours(loaded, measured.frames, state)
    stand = take_stand(loaded, measured.frames, options, ours, scales)
    troubles = (*loaded.troubles, *measured.troubles, *stand.troubles)
    bound = bind(loaded.wishes, stand, troubles)
    answers = read_answers(state)
    if answers:
        names = ", ".join(sorted({answer.name for answer in answers}))
        listener.note(f"Named by you: {names}.")
    for sentence in contradictions(stand, answers):
        listener.note(sentence)
    for note in by_hand_notes(loaded.wishes):
        listener.note(note)
    request = build_request(stand, options, bound, answers)
    alignment = align(request.frames, fixed=bound.clocks.keys())
    request = replace(request, frames=tuple(shifted(frame, alignment.shifts_s) for frame in request.frames))
    return Ready(
        root=root,
        state=state,
        options=options,
        loaded=loaded,
        stand=stand,
        request=request,
        scales=scales,
        troubles=troubles,
        left_out=(*loaded.left_out, *stand.left_out, *left_out_by_name(stand, bound)),
        n_from_store=measured.n_from_store,
        clock_notes=alignment.notes,
        clocks_moved=bool(alignment.shifts_s),
    )


def left_out_by_name(stand: Stand, bound: Bound) -> tuple[LeftAlone, ...]:
    """Frames that could be worked on and that `--leave-out` names."""
    return tuple(LeftAlone(one, "asked for (--leave-out)") for one in stand.frames if one in bound.leave_out)


def _ours(loaded: Loaded, measured: Mapping[str, FrameMeasurement], state: Path) -> dict[str, object]:
    """Original baselines of frames whose sidecar (without one, packet) is byte for byte what a run of ours wrote."""
    written = written_by_us(state)
    found: dict[str, object] = {}
    for source in loaded.frames:
        path, data = source.files.sidecar, source.sidecar
        if path is None and source.frame_id in measured:
            path, data = source.files.raw, measured[source.frame_id].embedded_xmp
        if path is None or data is None:
            continue
        entry = written.get(path.relative_to(loaded.root).as_posix(), {}).get(sha256(data))
        if entry is not None:
            found[source.frame_id] = entry.get("baseline", "")  # an invalid note is reported where it is read
    return found
