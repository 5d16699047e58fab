"""Clocks of two bodies, on simulated shoots whose true shift is known.

Lights, scatter and behaviour of the bodies are invented for the purpose (levels and temperatures of places are common
practice); the check is the shift put in, which lies outside of the module under test.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import pytest

from tests.solve.builders import PROFILE, Light, face
from xmpsync.clocks.align import align
from xmpsync.colour.camera import neutral_from_white
from xmpsync.colour.camera_profile import Calibration, CameraProfile, ProfileSource
from xmpsync.measurement import Scene
from xmpsync.records import Capture, Develop
from xmpsync.solve.problem import Frame

OTHER_PROFILE = CameraProfile(
    calibrations=(
        Calibration(2856.0, ((1.05, -0.36, -0.05), (-0.36, 1.15, 0.24), (-0.05, 0.19, 0.55))),
        Calibration(6504.0, ((0.94, -0.33, -0.1), (-0.4, 1.24, 0.18), (-0.06, 0.2, 0.6))),
    ),
    source=ProfileSource.DNG_TAGS,
    name="other body",
)

# (scene luminance in EV, kelvin, tint): sun, shade, window, church, lamps, LED hall, stage, dusk
PLACES = [
    (14.0, 5300.0, 5.0), (11.0, 7500.0, 8.0), (8.0, 6200.0, 6.0), (5.5, 3700.0, 2.0),
    (5.0, 2900.0, -2.0), (6.0, 4100.0, 20.0), (3.5, 3300.0, -8.0), (9.0, 8500.0, 10.0),
]  # fmt: skip
ONE, TWO = "Maker/One/1", "Maker/Two/2"
START_S = 1_700_000_000.0


@dataclass(frozen=True)
class Shoot:
    """How a simulated shoot goes. `together`: share of lights that both bodies see; else the other is elsewhere."""

    n_lights: int = 10
    minutes: tuple[float, float] = (6.0, 40.0)
    pause_minutes: float = 12.0
    every_s: float = 14.0
    together: float = 1.0
    alternating: bool = False
    content_ev: float = 1.0
    lacking: float = 0.05
    flash: float = 0.15
    dusk_ev: float = 3.0
    named: float = 0.0
    offset_ev: float = 0.4


@lru_cache(maxsize=24)
def simulated(seed: int, how: Shoot = Shoot()) -> tuple[Frame, ...]:
    """Frames of both bodies with clocks that agree, in random order."""
    rng = np.random.default_rng(seed)
    offset_ev = rng.uniform(-how.offset_ev, how.offset_ev)
    frames: list[Frame] = []
    now, last = START_S, -1
    for k in range(how.n_lights):
        here = int(rng.choice([i for i in range(len(PLACES)) if i != last]))
        elsewhere = here if rng.random() < how.together else int(rng.integers(len(PLACES)))
        last = here
        lasts = 60.0 * rng.uniform(*how.minutes)
        fading = how.dusk_ev if k in (how.n_lights // 2, how.n_lights - 1) else 0.0
        for body, place in ((ONE, here), (TWO, elsewhere)):
            frames += _in_light(rng, body, PLACES[place], now, lasts, fading, how, offset_ev)
        now += lasts + 60.0 * rng.exponential(how.pause_minutes) * (rng.random() < 0.7)
    order = rng.permutation(len(frames))
    return tuple(replace(frames[i], frame_id=f"F{i:05d}") for i in order)


def _in_light(
    rng: np.random.Generator, body: str, place: tuple[float, float, float], start_s: float, lasts_s: float,
    fading_ev: float, how: Shoot, offset_ev: float,
) -> list[Frame]:  # fmt: skip
    level, kelvin, tint = place
    second = body == TWO
    profile = OTHER_PROFILE if second else PROFILE
    # bursts: one to five frames with nearly the same content; content changes slowly from burst to burst as well
    starts = start_s + np.sort(rng.uniform(0.0, lasts_s, max(2, int(lasts_s / how.every_s / 2.5 / (1 + second)))))
    if how.alternating:
        starts = starts[(starts // 75.0 % 2 == 1) == second]
    content, colour = rng.normal(0.0, how.content_ev), rng.normal(0.0, 0.15, 3)
    out = []
    for begin in starts:
        content = 0.6 * content + 0.8 * rng.normal(0.0, how.content_ev)
        colour = 0.6 * colour + 0.8 * rng.normal(0.0, 0.15, 3)
        flash = rng.random() < how.flash
        for n in range(int(rng.integers(1, 6))):
            time = begin + 0.7 * n
            part = (time - start_s) / lasts_s
            light = level - fading_ev * part, kelvin * (1.0 - 0.03 * fading_ev * part), tint
            seen = light[0] + content + rng.normal(0.0, 0.2)
            settings_ev = np.log2(0.12) - seen + 0.5 * content + rng.normal(0.0, 0.4)
            green = np.exp2(seen + settings_ev + offset_ev * second)
            neutral = neutral_from_white(profile, 5500.0 if flash else light[1], light[2])
            mean = np.log(0.7 * green * neutral / neutral[1]) + colour + rng.normal(0.0, 0.03, 3)
            auto = Develop(5600.0, 10.0, 0.0) if second else Develop(4800.0 + 0.6 * (light[1] - 4800.0), tint, 0.0)
            make, model, serial = body.split("/")
            lacking = rng.random() < how.lacking
            capture = Capture(
                make=make, model=model, serial=serial, time_s=float(time), f_number=None if lacking else 2.8, iso=800.0,
                exposure_s=float(np.exp2(settings_ev) * 2.8**2 / 800.0), flash_fired=flash,
            )  # fmt: skip
            scene = Scene((0.0, 0.0, 0.5 * green, green, 2 * green, 4 * green, 1.0, 1.0), tuple(mean.tolist()))
            faces = ()
            if rng.random() < how.named:
                lit = Light(light[1], tint, float(light[0] + settings_ev) + 3.0)
                change = tuple(rng.normal(0.0, 0.05, 3) + rng.normal(0.0, 0.2))
                faces = (face("ann", lit, change=change),)  # type: ignore[arg-type]
            out.append(Frame("", profile, capture, auto, auto, scene=scene, faces=faces))
    return out


def moved(frames: Sequence[Frame], by_s: float, body: str = TWO) -> list[Frame]:
    """The same with one body's clock ahead by `by_s`."""
    return [
        replace(f, capture=replace(f.capture, time_s=f.capture.time_s + by_s)) if f.capture.body == body else f
        for f in frames
    ]


def found(frames: Sequence[Frame]) -> float:
    """By how much the second body's clock was found to be ahead, 0 where nothing was moved."""
    shifts = align(frames).shifts_s
    return shifts.get(ONE, 0.0) - shifts.get(TWO, 0.0)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("how", [Shoot(), Shoot(alternating=True), Shoot(together=0.5), Shoot(n_lights=4)])
def test_clocks_that_agree_are_never_moved(seed: int, how: Shoot) -> None:
    assert found(simulated(seed, how)) == 0.0


@pytest.mark.parametrize("by_s", [37.0, 95.0, -360.0, 3600.0, -3580.0])
def test_a_wrong_clock_is_put_right_or_left_alone_but_never_made_worse(by_s: float) -> None:
    for seed in range(3):
        shift_s = found(moved(simulated(seed, Shoot(pause_minutes=1.0)), by_s))
        # 45 s: the least well known shift that is applied has a standard deviation of 27 s
        assert shift_s == 0.0 or abs(shift_s - by_s) <= min(45.0, abs(by_s))


def test_a_clock_on_summer_time_is_found() -> None:
    shifts = [found(moved(simulated(seed, Shoot(pause_minutes=1.0)), 3600.0)) for seed in range(4)]
    assert sum(abs(shift_s - 3600.0) <= 30.0 for shift_s in shifts) >= 3


def test_skin_of_one_named_person_is_enough_where_nothing_is_known_of_the_scene() -> None:
    how = Shoot(pause_minutes=1.0, named=0.6)
    shoots = [moved(simulated(seed, how), 3600.0) for seed in range(3)]
    shifts = [found([replace(f, scene=Scene()) for f in frames]) for frames in shoots]
    assert sum(abs(shift_s - 3600.0) <= 45.0 for shift_s in shifts) >= 2
    assert not found([replace(f, scene=Scene(), faces=()) for f in shoots[0]])


def test_the_order_of_frames_does_not_matter() -> None:
    frames = moved(simulated(2, Shoot(pause_minutes=1.0)), 3600.0)
    answer = align(frames)
    assert answer.shifts_s
    assert align(sorted(frames, key=lambda f: f.capture.time_s)) == answer
    assert align(frames[::-1]) == answer


def test_the_body_with_most_frames_keeps_its_clock_whichever_is_wrong() -> None:
    frames = moved(simulated(2, Shoot(pause_minutes=1.0)), 3600.0, body=ONE)
    shifts = align(frames).shifts_s
    assert set(shifts) == {TWO}
    assert shifts[TWO] == pytest.approx(3600.0, abs=30.0)  # to be added to the body that was right


@pytest.mark.parametrize("named", [TWO, "Two"])
def test_a_body_whose_clock_is_given_is_not_moved(named: str) -> None:
    frames = moved(simulated(2, Shoot(pause_minutes=1.0)), 3600.0)
    answer = align(frames, fixed={named})
    assert not answer.shifts_s
    assert any("given" in note for note in answer.notes)


def test_one_single_light_moves_nothing_and_says_so() -> None:
    answer = align(moved(simulated(5, Shoot(n_lights=1, minutes=(60.0, 60.0), dusk_ev=0.0)), 95.0))
    assert not answer.shifts_s
    assert any(TWO in note and "left as it is" in note for note in answer.notes)


def test_bodies_that_never_met_are_left_alone() -> None:
    for seed in range(3):
        assert not align(simulated(seed, Shoot(together=0.0))).shifts_s


def test_white_balance_and_exposure_of_a_body_do_not_matter() -> None:
    frames = moved(simulated(2, Shoot(pause_minutes=1.0)), 3600.0)
    rng = np.random.default_rng(1)
    other = []
    for f in frames:
        ev = float(rng.normal())
        scene = replace(f.scene, green_percentiles=tuple(v * 2.0**ev for v in f.scene.green_percentiles))
        capture = replace(f.capture, exposure_s=f.capture.exposure_s * 2.0**ev)
        other.append(replace(f, as_shot=Develop(float(rng.uniform(3e3, 9e3)), 0.0, 0.0), capture=capture, scene=scene))
    assert found(other) == pytest.approx(found(frames), abs=1.0)  # shifts are whole seconds; rounding may differ


def test_frames_of_one_body_need_no_note() -> None:
    frames = [f for f in simulated(1) if f.capture.body == ONE]
    assert align(frames).shifts_s == {} and align(frames).notes == ()
    assert align([]).notes == ()


def test_frames_without_times_scene_or_settings_move_nothing() -> None:
    frames = moved(simulated(1, Shoot(n_lights=3)), 3600.0)
    no_time = [replace(f, capture=replace(f.capture, time_s=None)) for f in frames]
    half = [g if f.capture.body == TWO else f for f, g in zip(frames, no_time, strict=True)]
    no_scene = [replace(f, scene=Scene()) for f in frames]
    only_flash = [replace(f, capture=replace(f.capture, flash_fired=True)) for f in frames]
    for lacking in (no_time, half, no_scene, only_flash):
        answer = align(lacking)
        assert not answer.shifts_s
        assert len(answer.notes) == 2
    no_settings = [replace(f, capture=replace(f.capture, iso=None)) for f in frames]
    no_colour = [replace(f, scene=replace(f.scene, log_mean_camera=(0.0, 0.0, 0.0))) for f in frames]
    for lacking in (no_settings, no_colour):
        assert abs(found(lacking) - 3600.0) <= 45.0 or found(lacking) == 0.0


def test_a_clock_that_was_never_set_is_left_alone() -> None:
    frames = moved(simulated(1, Shoot(n_lights=4)), -1.5e9)
    assert not align(frames).shifts_s


def test_a_third_body_is_laid_on_the_first() -> None:
    frames = simulated(2, Shoot(pause_minutes=1.0))
    rng = np.random.default_rng(4)
    third = [
        replace(f, capture=replace(f.capture, serial="3", time_s=f.capture.time_s - 3600.0), frame_id="T" + f.frame_id)
        for f in frames
        if f.capture.body == ONE and rng.random() < 0.5
    ]
    answer = align([*frames, *third])
    assert set(answer.shifts_s) == {"Maker/One/3"}
    assert answer.shifts_s["Maker/One/3"] == pytest.approx(3600.0, abs=15.0)
    assert len(answer.notes) == 3


KINDS = {
    "long pauses": Shoot(),
    "hardly a pause": Shoot(pause_minutes=1.0),
    "a person named": Shoot(pause_minutes=1.0, named=0.6),
    "apart in 40 %": Shoot(together=0.6),
    "one at a time": Shoot(alternating=True),
    "five lights": Shoot(n_lights=5),
    "never together": Shoot(together=0.0),
}


@pytest.mark.long
@pytest.mark.parametrize("kind", KINDS)
def test_rates_over_many_shoots(kind: str) -> None:
    """Prints how often clocks are put right (the table in the docs, `-s`); none that agrees may be moved."""
    shoots = [simulated(1000 + seed, KINDS[kind]) for seed in range(20)]
    for by_s in (0.0, 37.0, 95.0, -360.0, 3600.0, -3580.0):
        shifts = np.array([found(moved(frames, by_s)) for frames in shoots])
        error = np.abs(shifts - by_s)[shifts != 0.0]
        errors = f"error {np.median(error):3.0f} s, at most {error.max():3.0f} s" if len(error) else ""
        print(f"| {kind} | {by_s:.0f} s | {len(error)} of {len(shoots)} | {(error <= 15.0).sum()} | {errors} |")
        if by_s == 0.0:
            assert not shifts.any()
