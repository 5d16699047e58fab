"""The use-case `check`: how well the skin matches as the sidecars stand now."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

import numpy as np

from xmpsync.errors import NoReference
from xmpsync.events import Listener
from xmpsync.measuring.machine import Machine
from xmpsync.plan.options import Options
from xmpsync.shoot.look_findings import with_looks
from xmpsync.shoot.phrases import command, counted
from xmpsync.shoot.session import Ready, prepare, recall
from xmpsync.shoot.state import refuse_unfinished, state_folder
from xmpsync.solve import check
from xmpsync.solve.solution import Basis, FaceResult, Solution, Unjudged

SHARE_WANTED = 0.95
"""Share of judged faces that must be within the tolerance (contract)."""


@dataclass(frozen=True, slots=True)
class Figures:
    """How far skin is off: medians and 95th percentiles; NaN-free, None where no face was judged."""

    n_faces: int
    n_within: int
    de00_median: float | None
    de00_p95: float | None
    ev_median: float | None
    ev_p95: float | None


SHARE_JUDGED = 0.8
"""Share of the faces with skin that must have been judged before anything is called matched (contract)."""


class Verdict(StrEnum):
    """The verdict that the figures allow (in JSON too)."""

    MATCHES = "matches"
    OFF = "off"
    NOT_SURE = "not-sure"


@dataclass(frozen=True, slots=True)
class Share:
    """How many of the faces with skin were judged, and why the others were not. Reference frames are not counted."""

    n_judged: int
    n_skin: int
    reasons: Mapping[str, int]

    @property
    def enough(self) -> bool:
        return self.n_skin > 0 and self.n_judged >= SHARE_JUDGED * self.n_skin

    @property
    def sentence(self) -> str:
        told = f"Judged: {self.n_judged} of {counted(self.n_skin, 'face')} with skin."
        if self.reasons:
            rest = ", ".join(f"{code.replace('-', ' ')} {n}" for code, n in sorted(self.reasons.items()))
            told += f" Not judged: {rest}."
        return told


@dataclass(frozen=True, slots=True)
class Checked:
    """The figures as the sidecars stand now, and everything they came from."""

    ready: Ready
    solution: Solution
    figures: Figures

    @property
    def share(self) -> Share:
        return share_judged(self.ready, self.solution)

    @property
    def verdict(self) -> Verdict:
        value = self.figures
        if value.n_faces > 0 and value.n_within < SHARE_WANTED * value.n_faces:
            return Verdict.OFF
        return Verdict.MATCHES if value.n_faces > 0 and self.share.enough else Verdict.NOT_SURE

    def inside(self, face: FaceResult) -> bool:
        """Whether a face is within the tolerance as it stands now."""
        options, de00, ev = self.ready.options, face.delta_e00_before, face.level_ev_before
        return (
            de00 is not None and ev is not None and de00 <= options.tolerance_de00 and abs(ev) <= options.tolerance_ev
        )

    @property
    def passed(self) -> bool:
        return self.verdict is Verdict.MATCHES


def check_shoot(root: Path, options: Options, machine: Machine, listener: Listener) -> Checked:
    """Measure what is not measured yet, and judge every face against its person's reference. Writes nothing."""
    state = state_folder(root, machine)
    refuse_unfinished(root, state)
    options = recall(options, state, listener)
    if not options.references:
        raise NoReference(
            "No reference is given, and none is remembered from a run.",
            next_step="Name a frame whose skin is right: --reference FRAME. "
            f"To find one: {command('references', root)}",
        )
    ready = prepare(root, options, machine, listener, as_it_stands=True)
    listener.start("Judging", 0)
    try:
        solution = with_looks(check(ready.request), ready.request, ready.stand.frames)
    finally:
        listener.done()
    return Checked(ready, solution, figures(solution, options, after=False))


def share_judged(ready: Ready, solution: Solution) -> Share:
    """The share of faces with skin that count, the rest by reason."""
    with_skin = {(f.frame_id, face.face_id) for f in ready.request.frames for face in f.faces if face.skin is not None}
    faces = [
        face
        for frame in solution.frames
        if frame.basis is not Basis.REFERENCE
        for face in frame.faces
        if (frame.frame_id, face.face_id) in with_skin
    ]
    others = [face for face in faces if not (face.judged and face.delta_e00_before is not None)]
    reasons = Counter((face.unjudged or Unjudged.NO_REFERENCE).value for face in others)
    return Share(len(faces) - len(others), len(faces), dict(reasons))


def judged_faces(solution: Solution) -> list[FaceResult]:
    """All faces that count. Those of a reference frame do not: they agree with themselves."""
    frames = [frame for frame in solution.frames if frame.basis is not Basis.REFERENCE]
    return [f for frame in frames for f in frame.faces if f.judged and f.delta_e00_before is not None]


def figures(solution: Solution, options: Options, *, after: bool) -> Figures:
    """Summary over the judged faces, at the baseline or after the correction."""
    faces = judged_faces(solution)
    de00 = np.array([f.delta_e00_after if after else f.delta_e00_before for f in faces], dtype=float)
    ev = np.abs(np.array([f.level_ev_after if after else f.level_ev_before for f in faces], dtype=float))
    if not len(de00):
        return Figures(0, 0, None, None, None, None)
    within = (de00 <= options.tolerance_de00) & (ev <= options.tolerance_ev)
    return Figures(
        n_faces=len(faces),
        n_within=int(within.sum()),
        de00_median=float(np.median(de00)),
        de00_p95=float(np.percentile(de00, 95)),
        ev_median=float(np.median(ev)),
        ev_p95=float(np.percentile(ev, 95)),
    )
