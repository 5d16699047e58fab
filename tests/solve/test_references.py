"""What may be a reference, and how an impossible one is refused."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.solve.builders import DAY, LAMP, burst, face, frame, reference_frame
from xmpsync.errors import WrongUsage
from xmpsync.records import Develop
from xmpsync.skin.records import Unusable
from xmpsync.solve import solve
from xmpsync.solve.problem import Reference, Request

FRAMES = (reference_frame(("ann", "ben"), named=False), *burst("day", DAY, [("ann",), ("ben",), ()], 10.0, named=False))


def test_a_frame_without_a_face_is_refused_and_the_nearest_usable_ones_are_named() -> None:
    with pytest.raises(
        WrongUsage, match=r"day02 cannot be a reference: it shows no face.*Nothing was written.*day01, day00"
    ):
        solve(Request(FRAMES, (Reference(frame_id="day02"),)))


def test_clipped_skin_is_refused() -> None:
    clipped = replace(FRAMES[1].faces[0], skin=None, unusable=Unusable.CLIPPED)
    frames = (FRAMES[0], replace(FRAMES[1], faces=(clipped,)), *FRAMES[2:])
    with pytest.raises(WrongUsage, match="clipped"):
        solve(Request(frames, (Reference(frame_id="day00"),)))


def test_six_unnamed_faces_without_skin_are_six_faces() -> None:
    clipped = tuple(
        replace(FRAMES[0].faces[0], face_id=f"f{n}", skin=None, unusable=Unusable.CLIPPED) for n in range(6)
    )
    frames = (replace(FRAMES[0], faces=clipped), *FRAMES[1:])
    with pytest.raises(WrongUsage, match=r"shows 6 faces, none with usable skin \(.*clipped.*\)"):
        solve(Request(frames, (Reference(frame_id="ref"),)))


def test_a_frame_that_names_others_lists_them() -> None:
    faces = tuple(replace(f, name="zoe") for f in FRAMES[0].faces)
    frames = (replace(FRAMES[0], faces=faces), *FRAMES[1:])
    with pytest.raises(WrongUsage, match=r"shows no face named ann \(named there: zoe\)"):
        solve(Request(frames, (Reference(person="ann", frame_id="ref"),)))


def test_an_unknown_baseline_is_refused() -> None:
    frames = (replace(FRAMES[0], baseline_known=False), *FRAMES[1:])
    with pytest.raises(WrongUsage, match="white balance without numbers"):
        solve(Request(frames, (Reference(frame_id="ref"),)))


def test_a_frame_that_is_not_there_is_refused() -> None:
    with pytest.raises(WrongUsage, match="nowhere"):
        solve(Request(FRAMES, (Reference(frame_id="nowhere"),)))


def test_a_name_for_one_of_two_unnamed_faces_asks_for_the_place() -> None:
    with pytest.raises(WrongUsage, match=r"ann=ref@x,y.*0\.10,0\.45"):
        solve(Request(FRAMES, (Reference(person="ann", frame_id="ref"),)))


def test_numbers_that_are_not_a_colour_are_refused() -> None:
    with pytest.raises(WrongUsage, match="not a visible colour"):
        solve(Request(FRAMES, (Reference(person="ann", lab_d50=(0.0, 10.0, 10.0)),)))


def test_a_picked_face_gets_the_persons_name() -> None:
    solution = solve(Request(FRAMES, (Reference(person="ann", frame_id="ref", face_id="f0"),)))
    named = [p for p in solution.persons if p.referenced]
    assert [p.name for p in named] == ["ann"]
    assert named[0].lab_d50 == pytest.approx((66.0, 13.0, 17.0), abs=0.5)


def test_a_frame_without_a_person_serves_each_person_in_it() -> None:
    solution = solve(Request(FRAMES, (Reference(frame_id="ref"),)))
    assert sorted(round(p.lab_d50[0]) for p in solution.persons if p.referenced) == [54, 66]


def test_several_references_of_one_person_are_averaged_and_their_spread_is_told() -> None:
    warm = frame("ref2", (face("ann", DAY),), time_s=5.0, baseline=Develop(6600.0, 4.0, 0.0))
    frames = (reference_frame(), warm, *burst("lamp", LAMP, [("ann",)] * 3, 4000.0))
    solution = solve(Request(frames, (Reference(frame_id="ref"), Reference(frame_id="ref2"))))
    ann = solution.persons[0]
    assert ann.reference_spread_de00 > 1.5
    assert 17.0 < ann.lab_d50[2] < 26.0
    assert any("differ by up to" in note for note in solution.notes) == (ann.reference_spread_de00 > 2.0)


def test_an_empty_shoot_is_refused() -> None:
    with pytest.raises(WrongUsage, match="no frame"):
        solve(Request((), ()))
