"""Propose corrections: the solver's answer in the editor's numbers. No byte of a sidecar is edited here.

Two steps. `propose` gives the values of every frame and costs next to nothing beside the solve: enough for a table, a
page, a next try. `xmpsync.plan.planned.plan_bytes` turns a proposal into the exact bytes, each edit checked: ask for it
when somebody wants to see a difference of bytes, or to write.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from xmpsync.colour.camera import render
from xmpsync.colour.cielab import skin_difference, xyz_d50_from_lab
from xmpsync.plan.face_names import given_names, names_to_write
from xmpsync.plan.neutrals import NeutralCast, neutral_casts
from xmpsync.plan.options import Options
from xmpsync.plan.standing import Standing
from xmpsync.records import Develop
from xmpsync.solve.problem import Request
from xmpsync.solve.skin_regions import judged_camera
from xmpsync.solve.solution import NEEDS_HANDWORK, Basis, FrameResult, Solution
from xmpsync.xmp.edit import Change, already_says


@dataclass(frozen=True, slots=True)
class Row:
    """One frame of the proposal: the numbers before and after, and the solver's answer behind them.

    `after` is None where nothing changes (the reference, a held frame, one left alone).
    """

    frame_id: str
    sidecar: str
    before: Develop
    after: Develop | None
    result: FrameResult
    creates: bool = False


@dataclass(frozen=True, slots=True)
class Wish:
    """What one frame's files are to say. `says_so`: its sidecar says it already, as far as its settings tell."""

    row: Row
    standing: Standing
    change: Change
    says_so: bool


@dataclass(frozen=True, slots=True)
class Proposal:
    """All rows and what they were made from. Nothing is planned or written yet.

    Whether each packet can be edited shows only when its bytes are planned (`plan.plan_bytes`).
    """

    root: Path
    options: Options
    rows: tuple[Row, ...]
    wishes: tuple[Wish, ...]
    solution: Solution
    request: Request

    @property
    def n_to_change(self) -> int:
        """Frames whose files would change, told from their settings; the planned bytes have the last word."""
        return sum(1 for wish in self.wishes if not wish.says_so)

    def settings(self) -> dict[str, Develop]:
        """The numbers in force after writing, by frame, of the frames that change."""
        return _settings(self.rows)

    def neutrals(self) -> tuple[NeutralCast, ...]:
        """The cast on every marked neutral, before and after."""
        return neutral_casts(self.request.frames, self.settings())


def propose(
    request: Request,
    solution: Solution,
    stand: Mapping[str, Standing],
    options: Options,
    root: Path,
) -> Proposal:
    """Turn a solution into rows and wishes."""
    rows: list[Row] = []
    wishes: list[Wish] = []
    now = datetime.now(UTC).isoformat(timespec="seconds")
    given = given_names(request) if options.write_regions else frozenset()
    for frame, result in zip(request.frames, solution.frames, strict=True):
        standing = stand[frame.frame_id]
        after = _after(standing, result, options, frame.baseline)
        row = Row(
            frame_id=frame.frame_id,
            sidecar=_relative(standing.source.files.sidecar or standing.source.files.new_sidecar, root),
            before=frame.baseline,
            after=after,
            result=result,
            creates=standing.source.sidecar is None,
        )
        tag = options.tag if _wants_tag(result) else None
        named = names_to_write(standing, result, given) if given else None
        if after is not None or tag is not None or named is not None:
            change = replace(_change(after, options, tag, now), names=named)
            goes_into_a_file = standing.source.sidecar is not None or options.embed_dng  # otherwise one is created
            says_so = goes_into_a_file and already_says(standing.settings, change)
            wishes.append(Wish(row, standing, change, says_so))
        rows.append(row)
    if options.only is not None:
        solution = _as_written(solution, request, _settings(rows))
        rows = [replace(row, result=result) for row, result in zip(rows, solution.frames, strict=True)]
    return Proposal(root, options, tuple(rows), tuple(wishes), solution, request)


def _settings(rows: Iterable[Row]) -> dict[str, Develop]:
    return {row.frame_id: row.after for row in rows if row.after is not None}


def _as_written(solution: Solution, request: Request, settings: Mapping[str, Develop]) -> Solution:
    """The solution with its `after` figures at what is really written, where that is not all that was solved."""
    person_xyz = {person.name: xyz_d50_from_lab(person.lab_d50) for person in solution.persons}
    camera = judged_camera(request.frames)
    results = []
    for frame, result in zip(request.frames, solution.frames, strict=True):
        at = settings.get(frame.frame_id, frame.baseline)
        faces = []
        for face in result.faces:
            if face.person is not None and face.delta_e00_after is not None:
                gain_ev = at.exposure_ev + frame.baseline_exposure_ev
                xyz = render(frame.profile, camera[frame.frame_id, face.face_id], at.temperature_k, at.tint, gain_ev)
                de00, level_ev = skin_difference(xyz, person_xyz[face.person])
                face = replace(face, delta_e00_after=float(de00), level_ev_after=float(level_ev))
            faces.append(face)
        results.append(replace(result, faces=tuple(faces)))
    return replace(solution, frames=tuple(results))


def _after(standing: Standing, result: FrameResult, options: Options, baseline: Develop) -> Develop | None:
    found = result.correction
    if found is None or options.only is None:
        return found
    if options.only == "wb":
        return replace(found, exposure_ev=baseline.exposure_ev)
    if standing.measurement.as_shot_neutral is None and baseline.as_shot:
        return None  # the level depends on a white balance that nobody knows
    level = _level_change_ev(standing, found, baseline)
    moved = replace(found, exposure_ev=found.exposure_ev + level).rounded()
    return replace(baseline, exposure_ev=moved.exposure_ev)


def _level_change_ev(standing: Standing, found: Develop, baseline: Develop) -> float:
    """What the exposure must make up for when the white balance stays: the same skin renders at another level."""
    skins = [face.skin.camera for face in standing.measurement.faces if face.skin]
    camera = np.mean(skins, axis=0) if skins else np.array(standing.measurement.as_shot_neutral or (1.0, 1.0, 1.0))
    solved, kept = (
        render(standing.profile, camera, white.temperature_k, white.tint, 0.0)[1] for white in (found, baseline)
    )
    return float(np.log2(solved / kept))


def _wants_tag(result: FrameResult) -> bool:
    """The keyword marks frames that need handwork; a reference or held frame is never touched."""
    return result.basis not in (Basis.REFERENCE, Basis.HELD) and any(f.code in NEEDS_HANDWORK for f in result.findings)


def _change(after: Develop | None, options: Options, tag: str | None, now: str) -> Change:
    writes_white, writes_exposure = options.only != "exposure", options.only != "wb"
    white = after if writes_white else None
    return Change(
        temperature_k=int(white.temperature_k) if white else None,
        tint=int(white.tint) if white else None,
        exposure_ev=after.exposure_ev if after and writes_exposure else None,
        keyword=tag,
        in_force=True,
        metadata_date=now if options.metadata_date else None,
    )


def _relative(path: Path, root: Path) -> str:
    return path.relative_to(root).as_posix()
