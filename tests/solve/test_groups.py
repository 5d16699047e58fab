"""Light groups on shoots whose lights are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.solve.builders import DAY, GREEN, LAMP, SHADE, Light, burst, face, frame, reference_frame
from xmpsync.records import Develop
from xmpsync.solve import solve
from xmpsync.solve.groups import segments
from xmpsync.solve.problem import Frame, Reference, Request
from xmpsync.solve.settings import DEFAULT
from xmpsync.solve.solution import Solution


def _groups(solution: Solution) -> dict[str, int]:
    return {f.frame_id: f.group for f in solution.frames}


@pytest.mark.parametrize("automatic", [True, False], ids=["camera's auto white", "manual white"])
def test_known_lights_come_back_as_groups(automatic: bool) -> None:
    rng = np.random.default_rng(2)
    frames = [reference_frame()]
    for number, (name, light) in enumerate((("day", DAY), ("shade", SHADE), ("lamp", LAMP))):
        for f in burst(
            name, light, [("ann",), ("ann", "ben"), ("ben",), ("ann",)] * 3, 100.0 + 900.0 * number, rng=rng
        ):
            white = Develop(5200.0, 4.0, 0.0)
            if automatic:
                white = Develop(0.5 * (light.kelvin + 5200.0) * float(np.exp(rng.normal(0, 0.02))), light.tint, 0.0)
            frames.append(replace(f, as_shot=white, baseline=white))
    group = _groups(solve(Request(tuple(frames), (Reference(frame_id="ref"),))))
    for name in ("shade", "lamp"):
        assert len({group[f"{name}{k:02d}"] for k in range(12)}) == 1
    assert len({group[f"{name}05"] for name in ("day", "shade", "lamp")}) == 3


def test_a_flash_that_did_not_fire_leaves_its_group() -> None:
    frames = [reference_frame(), *burst("fl", DAY, [("ann",)] * 9, 500.0, flash=True)]
    dark = Light(2900.0, -3.0, -2.0)
    frames[5] = replace(frames[5], faces=(face("ann", dark),))
    solution = solve(Request(tuple(frames), (Reference(frame_id="ref"),)))
    by_id = {f.frame_id: f for f in solution.frames}
    misfired = by_id[frames[5].frame_id].correction
    assert misfired is not None
    assert 1e6 / misfired.temperature_k == pytest.approx(1e6 / dark.kelvin, abs=12.0)
    for f in frames[1:5] + frames[6:]:
        c = by_id[f.frame_id].correction
        assert c is not None
        assert 1e6 / c.temperature_k == pytest.approx(1e6 / DAY.kelvin, abs=4.0)


def test_light_that_drifts_is_followed_not_averaged() -> None:
    frames = [reference_frame()]
    truth = {}
    rng = np.random.default_rng(4)
    for k in range(60):
        mired = 185.0 + 60.0 * k / 59.0
        light = Light(1e6 / mired, 4.0, -1.0 * k / 59.0)
        shown = (face("ann", light, change=tuple(rng.normal(0, 0.01, 3))),) if k % 3 else ()
        name = f"dusk{k:02d}"
        truth[name] = (mired, 1.0 * k / 59.0, bool(shown))
        frames.append(frame(name, shown, time_s=1000.0 + 40.0 * k))
    solution = solve(Request(tuple(frames), (Reference(frame_id="ref"),)))
    for f in solution.frames[1:]:
        mired, ev, seen = truth[f.frame_id]
        assert f.correction is not None
        assert 1e6 / f.correction.temperature_k == pytest.approx(mired, abs=5.0 if seen else 8.0), f.frame_id
        assert f.correction.exposure_ev == pytest.approx(ev, abs=0.12 if seen else 0.25), f.frame_id


def test_two_bodies_at_the_same_time_are_two_groups() -> None:
    frames = [reference_frame(), *burst("a", DAY, [("ann",)] * 4, 10.0)]
    other = burst("b", DAY, [("ann",)] * 4, 11.0)
    frames += [replace(f, capture=replace(f.capture, serial="2")) for f in other]
    group = _groups(solve(Request(tuple(frames), (Reference(frame_id="ref"),))))
    assert {group[f"a{k:02d}"] for k in range(4)}.isdisjoint(group[f"b{k:02d}"] for k in range(4))


def _two_bodies() -> tuple[list[Frame], dict[str, Light]]:
    """Four lights, half an hour apart; the second body, with another constant, shows one or two frames of each."""
    rng = np.random.default_rng(3)
    frames, truth = [reference_frame(("ann", "ben"))], {}
    lights = {"day": DAY, "shade": SHADE, "lamp": LAMP, "green": GREEN}
    for number, (name, light) in enumerate(lights.items()):
        start = 100.0 + 1800.0 * number
        other = Light(1e6 / (1e6 / light.kelvin + 8.0), light.tint - 6.0, light.gain_ev + 0.2)
        who = [("ann", "ben"), ("ben",), ("ann",), ("ann", "ben")]
        mine = burst(f"{name}_a", light, who, start, rng=rng, named=False)
        theirs = burst(
            f"{name}_b", other, [("ben",), ("ann", "cleo")][: 1 + number % 2], start + 1.0, rng=rng, named=False
        )
        frames += mine + [replace(f, capture=replace(f.capture, serial="2")) for f in theirs]
        truth |= {f.frame_id: light for f in mine} | {f.frame_id: other for f in theirs}
    return frames, truth


def test_few_frames_of_a_second_body_are_cut_with_the_first_bodys_lights() -> None:
    frames, _ = _two_bodies()
    group = _groups(solve(Request(tuple(frames), (Reference(frame_id="ref"),))))
    of_second = [
        {g for f, g in group.items() if f.startswith(f"{light}_b")} for light in ("day", "shade", "lamp", "green")
    ]
    assert [len(g) for g in of_second] == [1, 1, 1, 1]
    assert len(set().union(*of_second)) == 4


def test_a_second_bodys_few_frames_lean_on_the_first_bodys_lights() -> None:
    frames, truth = _two_bodies()
    for f in solve(Request(tuple(frames), (Reference(frame_id="ref"),))).frames[1:]:
        light = truth[f.frame_id]
        assert f.correction is not None
        # a frame's own skin counts more than the other body's light: two standard deviations of one face
        assert 1e6 / f.correction.temperature_k == pytest.approx(1e6 / light.kelvin, abs=10.0), f.frame_id
        assert f.correction.tint == pytest.approx(light.tint, abs=max(5.0, 2.0 * f.sd_tint)), f.frame_id
        assert f.correction.exposure_ev == pytest.approx(-light.gain_ev, abs=0.2), f.frame_id


def test_bodies_whose_clocks_differ_are_cut_each_for_itself() -> None:
    """The second body's clock is half a light late: common change points would cut every light in two."""
    rng = np.random.default_rng(3)
    frames = [reference_frame()]
    for late, serial in ((0.0, "1"), (60.0, "2")):
        for number, (name, light) in enumerate((("day", DAY), ("lamp", LAMP), ("sun", DAY), ("bulb", LAMP))):
            shot = burst(f"{name}{serial}", light, [("ann",)] * 12, 100.0 + 120.0 * number + late, rng=rng)
            frames += [
                replace(f, capture=replace(f.capture, serial=serial, time_s=100.0 + 120.0 * number + late + 10.0 * k))
                for k, f in enumerate(shot)
            ]
    group = _groups(solve(Request(tuple(frames), (Reference(frame_id="ref"),))))
    for name in ("lamp", "sun", "bulb"):
        for serial in "12":
            assert len({group[f"{name}{serial}{k:02d}"] for k in range(12)}) == 1, name + serial


def test_change_points_are_found_and_noise_makes_none() -> None:
    rng = np.random.default_rng(0)
    cues = rng.normal(size=(200, 6))
    cues[80:140, :2] += 12.0
    found = segments(cues, np.arange(200) * 5.0, DEFAULT.groups)
    assert [int(i) for i in np.flatnonzero(np.diff(found))] == [79, 139]
    assert len(set(segments(rng.normal(size=(200, 6)), np.arange(200) * 5.0, DEFAULT.groups))) == 1


def test_missing_cues_make_no_change_point() -> None:
    cues = np.random.default_rng(1).normal(size=(60, 4))
    cues[20:40, 2:] = np.nan
    assert len(set(segments(cues, np.arange(60) * 5.0, DEFAULT.groups))) == 1


def test_lights_that_change_from_moment_to_moment_over_pauses_are_no_jitter() -> None:
    """One or two moments a light: most steps are changes of light, which must not pass for what one light scatters."""
    rng = np.random.default_rng(6)
    frames = [reference_frame()]
    for number in range(8):
        light = (DAY, LAMP)[number % 2]
        frames += burst(f"v{number}", light, [("ann",), ("ben",)][: 1 + number % 2], 500.0 + 400.0 * number, rng=rng)
    group = _groups(solve(Request(tuple(frames), (Reference(frame_id="ref"),))))
    for number in range(7):
        assert group[f"v{number}00"] != group[f"v{number + 1}00"], number
