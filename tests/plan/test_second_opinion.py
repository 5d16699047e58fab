"""What the second opinion lets pass and what it stops, on frames made by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.solve.builders import DAY, LAMP, PROFILE, burst, face, frame, reference_frame, shoot
from xmpsync.colour.camera import render
from xmpsync.errors import OwnCheckFailed
from xmpsync.plan.second_opinion import confirm
from xmpsync.solve import check, solve
from xmpsync.solve.problem import Nudge, Reference, Request
from xmpsync.solve.solution import Basis


def test_every_figure_of_a_solve_is_confirmed() -> None:
    request = shoot()
    solution = solve(request)
    after = {r.frame_id: r.correction for r in solution.frames if r.correction is not None}
    figures = sum(face.delta_e00_before is not None for r in solution.frames for face in r.faces)
    assert confirm(request.frames, solution, after) == 2 * figures > 40


@pytest.mark.parametrize("off", [{"delta_e00_after": 0.06}, {"level_ev_before": 0.006}])
def test_a_figure_that_is_off_by_more_than_can_be_printed_names_its_frame(off: dict[str, float]) -> None:
    request = shoot()
    solution = check(request)
    (name, by), frames = next(iter(off.items())), list(solution.frames)
    i = next(i for i, r in enumerate(frames) if r.faces and r.faces[0].delta_e00_before is not None and i > 3)
    first = frames[i].faces[0]
    wrong = replace(first, **{name: getattr(first, name) + by})
    frames[i] = replace(frames[i], faces=(wrong, *frames[i].faces[1:]))
    with pytest.raises(OwnCheckFailed, match=frames[i].frame_id) as caught:
        confirm(request.frames, replace(solution, frames=tuple(frames)), {})
    assert caught.value.exit_code == 70


def test_skin_under_stage_light_that_renders_to_no_luminance_stops_nothing() -> None:
    blue = (0.002, 0.004, 0.6)
    assert render(PROFILE, blue, DAY.kelvin, DAY.tint, 0.0)[1] < 0
    on_stage = face("ann", DAY)
    assert on_stage.skin is not None
    on_stage = replace(on_stage, skin=replace(on_stage.skin, camera=blue))
    stage = frame("stage", (on_stage,), time_s=900.0)
    request = Request((reference_frame(), *burst("day", DAY, [("ann",)] * 4, 5.0), stage), (Reference(frame_id="ref"),))
    solution = check(request)
    judged = solution.frames[-1].faces[0]
    # whatever the solver makes of this face: a figure for it must not stop the run
    person = next(p.name for p in solution.persons)
    judged = replace(judged, person=person, delta_e00_before=50.0, level_ev_before=-38.0, delta_e00_after=None)
    frames = (*solution.frames[:-1], replace(solution.frames[-1], faces=(judged,)))
    assert confirm(request.frames, replace(solution, frames=frames), {}) > 8


def test_figures_of_frames_that_are_left_alone_or_only_nudged_are_those_of_where_they_stay() -> None:
    far = burst("far", LAMP, [("cleo",)] * 4, 9000.0)
    frames = (reference_frame(), *burst("day", DAY, [("ann",)] * 4, 10.0), *far)
    request = Request(frames, (Reference(frame_id="ref"),), nudges=(Nudge("far01", 7.0, 1.0, 0.123),))
    solution = solve(request)
    alone, nudged = solution.frames[-4], solution.frames[-3]
    assert alone.basis is Basis.LEFT_ALONE and nudged.basis is Basis.BY_HAND
    assert alone.faces[0].delta_e00_after == alone.faces[0].delta_e00_before
    assert nudged.faces[0].delta_e00_after != nudged.faces[0].delta_e00_before
    after = {r.frame_id: r.correction for r in solution.frames if r.correction is not None}
    assert "far00" not in after and "far01" in after
    assert confirm(request.frames, solution, after) > 12
