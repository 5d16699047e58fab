"""One shoot on a desk: everything read and measured once, then asked again with other choices.

What costs time is done only where a choice asks for it: a place that was pointed at measures its own frame again;
another reference, another name, a frame held or left out solves again; strength, neutrals and nudges need neither.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from xmpsync.errors import WrongUsage
from xmpsync.events import Listener
from xmpsync.measurement import FrameMeasurement, MarkedPlace
from xmpsync.measuring.frames import measure, open_store
from xmpsync.measuring.machine import Machine
from xmpsync.measuring.memory import seldom_collected
from xmpsync.measuring.pool import Idle
from xmpsync.measuring.worker import MeasureJob
from xmpsync.plan.options import Options
from xmpsync.plan.propose import propose
from xmpsync.shoot.bind import bind
from xmpsync.shoot.correct import Correction
from xmpsync.shoot.load import Loaded
from xmpsync.shoot.look_findings import with_looks
from xmpsync.shoot.names_given import Answer, face_at
from xmpsync.shoot.request import Stand, build_request, shifted
from xmpsync.shoot.session import Ready, left_out_by_name, prepare
from xmpsync.shoot.wishes import Wishes, read_wishes
from xmpsync.solve import answered, checked, solved
from xmpsync.solve.problem import Frame, Request
from xmpsync.solve.results import Solved

READ_ANEW = ("frames", "min_rating", "include_rejected", "clock", "camera_profiles", "scale")
"""Options that change what is read; no choice on the page changes them."""
KEPT_SOLVES = 6
"""Solves that are kept, so that going back and forth between references costs nothing."""

Marks = tuple[MarkedPlace, ...]


@dataclass(slots=True)
class Desk:
    """A shoot that was read and measured, and the solves made so far."""

    root: Path
    machine: Machine
    listener: Listener
    ready: Ready
    idle: Idle[MeasureJob]
    _measured: dict[tuple[str, Marks], FrameMeasurement] = field(default_factory=dict)
    _marks: dict[str, Marks] = field(default_factory=dict)
    _solves: OrderedDict[int, tuple[Request, Solved]] = field(default_factory=OrderedDict)
    n_solved: int = 0

    @staticmethod
    def of(root: Path, options: Options, machine: Machine, listener: Listener, idle: Idle[MeasureJob]) -> Desk:
        """Read and measure a shoot. `idle` measures frames in which places are pointed at."""
        ready = prepare(root, options, machine, listener)
        if not ready.request.frames:
            raise WrongUsage(
                "None of the frames could be read.",
                next_step=" ".join(t.sentence for t in ready.troubles[:3]) or "Check the folder.",
            )
        return Desk.around(ready, machine, listener, idle)

    @staticmethod
    def around(ready: Ready, machine: Machine, listener: Listener, idle: Idle[MeasureJob]) -> Desk:
        """A desk for what was read and measured already."""
        desk = Desk(ready.root, machine, listener, ready, idle)
        desk._marks = _by_frame(ready.loaded.wishes)
        for frame_id, marks in desk._marks.items():
            if frame_id in ready.stand.frames:
                desk._measured[frame_id, marks] = ready.stand.frames[frame_id].measurement
        return desk

    def read_anew(self, options: Options) -> bool:
        """Whether these options ask for a new desk."""
        return any(getattr(self.ready.options, name) != getattr(options, name) for name in READ_ANEW)

    def holds(self, ready: Ready) -> bool:
        """Whether the sidecars on the desk are, to the byte, those of another reading."""
        mine, theirs = ({s.frame_id: s.sidecar for s in r.loaded.frames} for r in (self.ready, ready))
        return mine == theirs

    @seldom_collected()
    def ask(self, options: Options, answers: Sequence[Answer]) -> Correction:
        """The values of every frame with these choices; without a reference, how the frames stand.

        Raises WrongUsage where a choice cannot be; then the desk is as it was.
        """
        loaded = replace(self.ready.loaded, wishes=read_wishes(options, self.ready.loaded.all_ids))
        marks, measured, stand = self._with_marks(loaded)
        bound = bind(loaded.wishes, stand, self.ready.troubles)
        shifts = _shifts(self.ready)
        request = build_request(stand, options, replace(bound, clocks={}), answers)
        request = replace(request, frames=tuple(shifted(frame, shifts) for frame in request.frames))
        if not request.frames:
            raise WrongUsage("Every frame would be left out.", next_step="Keep at least one.")
        left_out = (*loaded.left_out, *stand.left_out, *left_out_by_name(stand, bound))
        ready = replace(self.ready, options=options, loaded=loaded, stand=stand, request=request, left_out=left_out)
        slow = self._solved(request)
        solution = answered(request, slow) if options.references else checked(request, slow)
        solution = with_looks(solution, request, stand.frames)
        found = Correction(ready, propose(request, solution, stand.frames, options, self.root))
        self.ready, self._marks, self._measured = ready, marks, measured
        return found

    def _solved(self, request: Request) -> Solved:
        for key, (known, slow) in reversed(self._solves.items()):
            if _same_question(known, request):
                self._solves.move_to_end(key)
                return slow
        self.listener.start("Solving", 0)
        try:
            slow = solved(request)
        finally:
            self.listener.done()
        self.n_solved += 1
        self._solves[self.n_solved] = request, slow
        while len(self._solves) > KEPT_SOLVES:
            self._solves.popitem(last=False)
        return slow

    def _with_marks(self, loaded: Loaded) -> tuple[dict[str, Marks], dict[tuple[str, Marks], FrameMeasurement], Stand]:
        """The places pointed at, and where the frames stand once these are measured."""
        wanted = _by_frame(loaded.wishes)
        standing, known = dict(self.ready.stand.frames), dict(self._measured)
        to_measure = []
        for frame_id in {*wanted, *self._marks}:
            marks, old = wanted.get(frame_id, ()), self._marks.get(frame_id, ())
            if marks == old or frame_id not in standing:
                continue
            known.setdefault((frame_id, old), standing[frame_id].measurement)
            if (frame_id, marks) not in known:
                named = _on_faces(standing[frame_id].measurement, old, marks)
                if named is None:
                    to_measure.append(frame_id)
                else:
                    known[frame_id, marks] = named
        for frame_id, measurement in self._measure(loaded, to_measure).items():
            known[frame_id, wanted.get(frame_id, ())] = measurement
        for frame_id in {*wanted, *self._marks} & standing.keys():
            found = known.get((frame_id, wanted.get(frame_id, ())))
            if found is not None:
                standing[frame_id] = replace(standing[frame_id], measurement=found)
        return wanted, known, replace(self.ready.stand, frames=standing)

    def _measure(self, loaded: Loaded, frame_ids: Sequence[str]) -> Mapping[str, FrameMeasurement]:
        """Measure these frames again, with the places pointed at in them."""
        if not frame_ids:
            return {}
        some = [s for s in loaded.frames if s.frame_id in frame_ids]
        with open_store(self.ready.state, self.machine, self.listener) as store:
            found = measure(some, loaded.wishes.marks, self.machine, store, self.listener, self.idle)
        if found.troubles:
            raise WrongUsage(" ".join(trouble.sentence for trouble in found.troubles), next_step="Point elsewhere.")
        return found.frames


def _by_frame(wishes: Wishes) -> dict[str, Marks]:
    """The places pointed at, by frame."""
    found: dict[str, Marks] = {}
    for mark in wishes.marks:
        found[mark.frame_id] = (*found.get(mark.frame_id, ()), mark)
    return found


def _on_faces(measurement: FrameMeasurement, old: Marks, new: Marks) -> FrameMeasurement | None:
    """The measurement with more marks, where each lies in the middle of a face that was found anyway: it only names it.

    None where the frame has to be looked at again.
    """
    added = [mark for mark in new if mark not in old]
    if any(mark not in new for mark in old):
        return None
    faces = list(measurement.faces)
    for mark in added:
        face = face_at(faces, mark.x, mark.y) if mark.kind == "skin" else None
        if face is None or face.by_hand or not _in_the_middle(face.box.centre, mark):
            return None
        faces[faces.index(face)] = replace(face, name=mark.name or face.name)
    return replace(measurement, faces=tuple(faces))


def _in_the_middle(centre: tuple[float, float], mark: MarkedPlace) -> bool:
    return abs(centre[0] - mark.x) < 1e-3 and abs(centre[1] - mark.y) < 1e-3


def _shifts(ready: Ready) -> dict[str, float]:
    """By how many seconds each body's clock was corrected when the shoot was read."""
    found: dict[str, float] = {}
    for frame in ready.request.frames:
        own = ready.stand.frames[frame.frame_id].measurement.capture.time_s
        if own is not None and frame.capture.time_s is not None:
            found.setdefault(frame.capture.body, frame.capture.time_s - own)
    return found


def _same_question(known: Request, asked: Request) -> bool:
    """Whether the slow part of a solve is the same: frames (but for marked neutrals) and references."""
    return (
        known.references == asked.references
        and len(known.frames) == len(asked.frames)
        and all(_same_frame(a, b) for a, b in zip(known.frames, asked.frames, strict=True))
    )


def _same_frame(a: Frame, b: Frame) -> bool:
    return a == b or replace(a, neutrals=()) == replace(b, neutrals=())
