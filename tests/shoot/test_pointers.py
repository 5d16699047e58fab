"""What FRAME, PERSON= and @x,y mean."""

from __future__ import annotations

import fnmatch
import ntpath
import os

import pytest

from xmpsync.errors import WrongUsage
from xmpsync.shoot.pointers import LabNumbers, Pointer, find_frame, matches, parse_pointer, parse_reference

FRAMES = ["a/K1_0001.DNG", "a/K1_0002.DNG", "b/K1_0002.NEF", "c=d@0.5,0.5.dng", "lab:1,2,3.dng"]


@pytest.mark.parametrize(
    ("text", "frame"),
    [
        ("a/K1_0001.DNG", "a/K1_0001.DNG"),
        ("K1_0001.DNG", "a/K1_0001.DNG"),
        ("K1_0001", "a/K1_0001.DNG"),
        ("k1_0001.dng", "a/K1_0001.DNG"),
        ("a/K1_0002", "a/K1_0002.DNG"),
        ("a\\K1_0002.DNG", "a/K1_0002.DNG"),
        ("K1_0002.NEF", "b/K1_0002.NEF"),
        ("nothing", None),
    ],
)
def test_a_frame_is_found_by_path_file_name_or_stem(text: str, frame: str | None) -> None:
    assert find_frame(text, FRAMES) == frame


def test_an_ambiguous_name_is_refused_with_the_candidates() -> None:
    with pytest.raises(WrongUsage, match=r"a/K1_0002\.DNG, b/K1_0002\.NEF"):
        find_frame("K1_0002", FRAMES)


def test_person_and_place_are_read() -> None:
    assert parse_pointer("K1_0001@.25,0.5", FRAMES, option="--x") == Pointer("a/K1_0001.DNG", (0.25, 0.5))
    assert parse_pointer("Alto=K1_0001", FRAMES, option="--x") == Pointer("a/K1_0001.DNG", None, "Alto")
    assert parse_pointer("Alto=K1_0001@1,0", FRAMES, option="--x") == Pointer("a/K1_0001.DNG", (1.0, 0.0), "Alto")


def test_a_literal_file_name_wins_over_the_signs_in_it() -> None:
    assert parse_reference("c=d@0.5,0.5.dng", FRAMES) == Pointer("c=d@0.5,0.5.dng")
    assert parse_reference("c=d@0.5,0.5", FRAMES) == Pointer("c=d@0.5,0.5.dng")
    assert parse_reference("x=c=d@0.5,0.5@0.1,0.2", FRAMES) == Pointer("c=d@0.5,0.5.dng", (0.1, 0.2), "x")
    assert parse_reference("lab:1,2,3", FRAMES) == Pointer("lab:1,2,3.dng")


def test_numbers_can_be_a_reference() -> None:
    assert parse_reference("Bass=lab:55,12.5,-3", FRAMES) == LabNumbers((55.0, 12.5, -3.0), "Bass")
    for bad in ("lab:55,12", "lab:x,y,z", "lab:-3,1,1", "lab:nan,0,0"):
        with pytest.raises(WrongUsage, match="three CIELAB numbers"):
            parse_reference(bad, FRAMES)


def test_a_missing_frame_is_refused_with_close_names_and_a_place_outside_the_picture_too() -> None:
    with pytest.raises(WrongUsage, match=r"Did you mean .*a/K1_0001\.DNG"):
        parse_reference("K1_0091", FRAMES)
    with pytest.raises(WrongUsage, match="outside the picture"):
        parse_reference("K1_0001@1.5,0", FRAMES)


def test_globs_match_the_path_or_the_file_name() -> None:
    shoot = ["a1.nef", "a2.nef", "card/a1.nef", "card/b.dng"]
    assert [f for f in shoot if matches(f, ("a1.*",))] == ["a1.nef", "card/a1.nef"]
    assert [f for f in shoot if matches(f, ("card/*",))] == ["card/a1.nef", "card/b.dng"]
    assert [f for f in shoot if matches(f, ("card/b.*", "a2.nef"))] == ["a2.nef", "card/b.dng"]


def test_globs_follow_the_cases_of_the_system(monkeypatch: pytest.MonkeyPatch) -> None:
    assert matches("card/A1.NEF", ("*.nef",)) == (os.path.normcase("A") == "a")
    monkeypatch.setattr(fnmatch.os.path, "normcase", ntpath.normcase)
    assert matches("card/A1.NEF", ("*.nef",)) and matches("card/A1.NEF", ("card\\a*",))
