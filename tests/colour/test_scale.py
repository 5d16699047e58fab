"""The editor's scale learned from pairs: an editor with two measured matrices, our side told one."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.colour import profiles
from xmpsync.colour import scale_fit
from xmpsync.colour.camera import neutral_from_white, render, white_from_neutral
from xmpsync.colour.camera_profile import CameraProfile, ProfileSource
from xmpsync.colour.cielab import skin_difference
from xmpsync.colour.dng import profile_from_matrix
from xmpsync.colour.expected import expected_profile, mat3
from xmpsync.colour.match import settings_for_target
from xmpsync.colour.scale import Extent, Scale, ScalePair, fit_scale, refit
from xmpsync.colour.scale_fit import ScaleSettings

EDITOR = replace(
    profiles.measured(),
    calibrations=tuple(
        replace(c, camera_calibration=((1.0, 0, 0), (0, 1.0, 0), (0, 0, 1.0))) for c in profiles.measured().calibrations
    ),
    analog_balance=(1.0, 1.0, 1.0),
)
TABLE = profile_from_matrix(EDITOR.calibrations[1].camera_from_xyz, "measured body")
LIGHTS = ("A", "FL2", "FL11", "FL3.12", "LED-B1", "LED-B3", "D50", "D55", "D65", "D75")


def _pairs(lights: tuple[str, ...], count: int, seed: int = 0, step_k: float = 1.0) -> list[ScalePair]:
    rng = np.random.default_rng(seed)
    found = []
    for i in range(count):
        neutral = profiles.light(lights[i % len(lights)]) @ profiles.sensitivity() * np.exp(rng.normal(0, 0.03, 3))
        neutral = neutral / neutral.max()
        kelvin, tint = white_from_neutral(EDITOR, neutral)
        found.append(
            ScalePair(tuple(map(float, neutral)), step_k * round(float(kelvin) / step_k), float(round(float(tint))))
        )
    return found


def _skin_errors(ours: CameraProfile, lights: tuple[str, ...] = LIGHTS) -> np.ndarray:
    """Measured ColorChecker skin, written with our profile, shown by the editor, against its daylight reference."""

    def seen(name: str) -> np.ndarray:
        e, s = profiles.light(name), profiles.sensitivity()
        return profiles.chart()[:2] * e @ s / (e @ s).max()

    neutral = profiles.light("D55") @ profiles.sensitivity()
    believed = render(ours, seen("D55"), *white_from_neutral(ours, neutral), 0.0)
    shown = render(EDITOR, seen("D55"), *white_from_neutral(EDITOR, neutral), 0.0)
    errors = []
    for light in lights:
        kelvin, tint, ev = settings_for_target(ours, seen(light), believed)
        errors.append(skin_difference(render(EDITOR, seen(light), np.rint(kelvin), np.rint(tint), ev), shown)[0])
    return np.array(errors)


@lru_cache(maxsize=1)
def _learned() -> Scale:
    return fit_scale(_pairs(("A", "FL2", "D55"), 30), TABLE, camera="measured body")


def test_thirty_pairs_over_three_lights_bring_skin_within_the_wanted_error() -> None:
    scale = _learned()
    assert scale.extent is Extent.MATRICES
    assert scale.profile.source is ProfileSource.LEARNED
    errors, literal = _skin_errors(scale.profile), _skin_errors(TABLE)
    assert np.median(errors) <= 0.8
    assert np.quantile(errors, 0.95) <= 2.8
    assert np.quantile(errors, 0.95) < 0.5 * np.quantile(literal, 0.95)


def test_learned_numbers_agree_with_the_editor_where_no_pair_was() -> None:
    scale = _learned()
    for light in ("LED-B3", "FL11", "D75"):
        neutral = profiles.light(light) @ profiles.sensitivity()
        kelvin, tint = white_from_neutral(scale.profile, neutral)
        editor_k, editor_tint = white_from_neutral(EDITOR, neutral)
        assert 1e6 / kelvin == pytest.approx(1e6 / editor_k, abs=2)
        assert tint == pytest.approx(editor_tint, abs=2)


def test_both_ways_agree_with_each_other() -> None:
    scale = _learned()
    kelvin, tint = np.meshgrid([2400.0, 3500.0, 5000.0, 8000.0], [-30.0, 0.0, 30.0])
    back_k, back_tint = white_from_neutral(scale.profile, neutral_from_white(scale.profile, kelvin, tint))
    np.testing.assert_allclose(1e6 / back_k, 1e6 / kelvin, atol=0.01)
    np.testing.assert_allclose(back_tint, tint, atol=0.01)


@pytest.mark.parametrize("light", ["A", "D55", "D75", "FL2", "LED-B1"])
def test_ten_pairs_of_one_light_do_no_harm_and_call_themselves_an_offset(light: str) -> None:
    scale = fit_scale(_pairs((light,), 10), TABLE)
    assert scale.extent is Extent.OFFSET
    assert "averages elsewhere" in scale.reason
    assert np.median(_skin_errors(scale.profile)) <= np.median(_skin_errors(TABLE)) + 0.1
    assert np.median(_skin_errors(scale.profile, (light,))) <= np.median(_skin_errors(TABLE, (light,))) + 0.1


def test_one_pair_already_helps_under_its_own_light() -> None:
    scale = fit_scale(_pairs(("A",), 1), TABLE)
    assert scale.extent is Extent.OFFSET
    pair = _pairs(("A",), 1)[0]
    kelvin, tint = white_from_neutral(scale.profile, np.array(pair.neutral))
    assert 1e6 / kelvin == pytest.approx(1e6 / pair.temperature_k, abs=2)
    assert tint == pytest.approx(pair.tint, abs=2)


def test_without_pairs_the_average_of_cameras_completes_the_table_and_says_so() -> None:
    scale = fit_scale([], TABLE)
    assert scale.extent is Extent.NONE
    assert "no pairs" in scale.reason
    assert "on average" in scale.reason
    assert scale.profile == expected_profile(TABLE)
    assert np.median(_skin_errors(scale.profile)) < np.median(_skin_errors(TABLE))


def test_a_camera_that_brings_its_own_profile_keeps_it() -> None:
    scale = fit_scale(_pairs(LIGHTS, 30), EDITOR)
    assert scale.extent is Extent.NONE
    assert scale.profile == EDITOR
    assert "already" in scale.reason


def test_an_own_profile_that_the_editor_does_not_use_gives_way_to_the_pairs() -> None:
    other = replace(EDITOR, calibrations=tuple(
        replace(c, camera_from_xyz=tuple(
            tuple(v * (1.1 if i == 0 else 1.0) for v in row) for i, row in enumerate(c.camera_from_xyz)))
        for c in EDITOR.calibrations))  # fmt: skip
    scale = fit_scale(_pairs(LIGHTS, 30), other)
    assert scale.extent is Extent.MATRICES
    assert scale.residual_mired < 1


def test_a_stale_pair_or_two_do_not_outweigh_what_a_camera_is() -> None:
    # Numbers of another frame: daylight numbers beside a tungsten neutral.
    stale = [replace(p, temperature_k=k, tint=10.0) for p, k in zip(_pairs(("A",), 2), (5500.0, 5200.0), strict=True)]
    for base in (TABLE, EDITOR):
        for count in (1, 2):
            scale = fit_scale(stale[:count], base)
            assert scale.extent is Extent.NONE
            assert "not used" in scale.reason
            assert scale.profile == expected_profile(base)


def test_few_pairs_do_not_shake_a_profile_that_the_camera_brings() -> None:
    few = [replace(p, tint=p.tint + 4.0) for p in _pairs(("A", "D55"), 4)]
    scale = fit_scale(few, EDITOR)
    assert scale.extent is Extent.NONE
    assert scale.profile == EDITOR
    assert "too few" in scale.reason


def test_pairs_that_follow_no_matrices_are_refused_with_the_reason() -> None:
    rng = np.random.default_rng(4)
    wild = [replace(p, temperature_k=float(rng.integers(2500, 9000)), tint=float(rng.integers(-60, 60)))
            for p in _pairs(LIGHTS, 40)]  # fmt: skip
    scale = fit_scale(wild, TABLE)
    assert scale.extent is Extent.NONE
    assert "not used" in scale.reason
    assert scale.profile == expected_profile(TABLE)


@given(st.integers(0, 10_000))
@settings(max_examples=10)
def test_a_fifth_of_wild_pairs_moves_the_scale_by_little(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pairs = _pairs(LIGHTS, 40)
    wild = [replace(p, temperature_k=float(rng.integers(2200, 9000)), tint=float(rng.integers(-80, 80)))
            for p in pairs[:8]]  # fmt: skip
    clean, mixed = fit_scale(pairs[8:], TABLE), fit_scale(wild + pairs[8:], TABLE)
    assert mixed.extent is Extent.MATRICES
    kelvin = np.array([2850.0, 4000.0, 5500.0, 7500.0])
    n = neutral_from_white(clean.profile, kelvin, 5.0)
    mixed_k, mixed_tint = white_from_neutral(mixed.profile, n)
    np.testing.assert_allclose(1e6 / mixed_k, 1e6 / kelvin, atol=2)
    np.testing.assert_allclose(mixed_tint, 5, atol=2)


def test_the_order_of_pairs_and_their_repetition_change_nothing() -> None:
    pairs = _pairs(("A", "FL2", "D55"), 20)
    one, other = fit_scale(pairs, TABLE), fit_scale(pairs[::-1] + pairs, TABLE)
    assert one.profile == other.profile
    assert other.n_pairs == 2 * one.n_pairs
    assert other.n_used == one.n_used


def test_certainty_grows_where_pairs_are() -> None:
    def doubt(scale: Scale, kelvin: float) -> float:
        return next(d.sd_mired for d in scale.doubts if d.temperature_k == kelvin)

    day = fit_scale(_pairs(("D55",), 10), TABLE)
    both = fit_scale(_pairs(("D55", "A"), 20), TABLE)
    assert doubt(day, 5000.0) < doubt(day, 2850.0)
    assert doubt(both, 2850.0) < 0.5 * doubt(day, 2850.0)


def test_the_stated_doubt_covers_the_error() -> None:
    hits = []
    for seed in range(6):
        scale = fit_scale(_pairs(("D55", "A"), 6, seed), TABLE)
        for d in scale.doubts:
            n = neutral_from_white(EDITOR, d.temperature_k, 0.0)
            kelvin, tint = white_from_neutral(scale.profile, n)
            hits.append(abs(1e6 / kelvin - 1e6 / d.temperature_k) <= 3 * d.sd_mired and abs(tint) <= 3 * d.sd_tint)
    assert np.mean(hits) > 0.9


def test_an_editor_that_rounds_to_50_kelvin_is_learned_as_well() -> None:
    scale = fit_scale(_pairs(("A", "FL2", "D55"), 30, step_k=50.0), TABLE)
    assert scale.extent is not Extent.NONE
    assert np.median(_skin_errors(scale.profile)) <= 0.8


def test_strays_among_rounded_numbers_do_not_undo_the_rounding() -> None:
    """32 of 35 numbers of real sidecars were multiples of 50 K."""
    numbers = np.array([50.0 * n for n in range(60, 92)] + [4321.0, 5017.0, 3999.0])
    sd = scale_fit._rounding_sd(numbers)
    assert np.allclose(sd[:32], 50 / np.sqrt(12)) and np.allclose(sd[32:], 1 / np.sqrt(12))
    # the standard deviation of an even distribution over one step


def test_zeros_repeats_and_chance_are_no_rounding() -> None:
    whole = 1 / np.sqrt(12)
    assert np.allclose(scale_fit._rounding_sd(np.zeros(30)), whole)
    assert np.allclose(scale_fit._rounding_sd(np.full(30, 5500.0)), whole)
    assert np.allclose(scale_fit._rounding_sd(np.arange(4003.0, 6000.0, 71.0)), whole)


def test_an_editor_that_rounds_but_not_always_is_learned_as_well() -> None:
    rounded = _pairs(("A", "FL2", "D55"), 30, step_k=50.0)
    exact = _pairs(("A", "FL2", "D55"), 30)
    mixed = [exact[i] if i % 11 == 10 else pair for i, pair in enumerate(rounded)]
    found, best = (np.median(_skin_errors(fit_scale(p, TABLE).profile)) for p in (mixed, exact))
    assert found <= max(1.25 * best, best + 0.1)


@pytest.mark.parametrize(
    "bad",
    [
        ScalePair((0.0, 1.0, 0.5), 5000.0, 0.0),
        ScalePair((0.5, 1.0, 0.5), 0.0, 0.0),
        ScalePair((0.5, 1.0, 0.5), float("nan"), 0.0),
        ScalePair((0.5, 1.0, float("inf")), 5000.0, 0.0),
        ScalePair((0.5, 1.0, 0.5), 1e-300, 0.0),
        ScalePair((0.5, 1.0, 0.5), 1e11, 0.0),
        ScalePair((0.5, 1.0, 0.5), 5000.0, 1e11),
        ScalePair((1e-5, 1.0, 0.5), 5000.0, 0.0),
    ],
)
def test_pairs_that_cannot_be_are_left_out(bad: ScalePair) -> None:
    good = _pairs(("A", "FL2", "D55"), 12)
    assert fit_scale([bad, *good], TABLE).profile == fit_scale(good, TABLE).profile
    assert fit_scale([bad], TABLE).extent is Extent.NONE


def test_made_up_pairs_raise_nothing() -> None:
    """Pairs of a foreign store: possible one by one, and of no camera together."""
    rng = np.random.default_rng(5)
    for _ in range(6):
        neutrals = 10 ** rng.uniform(-2, 0, (5, 3))
        pairs = [
            ScalePair((a, 1.0, b), float(rng.choice([2000, 50000])), float(rng.choice([-150, 150])))
            for a, _, b in neutrals
        ]
        assert fit_scale(pairs, TABLE).n_pairs == 5


def test_a_scale_is_plain_data_that_json_can_carry() -> None:
    text = json.dumps(asdict(_learned()))
    assert json.loads(text)["extent"] == "matrices"
    assert hash(_learned().profile)


def _off(seed: int, apart: float) -> CameraProfile:
    """The table's matrix as another chart and another body would have given it: T off, in each of nine numbers."""
    matrix = np.array(TABLE.calibrations[0].camera_from_xyz)
    off = matrix @ (np.eye(3) + apart * np.random.default_rng(seed).standard_normal((3, 3)))
    return profile_from_matrix(mat3(off), "measured body")


@pytest.mark.parametrize("step_k", [1.0, 50.0])
def test_a_table_that_is_off_is_mended_in_warm_and_cool_light_alike(step_k: float) -> None:
    """The decoder's table is off by 0.02 to 0.1 a number against measured sensitivities of the same models."""
    mended, exact = [], _skin_errors(_learned().profile)
    for seed in range(6):
        scale = fit_scale(_pairs(("A", "FL2", "D55"), 30, seed, step_k), _off(seed, 0.04))
        assert scale.extent is not Extent.NONE
        mended.append(_skin_errors(scale.profile))
    assert np.median(mended) <= np.median(exact) + 0.1
    assert np.quantile(mended, 0.95) <= np.quantile(exact, 0.95) + 0.5


def test_an_exact_table_is_not_taken_for_one_that_is_off() -> None:
    free = replace(ScaleSettings(), apart=(0.0,))
    pairs = _pairs(("A", "FL2", "D55"), 30)
    assert fit_scale(pairs, TABLE).profile == fit_scale(pairs, TABLE, settings=free).profile


def test_a_dng_with_one_matrix_gives_way_to_an_editor_that_uses_two() -> None:
    single = replace(TABLE, source=ProfileSource.DNG_TAGS)
    scale = fit_scale(_pairs(("A", "FL2", "D55"), 30), single)
    assert scale.extent is Extent.MATRICES
    assert len(scale.profile.calibrations) == 2
    errors, literal = _skin_errors(scale.profile), _skin_errors(single)
    assert np.quantile(errors, 0.95) < 0.5 * np.quantile(literal, 0.95)


def test_pairs_that_the_cameras_own_matrices_give_are_no_evidence_against_them() -> None:
    for step_k in (1.0, 50.0):
        scale = fit_scale(_pairs(LIGHTS, 60, step_k=step_k), EDITOR)
        assert scale.extent is Extent.NONE and scale.profile == EDITOR


def test_scales_of_two_shoots_add_up() -> None:
    day = fit_scale(_pairs(("D55",), 10), TABLE)
    both = refit(day, _pairs(("A",), 10, seed=1), TABLE)
    assert both.n_used == 20
    assert both.extent is Extent.MATRICES


def test_a_table_match_by_prefix_is_trusted_less() -> None:
    sibling = replace(TABLE, source=ProfileSource.TABLE_PREFIX, calibrations=tuple(
        replace(c, camera_from_xyz=tuple(tuple(v * f for v, f in zip(row, (1.08, 1.0, 0.94), strict=True))
                                         for row in c.camera_from_xyz)) for c in TABLE.calibrations))  # fmt: skip
    scale = fit_scale(_pairs(LIGHTS, 40), sibling)
    assert scale.extent is Extent.MATRICES
    assert scale.residual_mired < 1
    assert np.median(_skin_errors(scale.profile)) < np.median(_skin_errors(expected_profile(sibling)))
