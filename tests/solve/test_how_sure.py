"""Mixed light against unevenness and noise; deviations where it is open who a face is; variances between cells."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.solve.builders import DAY, LAMP, SHADE, burst, face, frame, reference_frame
from xmpsync.skin.records import SideDifference
from xmpsync.solve import solve
from xmpsync.solve.problem import Face, Frame, Reference, Request
from xmpsync.solve.settings import VarianceSettings
from xmpsync.solve.solution import Code, Solution
from xmpsync.solve.two_way import interaction

SECOND_LAMP = (0.14, 0.0, -0.30)
"""ln camera ratio of two sides, the one of which stands in a lamp: some 10 CIEDE2000."""


def _sided(one: Face, ratio: tuple[float, float, float], sd: float) -> Face:
    assert one.skin is not None
    cell = ((sd**2, 0.0, 0.0), (0.0, sd**2, 0.0), (0.0, 0.0, sd**2))
    sides = SideDifference(ratio, 0.0, 9.0, log_covariance=cell)
    return replace(one, skin=replace(one.skin, sides=sides))


def _solved(frames: list[Frame]) -> Solution:
    return solve(Request(tuple(frames), (Reference(frame_id="ref"),)))


def _mixed(solution: Solution) -> set[str]:
    return {f.frame_id for f in solution.frames if any(x.code is Code.MIXED_LIGHT for x in f.findings)}


def _shoot(usual: tuple[float, float, float], last: tuple[float, float, float], sd: float) -> list[Frame]:
    frames = [reference_frame()]
    for number in range(8):
        ratio = usual if number < 7 else last
        frames.append(frame(f"day{number}", (_sided(face("ann", DAY), ratio, sd),), time_s=10.0 + 20.0 * number))
    return frames


def test_a_lamp_on_one_side_is_found() -> None:
    assert _mixed(_solved(_shoot((0.0, 0.0, 0.0), SECOND_LAMP, 0.02))) == {"day7"}


def test_sides_that_differ_alike_in_every_picture_of_a_person_are_that_person() -> None:
    assert not _mixed(_solved(_shoot(SECOND_LAMP, SECOND_LAMP, 0.02)))


def test_a_difference_between_sides_that_noise_explains_is_no_finding() -> None:
    assert not _mixed(_solved(_shoot((0.0, 0.0, 0.0), SECOND_LAMP, 0.15)))


@pytest.mark.parametrize(("darker_ev", "is_mixed"), [(0.35, False), (0.9, True)])
def test_two_faces_whose_levels_no_exposure_brings_within_tolerance_are_mixed(darker_ev: float, is_mixed: bool) -> None:
    """The best single exposure leaves half of the difference to each; the tolerance is 0.25 EV."""
    frames = [reference_frame(("ann", "ben")), *burst("day", DAY, [("ann", "ben")] * 6, 10.0)]
    shaded = (face("ann", DAY), face("ben", DAY, gain_ev=-darker_ev, number=1))
    assert ("shaded" in _mixed(_solved([*frames, frame("shaded", shaded, time_s=17.0)]))) is is_mixed


def test_a_reference_that_is_noisier_makes_every_deviation_wider() -> None:
    def deviation(sd: float) -> float:
        frames = [frame("ref", (face("ann", DAY, sd=sd),), time_s=0.0)]
        frames += burst("later", SHADE, [("ann",)] * 4, 5000.0)
        return _solved(frames).frames[2].sd_mired

    assert deviation(0.08) > 1.5 * deviation(0.004)


def test_person_x_light_is_found_under_unequal_noise() -> None:
    """Drawn with known sds of 0.3 and 1.2 by axis; a third of the cells is known so badly that it says nothing."""
    rng = np.random.default_rng(5)
    lights, people = 60, 4
    noise = np.where(rng.random((lights, people, 1)) < 0.33, 3.0, 0.02) * np.ones(2)
    true = np.array([0.3, 1.2])
    drawn = rng.normal(size=noise.shape) * np.sqrt(true**2 + noise)
    weight = 1.0 / (true**2 + noise)
    drawn -= (weight * drawn).sum(axis=1, keepdims=True) / weight.sum(axis=1, keepdims=True)  # each light's white
    person = np.tile(np.arange(people), (lights, 1))
    free = np.zeros(people, dtype=bool)
    found = interaction(drawn, noise, person, free, np.ones((lights, people)), VarianceSettings())
    # some 100 well-known residuals: 7 %; a starting value with the weight of eight of them: 7 %; and each cell is
    # given the same part of the degrees of freedom, the badly known ones too: 15 %
    np.testing.assert_allclose(found, true, rtol=0.3)


def test_an_error_of_the_reference_reaches_people_who_are_known_from_it_alone() -> None:
    """Ben and Cleo were never with the reference: what they should look like rests on Ann beside them."""

    def deviations(sd: float) -> tuple[float, float]:
        frames = [frame("ref", (face("ann", DAY, sd=sd),), time_s=0.0)]
        frames += burst("all", SHADE, [("ann", "ben", "cleo")] * 6, 5000.0)
        frames += burst("two", LAMP, [("ben", "cleo")] * 6, 10000.0)
        last = _solved(frames).frames[-1]
        return last.sd_mired, last.sd_ev

    (noisy_mired, noisy_ev), (mired, ev) = deviations(0.08), deviations(0.004)
    assert noisy_mired > 1.5 * mired
    assert noisy_ev > 1.5 * ev
    assert (
        noisy_ev > 0.06
    )  # 0.08 in ln is 0.115 EV; the levels of three faces share it, and no number of faces cures it
