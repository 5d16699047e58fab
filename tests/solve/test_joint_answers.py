"""The whole solve on shoots whose right answer is known exactly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.solve.builders import DAY, GREEN, LAMP, SHADE, burst, face, frame, reference_frame, shoot
from xmpsync.records import Develop
from xmpsync.solve import check, solve
from xmpsync.solve.problem import Reference, Request
from xmpsync.solve.solution import Basis, FrameResult, Solution, Unjudged

LIGHTS = {"day": DAY, "shad": SHADE, "lamp": LAMP}


def _by_id(solution: Solution) -> dict[str, FrameResult]:
    return {f.frame_id: f for f in solution.frames}


def _off(result: FrameResult) -> tuple[float, float, float]:
    light = LIGHTS[result.frame_id[:4].rstrip("0123456789")]
    c = result.correction
    assert c is not None
    return 1e6 / c.temperature_k - 1e6 / light.kelvin, c.tint - light.tint, c.exposure_ev + light.gain_ev


def test_every_frame_comes_to_its_lights_white() -> None:
    solution = solve(shoot())
    frames = [f for f in solution.frames if f.frame_id != "ref"]
    off = np.array([_off(f) for f in frames])
    sd = np.array([(f.sd_mired, f.sd_tint, f.sd_ev) for f in frames])
    # faces scatter by 1 % per channel, the five of the reference person beside the reference by half a z on average:
    # 2 mired or 3 tint; no frame may be further off than its own deviation allows (largest of 72 normal values)
    assert np.abs(off / np.hypot(sd, [0.5, 0.5, 0.01])).max() < 3.2
    # the largest of 24: a frame's light may move a little, so its own faces count beside the pooled ones
    assert np.abs(off[:, 0]).max() < 7.0
    assert np.abs(off[:, 1]).max() < 6.0
    assert np.abs(off[:, 2]).max() < 0.1
    # in the reference's own light its white is the answer, up to what each frame's own faces add
    beside = np.array([f.frame_id.startswith("day") for f in frames])
    assert np.abs(off[beside]).max(axis=0) == pytest.approx([0.0, 0.0, 0.0], abs=1.6)


def test_a_person_who_is_in_no_reference_keeps_an_own_colour() -> None:
    solution = solve(shoot())
    people = {p.name: p for p in solution.persons}
    assert people["ann"].referenced
    assert not people["cleo"].referenced
    # cleo's own colour is what her skin looks like in the reference's look, not ann's (66, 13, 17)
    assert people["cleo"].lab_d50 == pytest.approx((40.0, 14.0, 18.0), abs=1.5)


def test_frames_without_a_face_follow_their_light_group() -> None:
    frames = _by_id(solve(shoot()))
    for frame_id in ("day03", "shade03", "lamp03"):
        assert frames[frame_id].basis is Basis.GROUP
        mired, tint, ev = _off(frames[frame_id])
        around = [_off(f) for name, f in frames.items() if name[:-2] == frame_id[:-2] and name != frame_id]
        # rounding to whole tints on both sides
        assert (mired, tint, ev) == pytest.approx(tuple(np.median(around, axis=0)), abs=1.1)


def test_the_reference_frame_stays_what_its_sidecar_says() -> None:
    solution = solve(shoot())
    reference = _by_id(solution)["ref"]
    assert reference.basis is Basis.REFERENCE
    assert reference.correction is None
    # its skin differs from its person's usual skin by a face's scatter
    assert reference.faces[0].delta_e00_after == pytest.approx(0.0, abs=1.0)


def test_a_reference_without_neighbours_is_its_persons_colour() -> None:
    frames = [reference_frame(), *burst("lamp", LAMP, [("ann",)] * 6, 4000.0)]
    solution = solve(Request(tuple(frames), (Reference(frame_id="ref"),)))
    assert _by_id(solution)["ref"].faces[0].delta_e00_after == pytest.approx(0.0, abs=0.1)
    assert solution.persons[0].lab_d50 == pytest.approx((66.0, 13.0, 17.0), abs=0.1)


def test_a_reference_that_blushes_is_outvoted_by_its_neighbours_in_the_same_light() -> None:
    """The reference fixes its frame's white; what the person's skin is under it, all faces of that light tell.

    A blush of one z: three times what skin usually does. One of five z is taken for another light.
    """
    blush = (0.006, -0.012, -0.004)
    reference = frame("ref", (face("ann", DAY, change=blush),), time_s=0.0, baseline=reference_frame().baseline)
    mates = burst("day", DAY, [("ann",)] * 9, 10.0, scatter=0.004)
    lamp = burst("lamp", LAMP, [("ann",)] * 6, 4000.0, scatter=0.004)
    result = _by_id(solve(Request((reference, *mates, *lamp), (Reference(frame_id="ref"),))))
    assert np.abs(_off(result["day04"])) == pytest.approx([0.0, 0.0, 0.0], abs=2.0)
    alone = _by_id(solve(Request((reference, *lamp), (Reference(frame_id="ref"),))))
    # a lone reference is all that is known, so its blush goes into every other light
    assert abs(_off(alone["lamp03"])[1]) > 2.0
    assert abs(_off(result["lamp03"])[1]) <= 0.6 * abs(_off(alone["lamp03"])[1])


def test_a_light_without_any_face_is_left_alone_and_says_so() -> None:
    rng = np.random.default_rng(1)
    frames = [reference_frame(), *burst("day", DAY, [("ann",)] * 4, 10.0, rng=rng)]
    as_shot = Develop(3100.0, 12.0, 0.0)
    frames += burst("hall", GREEN, [()] * 4, 9000.0, as_shot=as_shot, exposure_s=1 / 8)
    result = _by_id(solve(Request(tuple(frames), (Reference(frame_id="ref"),))))["hall01"]
    assert result.basis is Basis.LEFT_ALONE
    assert result.correction is None
    assert "left as it is" in result.findings[0].advice


def test_exposure_follows_the_cameras_settings_where_no_face_is_seen() -> None:
    """Common practice and plain physics: twice the exposure time is one EV more light in the file."""
    frames = [reference_frame(), *burst("day", DAY, [("ann",)] * 6, 10.0)]
    twice = frame("empty", (), time_s=15.0, exposure_s=1 / 50)
    result = _by_id(solve(Request((*frames, twice), (Reference(frame_id="ref"),))))["empty"]
    assert result.correction is not None
    assert result.correction.exposure_ev == pytest.approx(-1.0, abs=0.05)


def test_an_overexposed_warm_frame_gets_cooler_and_darker() -> None:
    """Common practice: less kelvin renders cooler; the light is warmer than the camera's white and too bright."""
    as_shot = Develop(5000.0, 0.0, 0.0)
    warm = replace(LAMP, kelvin=3400.0, gain_ev=1.0)
    frames = [reference_frame(), *burst("warm", warm, [("ann",)] * 3, 3000.0, as_shot=as_shot)]
    result = _by_id(solve(Request(tuple(frames), (Reference(frame_id="ref"),))))["warm01"]
    assert result.correction is not None
    assert result.correction.temperature_k < as_shot.temperature_k - 1000
    assert result.correction.exposure_ev < -0.8


def test_green_lamps_move_tint_towards_magenta() -> None:
    """Common practice: raising tint renders more magenta, which takes a green cast away."""
    frames = [
        reference_frame(),
        *burst("green", GREEN, [("ann",)] * 3, 3000.0, as_shot=Develop(4100.0, 0.0, 0.0)),
    ]
    result = _by_id(solve(Request(tuple(frames), (Reference(frame_id="ref"),))))["green01"]
    assert result.correction is not None
    assert result.correction.tint > 20


def test_a_colour_given_as_numbers_is_where_the_skin_lands() -> None:
    frames = burst("day", DAY, [("ann",)] * 4, 10.0, scatter=0.0)
    solution = solve(Request(tuple(frames), (Reference(person="ann", lab_d50=(60.0, 15.0, 15.0)),)))
    face_result = solution.frames[0].faces[0]
    assert face_result.delta_e00_after is not None
    assert face_result.delta_e00_after < 0.3  # 1 K, 1 tint, 0.01 EV
    assert solution.persons[0].lab_d50 == pytest.approx((60.0, 15.0, 15.0), abs=0.05)


def test_check_sees_what_a_run_has_written() -> None:
    request = shoot()
    solution = solve(request)
    done = [
        f if r.correction is None else replace(f, baseline=r.correction)
        for f, r in zip(request.frames, solution.frames, strict=True)
    ]
    before = [f.delta_e00_after for r in check(request).frames for f in r.faces if f.delta_e00_after is not None]
    after = [
        f.delta_e00_after
        for r in check(replace(request, frames=tuple(done))).frames
        for f in r.faces
        if f.delta_e00_after is not None
    ]
    assert np.median(before) > 3.0
    assert np.median(after) < 1.0
    assert all(r.correction is None for r in check(request).frames)


def test_check_without_a_reference_compares_everybody_with_themselves() -> None:
    request = replace(shoot(), references=())
    people = {f.person for r in check(request).frames for f in r.faces if f.delta_e00_after is not None}
    assert people == {"ann", "ben", "cleo"}


def test_identity_vectors_tell_who_is_who_without_names() -> None:
    rng = np.random.default_rng(5)
    centre = {p: v / np.linalg.norm(v) * 0.55 for p, v in zip(("ann", "ben"), rng.normal(size=(2, 128)), strict=True)}

    def shown(person: str, number: int, light: object) -> object:
        vector = centre[person] + rng.normal(0.0, 0.03, 128)
        return face(person, light, named=False, number=number, identity=tuple(vector.tolist()))  # type: ignore[arg-type]

    frames = [frame("ref", (shown("ann", 0, DAY),), time_s=0.0, baseline=Develop(DAY.kelvin, DAY.tint, 0.0))]  # type: ignore[arg-type]
    for k in range(8):
        who = "ann" if k % 2 else "ben"
        frames.append(frame(f"lamp{k}", (shown(who, 0, LAMP),), time_s=4000.0 + k))  # type: ignore[arg-type]
    solution = solve(Request(tuple(frames), (Reference(frame_id="ref"),)))
    names = [f.faces[0].person for f in solution.frames[1:]]
    assert names[1] == names[3] == names[5] == names[7] == solution.frames[0].faces[0].person
    assert names[0] == names[2] == names[4] == names[6] != names[1]


def test_faces_without_name_and_identity_are_not_guessed() -> None:
    """Three people, one of them in the reference, and nothing tells who is who: what is called known is right."""
    request = shoot()
    truth = {(f.frame_id, face.face_id): face.name for f in request.frames for face in f.faces}
    solution = solve(shoot(named=False))
    known = [(r.frame_id, f) for r in solution.frames for f in r.faces if f.person is not None and r.frame_id != "ref"]
    assert all(truth[frame_id, face.face_id] == "ann" for frame_id, face in known if face.person == "person 1")
    unknown = [f for r in solution.frames for f in r.faces if f.person is None]
    assert unknown and all(f.unjudged is Unjudged.UNKNOWN_PERSON for f in unknown)
