"""Findings and the rules for changes too large to be meant."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.solve.builders import DAY, LAMP, PROFILE, SHADE, Light, burst, face, frame, reference_frame
from xmpsync.colour.camera import neutral_from_white
from xmpsync.measurement import Neutral, Scene
from xmpsync.records import Develop
from xmpsync.skin.records import Unusable
from xmpsync.solve import api, mixed, solve
from xmpsync.solve.problem import Frame, Reference, Request
from xmpsync.solve.solution import Basis, Code, FrameResult, Unjudged

REFERENCE = (Reference(frame_id="ref"),)


def _result(frames: list[Frame], frame_id: str, **options: object) -> FrameResult:
    solution = solve(Request(tuple(frames), REFERENCE, **options))  # type: ignore[arg-type]
    return next(f for f in solution.frames if f.frame_id == frame_id)


def _codes(result: FrameResult) -> set[Code]:
    return {f.code for f in result.findings}


def test_two_faces_in_different_light_are_flagged_with_each_faces_own_difference() -> None:
    frames = [reference_frame(("ann", "ben")), *burst("day", DAY, [("ann", "ben")] * 6, 10.0)]
    mixed = frame("mixed", (face("ann", DAY), face("ben", Light(3900.0, 4.0, -0.6), number=1)), time_s=16.0)
    result = _result([*frames, mixed], "mixed")
    finding = next(f for f in result.findings if f.code is Code.MIXED_LIGHT)
    assert result.correction is not None
    own = {d.face_id: d for d in finding.local}
    # what ben's face needs: the white of his light and +0.6 EV
    assert 1e6 / result.correction.temperature_k + own["f1"].d_mired == pytest.approx(1e6 / 3900.0, abs=4.0)
    assert result.correction.exposure_ev + own["f1"].d_exposure_ev == pytest.approx(0.6, abs=0.05)
    assert not result.faces[0].judged
    plain = _result([*frames, mixed], "day03")
    assert Code.MIXED_LIGHT not in _codes(plain)


def test_no_face_clipped_skin_and_few_pixels_say_what_was_done_instead() -> None:
    frames = [reference_frame(), *burst("day", DAY, [("ann",), ("ann",), ()], 10.0)]
    for number, why in enumerate((Unusable.CLIPPED, Unusable.FEW_PIXELS)):
        lost = replace(face("ann", DAY), skin=None, unusable=why)
        frames.append(frame(f"lost{number}", (lost,), time_s=14.0 + number))
    assert _codes(_result(frames, "day02")) == {Code.NO_FACE}
    assert _codes(_result(frames, "lost0")) == {Code.CLIPPED_SKIN}
    assert _codes(_result(frames, "lost1")) == {Code.FEW_PIXELS}
    assert _result(frames, "lost0").basis is Basis.GROUP


def test_a_silhouette_takes_the_groups_exposure_and_keeps_its_white() -> None:
    frames = [reference_frame(), *burst("day", DAY, [("ann",)] * 5, 10.0)]
    dark = frame(
        "dark", (face("ann", DAY, gain_ev=-3.2),), time_s=21.0,
        scene=Scene(green_percentiles=(0.01, 0.02, 0.1, 0.3, 0.9, 0.95, 1.0, 1.0)),
    )  # fmt: skip
    result = _result([*frames, dark], "dark")
    assert Code.LARGE_CHANGE in _codes(result)
    assert result.correction is not None
    assert abs(result.correction.exposure_ev) < 0.3
    assert 1e6 / result.correction.temperature_k == pytest.approx(1e6 / DAY.kelvin, abs=8.0)


def test_stage_light_beyond_white_balance_is_left_alone() -> None:
    frames = [reference_frame(), *burst("day", DAY, [("ann",)] * 4, 10.0)]
    blue = replace(face("ann", DAY), name=None)
    assert blue.skin is not None
    blue = replace(blue, skin=replace(blue.skin, camera=(0.002, 0.004, 0.4)))
    result = _result([*frames, frame("stage", (blue,), time_s=9000.0)], "stage")
    assert result.basis is Basis.LEFT_ALONE
    assert result.correction is None
    assert _codes(result) == {Code.BEYOND_WHITE_BALANCE}


def test_newly_clipped_highlights_are_told() -> None:
    scene = Scene(green_percentiles=(0.01,) * 8, channel_max_percentiles=(0.5, 0.7, 0.9))
    frames = [reference_frame(), *burst("dim", Light(5400.0, 4.0, -1.0), [("ann",)] * 4, 900.0, scene=scene)]
    assert Code.HIGHLIGHTS in _codes(_result(frames, "dim01"))
    calm = [replace(f, scene=replace(scene, channel_max_percentiles=(0.1, 0.2, 0.9))) for f in frames]
    assert Code.HIGHLIGHTS not in _codes(_result(calm, "dim01"))


def test_a_correction_beyond_the_fields_is_clamped_and_told() -> None:
    # darker than any slider reaches: the whole group needs more than the +2.5 that may be meant
    frames = [
        reference_frame(),
        *burst("sun", Light(52000.0, 0.0), [("ann",)] * 3, 900.0, as_shot=Develop(9000.0, 0.0, 0.0)),
    ]
    result = _result(frames, "sun01")
    assert result.correction is None or result.correction.temperature_k <= 50000


def test_the_cast_left_on_a_marked_neutral_is_told_and_a_weight_trades_it() -> None:
    # a dress that looks warm while the skin is right: the neutral's own white lies 30 mired away from the light's
    warm = neutral_from_white(PROFILE, 1e6 / (1e6 / SHADE.kelvin + 30.0), SHADE.tint)
    dress = (Neutral(tuple(float(v) * 0.4 for v in warm), 0.5, 0.8),)  # type: ignore[arg-type]
    frames = [reference_frame(), *burst("shade", SHADE, [("ann",)] * 4, 900.0, scatter=0.0)]
    frames[2] = replace(frames[2], neutrals=dress)
    skin = _result(frames, "shade01")
    assert Code.NEUTRAL_CAST in _codes(skin)
    white = _result(frames, "shade01", neutral_weight=1.0)
    assert Code.NEUTRAL_CAST not in _codes(white)
    mate = _result(frames, "shade02", neutral_weight=1.0)
    half = _result(frames, "shade01", neutral_weight=0.5)
    mired = [1e6 / r.correction.temperature_k for r in (skin, half, white, mate) if r.correction]
    assert mired[2] - mired[0] == pytest.approx(30.0, abs=2.0)
    assert mired[1] == pytest.approx(0.5 * (mired[0] + mired[2]), abs=0.5)
    assert mired[3] == pytest.approx(mired[2], abs=3.0)


def test_a_person_never_linked_to_a_reference_is_told() -> None:
    frames = [reference_frame(), *burst("day", DAY, [("ann",)] * 4, 10.0)]
    frames += burst("far", LAMP, [("cleo",)] * 4, 9000.0, as_shot=Develop(4500.0, 0.0, 0.0), named=True)
    far = _result(frames, "far01")
    assert Code.UNLINKED_PERSON in _codes(far)
    # nobody knows what cleo should look like: neither a colour of people in general nor ann's is forced on her
    assert far.basis is Basis.LEFT_ALONE and far.correction is None
    assert far.faces[0].person == "cleo" and far.faces[0].unjudged is Unjudged.NO_REFERENCE
    assert Code.UNLINKED_PERSON not in _codes(_result(frames, "day01"))


def test_one_frame_with_a_linked_person_ties_a_light_to_the_reference() -> None:
    frames = [reference_frame(), *burst("day", DAY, [("ann",)] * 4, 10.0)]
    far = burst("far", LAMP, [("cleo",), ("cleo", "ann"), ("cleo",), ("cleo",)], 9000.0)
    assert _result([*frames, *far], "far02").basis is Basis.FACES


def test_a_doubtful_name_is_no_second_lamp() -> None:
    """Two faces in one light: taken for the wrong person, one of them looks lit by another lamp; where it may also be
    the right one, no hand is needed."""
    frames = [reference_frame(("ann", "ben", "cleo")), *burst("lamp", LAMP, [("ann", "ben")] * 4, 900.0)]
    x = api.solved(Request(tuple(frames), (Reference(frame_id="ref"),)))
    z, names = x.table.faces_at(x.found.theta).z, list(x.roster.names)
    tolerance = mixed.Tolerance(2.0, 0.25)

    def flagged(second: tuple[str, ...]) -> int:
        perhaps = np.zeros((x.table.n_faces, len(names)), dtype=bool)
        for row, seen in enumerate(x.table.faces):
            if x.table.frames[x.table.face_frame[row]].frame_id != "ref":
                perhaps[row, [names.index(n) for n in (("ann",) if seen.name == "ann" else second)]] = True
        return int(mixed.faces_apart(x.table, z, x.fit, perhaps, tolerance).sum())

    assert flagged(("ben",)) == 0
    assert flagged(("cleo",)) == 4
    assert flagged(("ben", "cleo")) == 0


def test_standard_deviations_grow_where_less_is_known() -> None:
    frames = [reference_frame(), *burst("day", DAY, [("ann",)] * 6 + [()], 10.0)]
    frames += burst("lamp", LAMP, [("ann",), ()], 4000.0)
    sd = {f.frame_id: f.sd_mired for f in solve(Request(tuple(frames), REFERENCE)).frames}
    assert sd["ref"] == 0.0
    assert 0.0 < sd["day01"] < sd["day06"] < sd["lamp01"]
    assert np.isfinite(list(sd.values())).all()


def test_a_group_that_is_dark_as_a_whole_is_corrected_and_listed() -> None:
    back = Light(6300.0, 4.0, -3.0)
    frames = [
        reference_frame(("ann", "ben")),
        *burst("day", DAY, [("ann", "ben")] * 4, 10.0),
        *burst("back", back, [("ann",), ("ann", "ben"), ("ben",), ("ann", "ben")], 2000.0),
    ]
    result = _result(frames, "back01")
    assert Code.LARGE_CHANGE in _codes(result)
    assert result.correction is not None
    assert result.correction.exposure_ev == pytest.approx(3.0, abs=0.1)


def test_two_silhouettes_among_normal_frames_take_the_others_exposure() -> None:
    frames = [reference_frame(), *burst("day", DAY, [("ann",)] * 6, 10.0)]
    bright = Scene(green_percentiles=(0.01, 0.02, 0.1, 0.3, 0.9, 0.95, 1.0, 1.0))
    for number in range(2):
        dark = (face("ann", DAY, gain_ev=-3.2),)
        frames.append(frame(f"dark{number}", dark, time_s=13.0 + 4.0 * number, scene=bright))
    for name in ("dark0", "dark1"):
        result = _result(frames, name)
        assert Code.LARGE_CHANGE in _codes(result)
        assert result.correction is not None
        assert abs(result.correction.exposure_ev) < 0.3
