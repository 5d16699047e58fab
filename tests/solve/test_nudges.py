"""Nudges by hand: what the eye adds to the answer of one frame or of a whole light."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.solve.builders import frame, shoot
from xmpsync.solve import answered, solve, solved
from xmpsync.solve.problem import Nudge, Request
from xmpsync.solve.solution import Basis, Code, FrameResult, Solution


def _by_id(solution: Solution) -> dict[str, FrameResult]:
    return {f.frame_id: f for f in solution.frames}


def _moved(plain: FrameResult, nudged: FrameResult) -> tuple[float, float, float]:
    """Mired, tint and EV from one correction to the other."""
    a, b = plain.correction, nudged.correction
    assert a is not None and b is not None
    return 1e6 / b.temperature_k - 1e6 / a.temperature_k, b.tint - a.tint, b.exposure_ev - a.exposure_ev


def test_a_nudged_frame_moves_by_what_was_said_and_no_other_does() -> None:
    request = shoot()
    plain = _by_id(solve(request))
    nudged = _by_id(solve(replace(request, nudges=(Nudge("lamp00", 10.0, 2.0, -0.3),))))
    # fact of the trade: warmer is a higher temperature setting, fewer mired; numbers are rounded to 1 K and 0.01 EV
    assert _moved(plain["lamp00"], nudged["lamp00"]) == pytest.approx((-10.0, 2.0, -0.3), abs=0.1)
    others = [name for name in plain if name != "lamp00"]
    assert [nudged[name].correction for name in others] == [plain[name].correction for name in others]
    (face,) = nudged["lamp00"].faces[:1]
    assert face.level_ev_after == pytest.approx((plain["lamp00"].faces[0].level_ev_after or 0.0) - 0.3, abs=0.02)


def test_a_nudge_of_a_light_moves_its_frames_together_but_not_the_reference() -> None:
    request = shoot()
    plain = _by_id(solve(request))
    wishes = (Nudge("ref", 4.0, 0.0, 0.2, whole_light=True), Nudge("lamp00", 0.0, 0.0, 0.1, whole_light=True))
    nudged = _by_id(solve(replace(request, nudges=wishes)))
    assert nudged["ref"].basis is Basis.REFERENCE and nudged["ref"].correction is None
    lamp = plain["lamp00"].group
    assert lamp != plain["ref"].group
    for name, before in plain.items():
        if name != "ref":
            wanted = (0.0, 0.0, 0.1) if before.group == lamp else (-4.0, 0.0, 0.2)
            if before.group in (lamp, plain["ref"].group):
                assert _moved(before, nudged[name]) == pytest.approx(wanted, abs=0.15), name


def test_nudges_of_one_frame_add_up_and_stop_at_the_ends_of_the_fields() -> None:
    request = shoot()
    plain = _by_id(solve(request))["lamp00"]
    twice = (Nudge("lamp00", 0.0, 0.0, 0.1), Nudge("lamp00", 0.0, 0.0, 0.1))
    assert _moved(plain, _by_id(solve(replace(request, nudges=twice)))["lamp00"])[2] == pytest.approx(0.2, abs=0.011)
    far = _by_id(solve(replace(request, nudges=(Nudge("lamp00", 0.0, 0.0, 9.0),))))["lamp00"]
    assert far.correction is not None and far.correction.exposure_ev == 4.0
    assert Code.CLAMPED in {finding.code for finding in far.findings}


def test_a_frame_that_was_left_alone_moves_from_where_it_stands() -> None:
    frames = (frame("a", (), time_s=0.0), frame("b", (), time_s=3.0))
    found = _by_id(solve(Request(frames, (), nudges=(Nudge("a", 0.0, 0.0, 0.5),))))
    assert found["b"].basis is Basis.LEFT_ALONE and found["b"].correction is None
    assert found["a"].basis is Basis.BY_HAND and found["a"].correction is not None
    assert (found["a"].correction.temperature_k, found["a"].correction.exposure_ev) == (5000.0, 0.5)
    # a white that nobody knows cannot be written
    dark = tuple(replace(f, as_shot_known=False, baseline_known=False) for f in frames)
    found = _by_id(solve(Request(dark, (), nudges=(Nudge("a", 0.0, 0.0, 0.5),))))
    assert found["a"].basis is Basis.LEFT_ALONE and found["a"].correction is None


def test_a_solve_in_two_steps_answers_as_one_whatever_is_asked_for_in_between() -> None:
    request = shoot()
    slow = solved(request)
    for other in (request, replace(request, strength=0.5), replace(request, nudges=(Nudge("lamp00", 5.0, 1.0, 0.1),))):
        assert answered(other, slow) == solve(other)
