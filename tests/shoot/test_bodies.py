"""Two bodies of one model without serial numbers: told by `--body`, or by file numbers that run on separately."""

from __future__ import annotations

import pytest

from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.errors import WrongOptions
from xmpsync.measurement import FrameMeasurement
from xmpsync.plan.options import Options
from xmpsync.records import UNKNOWN_CAMERA, Capture
from xmpsync.shoot.bodies import with_bodies
from xmpsync.shoot.wishes import read_wishes

NO_PROFILE = CameraProfile(())


def frames(*captures: tuple[str, float | None], serial: str | None = None) -> dict[str, FrameMeasurement]:
    return {
        name: FrameMeasurement(Capture("Boatworks", "B 2", serial, time_s=time_s), "", NO_PROFILE, None)
        for name, time_s in captures
    }


def bodies(measured: dict[str, FrameMeasurement], *body: str) -> tuple[dict[str, str], tuple[str, ...]]:
    wishes = read_wishes(Options(body=body), list(measured))
    found, notes = with_bodies(measured, wishes.bodies)
    return {name: m.capture.body for name, m in found.items()}, notes


def alternating(first: str, second: str, numbers: tuple[int, int] = (400, 7300)) -> dict[str, FrameMeasurement]:
    """Two folders whose frames alternate, three at a time, each counting on from a number of its own."""
    made: list[tuple[str, float | None]] = []
    for turn in range(8):
        folder, start = ((first, numbers[0]), (second, numbers[1]))[turn % 2]
        made += [(f"{folder}/IMG_{start + 3 * (turn // 2) + k:04d}.nef", 60.0 * turn + k) for k in range(3)]
    return frames(*made)


def test_a_pattern_names_the_body_of_frames_without_a_serial_number() -> None:
    found, notes = bodies(frames(("a/1.nef", 1), ("b/2.nef", 2), ("b/3.nef", 3)), "a/*=first", "b/*=second")
    assert found == {"a/1.nef": "Boatworks/B 2/first"} | dict.fromkeys(("b/2.nef", "b/3.nef"), "Boatworks/B 2/second")
    assert notes == ()


def test_a_serial_number_in_the_file_wins_and_a_name_without_effect_is_refused() -> None:
    mixed = frames(("a/1.nef", 1), serial="77") | frames(("a/2.nef", 2))
    assert bodies(mixed, "a/*=first")[0] == {"a/1.nef": "Boatworks/B 2/77", "a/2.nef": "Boatworks/B 2/first"}
    with pytest.raises(WrongOptions, match="has no effect"):
        bodies(frames(("a/1.nef", 1), serial="77"), "a/*=first")


@pytest.mark.parametrize("text", ["=x", "a/*=", "a", "a/*= ", "a/*=\x1b[1m", "c/*=third"])
def test_a_name_that_cannot_be_read_or_matches_nothing_is_refused(text: str) -> None:
    with pytest.raises(WrongOptions, match="--body"):
        bodies(frames(("a/1.nef", 1)), text)


def test_two_names_for_one_frame_are_refused() -> None:
    with pytest.raises(WrongOptions, match=r"a/1\.nef is 'first'"):
        bodies(frames(("a/1.nef", 1), ("a/2.nef", 2)), "a/*=first", "*1.nef=second")


def test_folders_whose_numbers_run_on_separately_are_two_bodies_and_it_is_said() -> None:
    found, notes = bodies(alternating("left", "right"))
    assert set(found.values()) == {"Boatworks/B 2/left", "Boatworks/B 2/right"}
    assert all(f"/{name.split('/')[0]}" in body for name, body in found.items())
    (note,) = notes
    assert "left (12 frames), right (12 frames)" in note and "--body" in note


def test_one_bodys_frames_sorted_into_folders_stay_one_body() -> None:
    """Every third frame in the folder of good ones: the numbers rise through both folders."""
    sorted_out = frames(*((f"{'best' if k % 3 else 'rest'}/IMG_{400 + k:04d}.nef", 60.0 * k) for k in range(30)))
    assert bodies(sorted_out) == (dict.fromkeys(sorted_out, "Boatworks/B 2"), ())


@pytest.mark.parametrize("start", [9985, 400])
def test_cards_one_after_the_other_stay_one_body_even_where_the_counter_starts_again(start: int) -> None:
    cards = frames(
        *(
            (f"card{k // 15}/IMG_{(start + k) % 10_000 if start > 9000 else k % 15:04d}.nef", 60.0 * k)
            for k in range(30)
        )
    )
    assert bodies(cards) == (dict.fromkeys(cards, "Boatworks/B 2"), ())


def test_numbers_given_in_the_order_of_time_or_at_random_prove_nothing() -> None:
    renamed = alternating("left", "right", numbers=(1, 1))
    by_time = sorted(renamed.values(), key=lambda m: m.capture.time_s or 0)
    in_order = {f"{'left' if k // 3 % 2 else 'right'}/{k:04d}.nef": m for k, m in enumerate(by_time)}
    assert set(bodies(in_order)[0].values()) == {"Boatworks/B 2"}
    shuffled = {f"{'left' if k // 3 % 2 else 'right'}/{k * 37 % 101}.nef": m for k, m in enumerate(by_time)}
    assert set(bodies(shuffled)[0].values()) == {"Boatworks/B 2"}


def test_names_given_by_hand_leave_the_folders_alone() -> None:
    found, notes = bodies(alternating("left", "right"), "*=one")
    assert set(found.values()) == {"Boatworks/B 2/one"} and notes == ()


def test_a_body_always_has_a_name() -> None:
    assert Capture().body == UNKNOWN_CAMERA
    assert Capture(serial="7").body == f"{UNKNOWN_CAMERA}/7"
    assert Capture(model="B 2").body == "B 2"
