"""The ways beside each other: as-shot, two plain closed forms on the solver's own measurements, the solver itself."""

from __future__ import annotations

import inspect
import time
from dataclasses import dataclass

import numpy as np

from benchmarks.skin.spectra import Array
from benchmarks.solve.plain import Table, closed_form, pooled
from benchmarks.solve.request import told
from benchmarks.solve.shoot import Shoot
from xmpsync.solve import solve
from xmpsync.solve.problem import Request
from xmpsync.solve.solution import Solution

AS_SHOT, PER_FRAME, POOLED, TOLD, ALONE = "as-shot", "closed form", "pooled closed form", "told both", "told nothing"
BASELINES = (AS_SHOT, PER_FRAME, POOLED)


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """Mired, tint, EV (F, 3) of all frames by one way; the solution and its CPU seconds where it is the solver's."""

    theta: Array
    solution: Solution | None = None
    cpu_s: float = float("nan")


def ways(shoot: Shoot, request: Request, names: tuple[str, ...]) -> dict[str, Way]:
    """The ways of these names, by name."""
    out = {}
    table = table_of(shoot)
    for name in names:
        if name == AS_SHOT:
            out[name] = Way(table.stands)
        elif name == PER_FRAME:
            out[name] = Way(closed_form(table))
        elif name == POOLED:
            out[name] = Way(closed_form(table, pooled(table), table.place))
        else:
            out[name] = solved(shoot, request, with_truth=name == TOLD)
    return out


def solved(shoot: Shoot, request: Request, with_truth: bool) -> Way:
    """The tool; with the truth of who is who, and of the lights if this solver takes it."""
    more = {}
    if with_truth:
        request, lights = told(shoot, request)
        if "told_lights" in inspect.signature(solve).parameters:
            more = {"told_lights": lights}
    start = time.process_time()
    solution = solve(request, **more)
    cpu_s = time.process_time() - start
    written = [f.baseline if r.correction is None else r.correction
               for f, r in zip(request.frames, solution.frames, strict=True)]  # fmt: skip
    theta = np.array([(1e6 / c.temperature_k, c.tint, c.exposure_ev) for c in written])
    return Way(theta, solution, cpu_s)


def table_of(shoot: Shoot) -> Table:
    """What the plain ways are given."""
    stands = np.where(
        shoot.is_reference[:, None],
        shoot.truth.baseline,
        np.column_stack([shoot.light.as_shot, np.zeros(shoot.n_frames)]),
    )
    return Table(
        frame=shoot.faces.frame,
        person=shoot.faces.person,
        usable=~shoot.faces.clipped & ~shoot.guest,
        n_people=shoot.people.n,
        seen=shoot.faces.seen,
        stands=np.column_stack([1e6 / stands[:, 0], stands[:, 1:]]),
        reference=shoot.is_reference,
        profiles=tuple(c.profile for c in shoot.bodies),
        body=shoot.day.frame_body,
        light=shoot.day.told_light,
    )
