"""Propose corrections: solve, turn the answer into the editor's numbers, and edit each sidecar's bytes in memory."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from xmpsync import __version__
from xmpsync.colour.camera import render
from xmpsync.colour.difference import skin_difference, xyz_d50_from_lab
from xmpsync.errors import FrameError
from xmpsync.records import Settings3
from xmpsync.shoot.baseline import to_note
from xmpsync.shoot.embed import embedded_change
from xmpsync.shoot.load import Trouble
from xmpsync.shoot.memory import seldom_collected
from xmpsync.shoot.neutrals import NeutralCast, neutral_casts
from xmpsync.shoot.options import Options
from xmpsync.shoot.request import Standing
from xmpsync.solve.problem import Request
from xmpsync.solve.solution import NEEDS_HANDWORK, Basis, FrameResult, Solution
from xmpsync.write.plan import ChangeKind, FileChange, Plan, sha256
from xmpsync.xmp.difference import unified_diff
from xmpsync.xmp.edit import Change, apply_change, from_embedded, new_sidecar

WriteTarget = tuple[FileChange, bytes | None]


@dataclass(frozen=True, slots=True)
class Numbers:
    """What a sidecar holds or will hold, in the editor's numbers; None = as shot (white) or absent."""

    temperature_k: float | None
    tint: float | None
    exposure_ev: float


@dataclass(frozen=True, slots=True)
class Row:
    """One frame of the proposal: the numbers before and after, and the solver's answer behind them.

    `after` is None where nothing changes (the reference, a held frame, one left alone).
    """

    frame_id: str
    sidecar: str
    before: Numbers
    after: Numbers | None
    result: FrameResult
    creates: bool = False


@dataclass(frozen=True, slots=True)
class Proposal:
    """All rows, the plan with the exact bytes, and what it was made from. Nothing is written yet."""

    rows: tuple[Row, ...]
    plan: Plan
    before_bytes: Mapping[str, bytes | None]
    solution: Solution
    request: Request
    troubles: tuple[Trouble, ...]

    def settings(self) -> dict[str, Settings3]:
        """The numbers in force after writing, by frame, of the frames that change."""
        return _settings(self.request, self.rows)

    def neutrals(self) -> tuple[NeutralCast, ...]:
        """The cast on every marked neutral, before and after."""
        return neutral_casts(self.request.frames, self.settings())

    def diffs(self) -> list[str]:
        """A unified diff for each sidecar that would change, in the plan's order."""
        return [
            unified_diff(self.before_bytes[change.path], change.after, change.path)
            for change in self.plan.changes
            if change.after is not None
        ]


@seldom_collected()
def propose(
    request: Request,
    solution: Solution,
    stand: Mapping[str, Standing],
    options: Options,
    root: Path,
) -> Proposal:
    """Turn a solution into rows and a plan. A frame whose packet cannot be edited becomes a trouble; others go on."""
    rows: list[Row] = []
    changes: list[FileChange] = []
    before_bytes: dict[str, bytes | None] = {}
    troubles: list[Trouble] = []
    now = datetime.now(UTC).isoformat(timespec="seconds")
    for frame, result in zip(request.frames, solution.frames, strict=True):
        standing = stand[frame.frame_id]
        after = _after(standing, result, options, frame.baseline)
        row = Row(
            frame_id=frame.frame_id,
            sidecar=_relative(standing.source.files.sidecar or standing.source.files.new_sidecar, root),
            before=_before(standing),
            after=after,
            result=result,
            creates=standing.source.sidecar is None,
        )
        tag = options.tag if _wants_tag(result) else None
        if after is not None or tag is not None:
            change = _change(after, options, tag, now)
            try:
                targets = _targets(standing, change, row, root, embed=options.embed_dng)
            except FrameError as error:
                troubles.append(
                    Trouble(frame.frame_id, f"{row.sidecar} cannot be edited: {error.what}.", error.next_step)
                )
                row = replace(row, after=None)
                targets = []
            for target, before in targets:
                note = {
                    "frame": frame.frame_id,
                    "baseline": to_note(standing.baseline),
                    "after": _plain(after) if after else None,
                }
                changes.append(replace(target, note=note))
                before_bytes[target.path] = before
        rows.append(row)
    plan = Plan(tuple(changes), options.to_manifest(), __version__)
    if options.only is not None:
        solution = _as_written(solution, request, _settings(request, rows))
        rows = [replace(row, result=result) for row, result in zip(rows, solution.frames, strict=True)]
    return Proposal(tuple(rows), plan, before_bytes, solution, request, tuple(troubles))


def _settings(request: Request, rows: Iterable[Row]) -> dict[str, Settings3]:
    found = {}
    for frame, row in zip(request.frames, rows, strict=True):
        after = row.after
        if after is not None:
            white = frame.baseline.temperature_k, frame.baseline.tint
            if after.temperature_k is not None and after.tint is not None:
                white = after.temperature_k, after.tint
            found[frame.frame_id] = Settings3(*white, after.exposure_ev)
    return found


def _as_written(solution: Solution, request: Request, settings: Mapping[str, Settings3]) -> Solution:
    """The solution with its `after` figures at what is really written, where that is not all that was solved."""
    person_xyz = {person.name: xyz_d50_from_lab(person.lab_d50) for person in solution.persons}
    results = []
    for frame, result in zip(request.frames, solution.frames, strict=True):
        at = settings.get(frame.frame_id, frame.baseline)
        camera = {face.face_id: face.skin.camera for face in frame.faces if face.skin is not None}
        faces = []
        for face in result.faces:
            if face.person is not None and face.delta_e00_after is not None:
                gain_ev = at.exposure_ev + frame.baseline_exposure_ev
                xyz = render(frame.profile, camera[face.face_id], at.temperature_k, at.tint, gain_ev)
                de00, level_ev = skin_difference(xyz, person_xyz[face.person])
                face = replace(face, delta_e00_after=float(de00), level_ev_after=float(level_ev))
            faces.append(face)
        results.append(replace(result, faces=tuple(faces)))
    return replace(solution, frames=tuple(results))


def _before(standing: Standing) -> Numbers:
    where = standing.baseline
    return Numbers(where.temperature_k, where.tint, where.exposure_ev)


def _after(standing: Standing, result: FrameResult, options: Options, baseline: Settings3) -> Numbers | None:
    found = result.correction
    if found is None:
        return None
    if options.only == "wb":
        return Numbers(found.temperature_k, found.tint, standing.baseline.exposure_ev)
    if options.only == "exposure":
        if standing.measurement.as_shot_neutral is None and standing.baseline.temperature_k is None:
            return None  # the level depends on a white balance that nobody knows
        level = _level_change_ev(standing, found, baseline)
        where = standing.baseline
        return Numbers(where.temperature_k, where.tint, round(min(max(found.exposure_ev + level, -4.0), 4.0), 2))
    return Numbers(found.temperature_k, found.tint, found.exposure_ev)


def _level_change_ev(standing: Standing, found: Settings3, baseline: Settings3) -> float:
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


def _change(after: Numbers | None, options: Options, tag: str | None, now: str) -> Change:
    writes_white, writes_exposure = options.only != "exposure", options.only != "wb"
    white = after if writes_white else None
    return Change(
        temperature_k=round(white.temperature_k) if white and white.temperature_k is not None else None,
        tint=round(white.tint) if white and white.tint is not None else None,
        exposure_ev=after.exposure_ev if after and writes_exposure else None,
        keyword=tag,
        in_force=True,
        metadata_date=now if options.metadata_date else None,
    )


def _targets(standing: Standing, change: Change, row: Row, root: Path, *, embed: bool) -> list[WriteTarget]:
    """The files to change for one frame: its sidecar, or the packet in the DNG, or both."""
    targets: list[WriteTarget] = []
    embedded = embedded_change(standing, change, root) if embed else None
    if embedded is not None and embedded[0].after != embedded[1]:
        targets.append(embedded)
    before = standing.source.sidecar
    packet = standing.measurement.embedded_xmp
    basis = None
    if before is not None:
        after = apply_change(before, change)
    elif embedded is not None:
        return targets
    elif packet is not None:
        after, basis = from_embedded(packet, change), packet
    else:
        after = new_sidecar(change)
    if after != before:
        before_sha256 = sha256(before) if before is not None else None
        targets.append((FileChange(row.sidecar, ChangeKind.SIDECAR, before_sha256, after, basis=basis), before))
    return targets


def _relative(path: Path, root: Path) -> str:
    return path.relative_to(root).as_posix()


def _plain(numbers: Numbers) -> dict[str, float | None]:
    return {
        "temperature_k": numbers.temperature_k,
        "tint": numbers.tint,
        "exposure_ev": numbers.exposure_ev,
    }
