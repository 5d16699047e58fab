"""Shoots that hold next to nothing still get an answer or a reason."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.solve.builders import LAMP, face, frame, reference_frame, shoot
from xmpsync.solve import solve
from xmpsync.solve.problem import Reference, Request
from xmpsync.solve.solution import Basis

REFERENCE = (Reference(frame_id="ref"),)


def test_frames_of_a_light_without_skin_and_reference_keep_what_they_have() -> None:
    result = solve(Request((frame("a", (), time_s=0.0), frame("b", (), time_s=3.0)), ())).frames[0]
    assert result.basis is Basis.LEFT_ALONE
    assert result.correction is None


def test_a_reference_alone_is_an_answer() -> None:
    assert solve(Request((reference_frame(),), REFERENCE)).frames[0].basis is Basis.REFERENCE


def test_one_frame_beside_the_reference_without_names_or_times_comes_to_its_light() -> None:
    other = frame("x", (face("ann", LAMP, named=False),), time_s=0.0)
    other = replace(other, capture=replace(other.capture, time_s=None))
    correction = solve(Request((reference_frame(named=False), other), REFERENCE)).frames[1].correction
    assert correction is not None
    # one face, no width known: it may lean towards as-shot by a mired or two
    assert 1e6 / correction.temperature_k == pytest.approx(1e6 / LAMP.kelvin, abs=6.0)


def test_files_that_tell_neither_time_nor_exposure_are_solved_on_their_faces() -> None:
    request = shoot()
    bare = [replace(f, capture=replace(f.capture, time_s=None, exposure_s=None)) for f in request.frames]
    results = {f.frame_id: f for f in solve(replace(request, frames=tuple(bare))).frames}
    correction = results["lamp00"].correction
    assert correction is not None
    assert 1e6 / correction.temperature_k == pytest.approx(1e6 / LAMP.kelvin, abs=15.0)
    assert all(f.correction is not None for f in results.values() if f.frame_id != "ref")
