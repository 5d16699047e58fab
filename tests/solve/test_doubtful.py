"""A weak detection that is like nobody moves no frame; one that anything vouches for counts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.solve.builders import DAY, LAMP, burst, face, frame, reference_frame
from xmpsync.measurement import Face
from xmpsync.records import Develop
from xmpsync.skin.records import Unusable
from xmpsync.solve import solve
from xmpsync.solve.doubtful import SURE, without_doubtful
from xmpsync.solve.problem import Frame, Reference, Request
from xmpsync.solve.solution import Basis, Code, FrameResult


def _vector(seed: int, near: tuple[float, ...] | None = None, by: float = 0.0) -> tuple[float, ...]:
    """128 numbers: of a stranger, or `by` away from `near`."""
    step = np.random.default_rng(seed).normal(size=128)
    step /= np.linalg.norm(step)
    return tuple(float(v) for v in (step * 0.6 if near is None else np.array(near) + by * step))


ANN = _vector(1)
FLOWER = replace(
    face("cleo", DAY, gain_ev=1.0, named=False, change=(0.3, 0.0, -0.3)), origin="detector", score=SURE - 0.01
)
"""What looks like skin, three stops and a cast away from anybody in this light."""


def _people() -> list[Frame]:
    frames = [reference_frame(), *burst("day", DAY, [("ann",)] * 6, 10.0)]
    return [replace(f, faces=tuple(replace(one, identity=ANN, origin="detector") for one in f.faces)) for f in frames]


def _solved(thing: Face, name: str | None = "ann") -> tuple[FrameResult, FrameResult]:
    """The results of a frame that shows `thing` alone, and of its neighbour with Ann, who bears `name`."""
    people = [replace(f, faces=tuple(replace(one, name=name) for one in f.faces)) for f in _people()]
    frames = (*people, frame("thing", (thing,), time_s=16.0))
    asked = without_doubtful(frames, {"ref"})
    found = {f.frame_id: f for f in solve(Request(asked, (Reference(frame_id="ref"),))).frames}
    return found["thing"], found["day05"]


def test_a_frame_with_only_a_doubtful_face_follows_its_light() -> None:
    result, beside = _solved(FLOWER)
    assert result.basis is Basis.GROUP and result.correction is not None and beside.correction is not None
    assert result.correction.temperature_k == pytest.approx(beside.correction.temperature_k, rel=0.01)
    assert result.correction.exposure_ev == pytest.approx(beside.correction.exposure_ev, abs=0.05)
    (finding,) = result.findings
    assert finding.code is Code.NO_FACE and "may be no face" in finding.advice


def test_the_same_face_moves_its_frame_where_the_detector_is_sure() -> None:
    """So the rule, not the solver, keeps the frame with its light. Nobody is named: beside faces that bear names, one
    without is a stranger's anyway."""
    result, beside = _solved(replace(FLOWER, score=0.9), name=None)
    assert result.basis is not Basis.GROUP
    assert result.correction is not None and beside.correction is not None
    assert abs(result.correction.exposure_ev - beside.correction.exposure_ev) > 0.1


@pytest.mark.parametrize(
    ("change", "counts"),
    [
        ({}, False),
        ({"identity": _vector(2), "identity_sd": 0.4}, False),
        ({"identity": _vector(3, ANN, 0.45), "identity_sd": 0.4}, True),
        ({"score": SURE}, True),
        ({"name": "ann"}, True),
        ({"origin": "region-and-detector"}, True),
        ({"origin": "hand"}, True),
    ],
)
def test_anything_that_vouches_for_a_face_makes_it_count(change: dict[str, object], counts: bool) -> None:
    thing = frame("thing", (replace(FLOWER, **change),), time_s=16.0)  # type: ignore[arg-type]
    *_, seen = without_doubtful((*_people(), thing), {"ref"})
    (one,) = seen.faces
    assert (one.skin is not None) is counts
    assert one.unusable is (None if counts else Unusable.PERHAPS_NO_FACE)


def test_doubtful_faces_do_not_vouch_for_each_other_nor_for_themselves_in_one_frame() -> None:
    """A flower in a burst is alike in every frame of it."""
    flower = replace(FLOWER, identity=_vector(4), identity_sd=0.4)
    frames = tuple(frame(f"thing{i}", (flower,), time_s=16.0 + i) for i in range(4))
    assert all(f.faces[0].skin is None for f in without_doubtful(frames, ()))
    twice = frame("twice", (flower, replace(flower, face_id="f9", score=0.9)), time_s=30.0)
    assert [f.skin is None for f in without_doubtful((twice,), ())[0].faces] == [True, False]


def test_a_face_of_a_reference_frame_stays() -> None:
    thing = frame("thing", (FLOWER,), time_s=16.0)
    assert without_doubtful((thing,), {"thing"}) == (thing,)


def test_a_light_that_shows_a_stranger_alone_is_left_alone_with_the_frames_that_follow_it() -> None:
    guest = replace(face("cleo", LAMP, named=False), identity=_vector(9), origin="detector")
    lamp = [
        frame(name, faces, time_s=4000.0, as_shot=Develop(3100.0, 5.0, 0.0), exposure_s=1 / 20)
        for name, faces in (("guest", (guest,)), ("room", ()))
    ]
    frames = (*_people(), *lamp)
    found = {f.frame_id: f for f in solve(Request(frames, (Reference(frame_id="ref"),))).frames}
    for frame_id in ("guest", "room"):
        assert found[frame_id].basis is Basis.LEFT_ALONE
        assert found[frame_id].correction is None
        assert [f.code for f in found[frame_id].findings] == [Code.UNKNOWN_PERSON]
    assert found["day05"].basis is Basis.FACES
