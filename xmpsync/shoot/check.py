"""The use-case `check`: how well the skin matches as the sidecars stand now."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from xmpsync.shoot.events import Listener
from xmpsync.shoot.looks import with_looks
from xmpsync.shoot.options import Machine, Options
from xmpsync.shoot.session import Ready, prepare, recall, refuse_unfinished, state_folder
from xmpsync.solve import check
from xmpsync.solve.solution import Basis, FaceResult, Solution

SHARE_WANTED = 0.95
"""Share of judged faces that must be within the tolerance as the contract says."""


@dataclass(frozen=True, slots=True)
class Figures:
    """How far skin is off: medians and 95th percentiles; NaN-free, None where no face was judged."""

    n_faces: int
    n_within: int
    de00_median: float | None
    de00_p95: float | None
    ev_median: float | None
    ev_p95: float | None


@dataclass(frozen=True, slots=True)
class Checked:
    """The figures as the sidecars stand now, and everything they came from."""

    ready: Ready
    solution: Solution
    figures: Figures

    @property
    def passed(self) -> bool:
        return self.figures.n_faces > 0 and self.figures.n_within >= SHARE_WANTED * self.figures.n_faces


def check_shoot(root: Path, options: Options, machine: Machine, listener: Listener) -> Checked:
    """Measure what is not measured yet, and judge every face against its person's reference. Writes nothing."""
    state = state_folder(root, machine)
    refuse_unfinished(root, state)
    options = recall(options, state)
    ready = prepare(root, options, machine, listener, as_it_stands=True)
    solution = with_looks(check(ready.request), ready.request, ready.stand.frames)
    return Checked(ready, solution, figures(solution, options, after=False))


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
