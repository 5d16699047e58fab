"""What stands beside the tool: plain closed forms on the tool's own measurements, and the solver told the truth.

Faces that the tool measured are matched with the true ones by where they are; nothing else of the truth enters but who
is who and, for the pooled form and the solver, which frames share a light.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from benchmarks.solve.plain import Table, closed_form, pooled
from benchmarks.whole_shoot.score import Numbers, as_shot
from benchmarks.whole_shoot.shoot import TrueFrame
from xmpsync.events import Silent
from xmpsync.measuring.machine import Machine
from xmpsync.plan.options import Options
from xmpsync.records import Box, Develop
from xmpsync.shoot.session import prepare
from xmpsync.solve import solve
from xmpsync.solve.problem import Frame, Request
from xmpsync.solve.solution import Code, Solution

SAME_IOU = 0.2
NumbersOf = Callable[[TrueFrame], Numbers]


@dataclass(frozen=True)
class Beside:
    """Settings of every frame by way; the solver's own answer for what is not in the sidecars."""

    ways: dict[str, NumbersOf]
    solution: Solution
    lights_found: int
    lights_true: int
    judged: tuple[int, int]
    flagged: int


def beside(folder: Path, frames: Sequence[TrueFrame], reference: str) -> Beside:
    """All the ways for a folder whose frames are measured already."""
    machine = Machine()
    request = prepare(folder, Options(references=(reference,)), machine, Silent()).request
    order = {frame.name: frame for frame in frames}
    true = [order[Path(f.frame_id).stem] for f in request.frames]
    table = _table(request, true)
    told, lights = _told(request, true)
    more = {"told_lights": lights} if "told_lights" in inspect.signature(solve).parameters else {}
    ways = {
        "closed form, told who": _numbers(true, closed_form(table)),
        "pooled, told who and light": _numbers(true, closed_form(table, pooled(table), table.place)),
        "xmpsync, told who and light": _settings(true, told, solve(told, **more)),
    }
    solution = solve(request)
    faces = [
        face
        for frame, t in zip(solution.frames, true, strict=True)
        for face in frame.faces
        if face.delta_e00_after is not None and not t.is_reference
    ]
    return Beside(
        ways=ways,
        solution=solution,
        lights_found=len(solution.groups),
        lights_true=len({(frame.run, frame.body) for frame in true}),
        judged=(sum(face.judged for face in faces), sum(len(frame.faces) for frame in true if not frame.is_reference)),
        flagged=sum(any(f.code is Code.MIXED_LIGHT for f in frame.findings) for frame in solution.frames),
    )


def _who(frame: Frame, true: TrueFrame) -> list[str | None]:
    """The person of each measured face, None for what is no face of the truth."""
    out: list[str | None] = []
    for face in frame.faces:
        best = max(true.faces, key=lambda t: face.box.iou(Box(*t.box)), default=None)
        out.append(best.person if best is not None and face.box.iou(Box(*best.box)) > SAME_IOU else None)
    return out


def _table(request: Request, true: Sequence[TrueFrame]) -> Table:
    people = sorted({face.person for frame in true for face in frame.faces})
    rows = [
        (i, people.index(name), face.skin.camera)
        for i, (frame, t) in enumerate(zip(request.frames, true, strict=True))
        for face, name in zip(frame.faces, _who(frame, t), strict=True)
        if name is not None and face.skin is not None
    ]
    profiles = list(dict.fromkeys(f.profile for f in request.frames))
    stands = [f.baseline if t.is_reference else f.as_shot for f, t in zip(request.frames, true, strict=True)]
    return Table(
        frame=np.array([r[0] for r in rows], np.intp),
        person=np.array([r[1] for r in rows], np.intp),
        usable=np.ones(len(rows), bool),
        n_people=len(people),
        seen=np.array([r[2] for r in rows]),
        stands=np.array([(1e6 / s.temperature_k, s.tint, s.exposure_ev) for s in stands]),
        reference=np.array([t.is_reference for t in true]),
        profiles=tuple(profiles),
        body=np.array([profiles.index(f.profile) for f in request.frames], np.intp),
        light=np.array([t.run for t in true], np.intp),
    )


def _told(request: Request, true: Sequence[TrueFrame]) -> tuple[Request, dict[str, int]]:
    frames = []
    for frame, t in zip(request.frames, true, strict=True):
        named = zip(frame.faces, _who(frame, t), strict=True)
        faces = tuple(replace(f, name=name, named_by_hand=True) if name else f for f, name in named)
        frames.append(replace(frame, faces=faces))
    lights = {f.frame_id: t.run for f, t in zip(request.frames, true, strict=True)}
    return replace(request, frames=tuple(frames)), lights


def _numbers(true: Sequence[TrueFrame], theta: np.ndarray) -> NumbersOf:
    found = {t.name: (float(1e6 / m), float(tint), float(ev)) for t, (m, tint, ev) in zip(true, theta, strict=True)}
    return lambda frame: found[frame.name]


def _settings(true: Sequence[TrueFrame], request: Request, solution: Solution) -> NumbersOf:
    found: dict[str, Develop] = {}
    for t, frame, result in zip(true, request.frames, solution.frames, strict=True):
        found[t.name] = result.correction or frame.baseline
    return lambda frame: (
        (found[frame.name].temperature_k, found[frame.name].tint, found[frame.name].exposure_ev)
        if frame.name in found
        else as_shot(frame)
    )
