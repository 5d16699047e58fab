"""What is measured from invented scenes whose answer is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.skin.scenes import BODY, HAIR, LIGHT, SIZE, cells, chroma_error, disc, face_places, grid, shows, textured
from xmpsync.records import Box
from xmpsync.skin.measure import measure_face, measure_neutral, patch_place
from xmpsync.skin.records import Cells, FaceSkin, NeutralPatch, Place, Region, Unusable

NEUTRAL = (0.5, 1.0, 0.6)


def seen(answer: FaceSkin | Unusable) -> FaceSkin:
    assert isinstance(answer, FaceSkin), answer
    return answer


def matte(rng: np.random.Generator, size: int = SIZE) -> np.ndarray:
    x, _ = grid(size)
    return np.asarray(textured(BODY, size, rng) * (0.8 + 0.4 * x)[..., None])


@pytest.mark.parametrize("size", [24, 40, 120, 400])
def test_a_matte_face_is_its_body_colour_at_any_size(size: int) -> None:
    rng = np.random.default_rng(size)
    face = seen(measure_face(cells(matte(rng, size), rng), face_places(), neutral=NEUTRAL))
    assert chroma_error(face.camera, BODY) < (0.02 if size < 40 else 0.01)
    assert not (face.sides and shows(face.sides))


def test_shading_scales_the_level_and_keeps_the_colour() -> None:
    rng = np.random.default_rng(1)
    scene = matte(rng)
    x, _ = grid()
    plain = seen(measure_face(cells(scene, rng), face_places(), neutral=NEUTRAL))
    shaded = seen(
        measure_face(cells(scene * np.exp2(-1.0 * (x < 0.4))[..., None], rng), face_places(), neutral=NEUTRAL)
    )
    assert chroma_error(shaded.camera, np.asarray(plain.camera)) < 0.01
    assert np.log2(shaded.camera[1] / plain.camera[1]) == pytest.approx(0, abs=0.15)
    assert not (shaded.sides and shows(shaded.sides))


def test_measuring_is_linear_in_exposure_as_long_as_nothing_clips() -> None:
    scene = matte(np.random.default_rng(2))
    one, two = (
        seen(measure_face(cells(scene * gain, np.random.default_rng(3)), face_places(), neutral=NEUTRAL))
        for gain in (1.0, 0.25)
    )
    # two stops less light: one per cent covers the noise
    np.testing.assert_allclose(np.asarray(one.camera) / two.camera, 4.0, rtol=0.01)


def test_hair_lips_and_glasses_inside_the_places_are_left_out() -> None:
    rng = np.random.default_rng(4)
    scene = matte(rng)
    x, y = grid()
    scene[(y < 0.2) & (x < 0.55)] = HAIR
    scene[(abs(y - 0.5) < 0.02)] = (0.01, 0.01, 0.01)
    scene[(y > 0.84)] = BODY * (1.5, 0.6, 0.9)
    face = seen(measure_face(cells(scene, rng), face_places(), neutral=NEUTRAL))
    assert chroma_error(face.camera, BODY) < 0.01


def test_highlights_in_the_colour_of_the_light_do_not_pull_the_colour() -> None:
    rng = np.random.default_rng(5)
    scene = textured(BODY, SIZE, rng)
    x, y = grid()
    gloss = np.exp(-(((x - 0.3) / 0.08) ** 2) - ((y - 0.52) / 0.08) ** 2)
    gloss += np.exp(-(((x - 0.5) / 0.06) ** 2) - ((y - 0.22) / 0.06) ** 2)
    shiny = scene + 0.15 * gloss[..., None] * LIGHT
    face = seen(measure_face(cells(shiny, rng), face_places(), neutral=NEUTRAL))
    plain_mean = (shiny[(gloss > 0.05)]).mean(axis=0)
    assert chroma_error(tuple(plain_mean), BODY) > 0.1  # the scene does hold what is to be left out
    assert chroma_error(face.camera, BODY) < 0.012
    assert face.specular_fraction > 0.05


def test_a_broad_sheen_over_a_third_of_the_face_is_left_out_and_the_level_is_the_body_s() -> None:
    # the dichromatic model itself (Shafer 1985) makes the scene
    rng = np.random.default_rng(25)
    body = textured(BODY, SIZE, rng) * 0.6
    _, y = grid()
    sheen = 1 / (1 + np.exp((y - 0.42) / 0.01))
    plain = seen(measure_face(cells(body, rng), face_places(), neutral=NEUTRAL))
    shiny = seen(measure_face(cells(body + 0.1 * sheen[..., None] * LIGHT, rng), face_places(), neutral=NEUTRAL))
    assert chroma_error(shiny.camera, BODY) < 0.02
    assert abs(np.log2(shiny.camera[1] / plain.camera[1])) < 0.1
    assert shiny.specular_fraction > 0.2


def test_where_nothing_shines_nothing_is_left_out() -> None:
    # skin's own variation towards the light's colour, to both sides
    rng = np.random.default_rng(26)
    own = np.repeat(np.repeat(rng.normal(size=(12, 12)), SIZE // 12, axis=0), SIZE // 12, axis=1)
    scene = textured(BODY, SIZE, rng) * np.exp(0.06 * own[..., None] * np.array([-0.5, 0.3, 0.8]))
    face = seen(measure_face(cells(scene, rng), face_places(), neutral=NEUTRAL))
    assert face.specular_fraction < 0.15


def test_a_bright_rim_in_backlight_is_not_the_face() -> None:
    rng = np.random.default_rng(6)
    scene = textured(BODY * 0.25, SIZE, rng)
    x, _ = grid()
    scene[x > 0.8] *= 12
    face = seen(measure_face(cells(scene, rng), face_places(), neutral=NEUTRAL))
    np.testing.assert_allclose(face.camera, BODY * 0.25, rtol=0.1)


def test_clipped_skin_is_never_averaged_in() -> None:
    rng = np.random.default_rng(7)
    scene = matte(rng)
    x, y = grid()
    spot = (x - 0.72) ** 2 + (y - 0.55) ** 2 < 0.1**2
    scene[spot] = (3.0, 3.0, 3.0)
    face = seen(measure_face(cells(scene, rng), face_places(), neutral=NEUTRAL))
    assert chroma_error(face.camera, BODY) < 0.012
    assert 0.05 < face.clipped_fraction < 0.4


def test_level_under_one_stop_over_is_read_below_the_clipping() -> None:
    rng = np.random.default_rng(8)
    x, _ = grid()
    scene = textured(BODY / BODY.max(), SIZE, rng, 0.01) * (0.45 + 0.4 * x)[..., None]
    whole = seen(measure_face(cells(scene, rng), face_places(), neutral=NEUTRAL))
    over = seen(measure_face(cells(scene * 1.35, rng), face_places(), neutral=NEUTRAL))
    assert over.clipped_fraction > 0.05
    assert np.log2(over.camera[1] / whole.camera[1]) == pytest.approx(np.log2(1.35), abs=0.08)
    assert over.log_covariance[1][1] > whole.log_covariance[1][1]


def test_level_past_the_clipping_of_one_channel_comes_from_the_others() -> None:
    # two thirds of the brighter half clip in red; green and blue still hold the level exactly
    rng = np.random.default_rng(8)
    x, _ = grid()
    scene = textured(BODY / BODY.max(), SIZE, rng, 0.01) * (0.45 + 0.4 * x)[..., None]
    whole = seen(measure_face(cells(scene, rng), face_places(), neutral=NEUTRAL))
    over = seen(measure_face(cells(scene * 1.48, rng), face_places(), neutral=NEUTRAL))
    assert over.clipped_fraction > 0.25
    assert np.log2(over.camera[1] / whole.camera[1]) == pytest.approx(np.log2(1.48), abs=0.025)
    assert chroma_error(over.camera, BODY) < 0.012


def test_unusable_faces_say_why() -> None:
    rng = np.random.default_rng(9)
    scene = matte(rng)
    assert measure_face(cells(scene * 20, rng), face_places()) is Unusable.CLIPPED
    assert measure_face(cells(scene * 2e-4, rng, iso=6400), face_places()) is Unusable.TOO_DARK
    assert measure_face(cells(matte(rng, 6), rng), face_places()) is Unusable.FEW_PIXELS
    assert measure_face(cells(scene, rng), ()) is Unusable.FEW_PIXELS
    outside = (Place(Region.WHOLE, disc(3.0, 3.0, 0.2)),)
    assert measure_face(cells(scene, rng), outside) is Unusable.FEW_PIXELS
    confetti = np.exp(rng.uniform(-2, 2, (SIZE // 6, SIZE // 6, 3))).repeat(6, axis=0).repeat(6, axis=1) * 0.05
    assert measure_face(cells(confetti, rng), face_places()) is Unusable.NO_SKIN


def test_cells_that_are_not_finite_are_left_out() -> None:
    rng = np.random.default_rng(10)
    whole = cells(matte(rng), rng)
    broken = whole.camera.copy()
    broken[50:60, 30:40] = np.nan
    face = seen(measure_face(replace_camera(whole, broken), face_places(), neutral=NEUTRAL))
    assert chroma_error(face.camera, BODY) < 0.01


def replace_camera(whole: Cells, camera: np.ndarray) -> Cells:
    return replace(whole, camera=camera.astype(np.float32))


def test_the_box_of_the_cells_places_the_polygons() -> None:
    """The same face, once as the whole picture and once as a corner of a larger one."""
    scene = matte(np.random.default_rng(11))
    whole = cells(scene, np.random.default_rng(12))
    corner = replace(whole, box=Box(0.5, 0.25, 0.5, 0.25))
    moved = tuple(Place(p.region, tuple((0.5 + x / 2, 0.25 + y / 4) for x, y in p.polygon)) for p in face_places())
    one = seen(measure_face(whole, face_places(), neutral=NEUTRAL))
    other = seen(measure_face(corner, moved, neutral=NEUTRAL))
    np.testing.assert_allclose(one.camera, other.camera, rtol=1e-9)


def test_the_same_cells_give_the_same_answer_twice_and_stay_as_they_were() -> None:
    rng = np.random.default_rng(13)
    given = cells(matte(rng), rng)
    before = given.camera.copy()
    assert measure_face(given, face_places()) == measure_face(given, face_places())
    np.testing.assert_array_equal(given.camera, before)


def test_patches_marked_by_hand() -> None:
    rng = np.random.default_rng(14)
    scene = matte(rng)
    scene[80:, 80:] = LIGHT * 0.4
    marked = cells(scene, rng)
    skin = seen(measure_face(marked, (patch_place(marked, 0.3, 0.3, 0.1),), neutral=NEUTRAL))
    assert chroma_error(skin.camera, BODY) < 0.01
    assert skin.regions[0].region is Region.WHOLE
    card = measure_neutral(marked, 0.85, 0.85, 0.1)
    assert isinstance(card, NeutralPatch)
    np.testing.assert_allclose(card.camera, LIGHT * 0.4, rtol=0.01)
    assert measure_neutral(cells(scene * 20, rng), 0.85, 0.85, 0.1) is Unusable.CLIPPED
    assert measure_neutral(marked, 0.85, 0.85, 0.001) is Unusable.FEW_PIXELS


def test_a_patch_is_round_in_cells_whatever_the_shape_of_the_picture() -> None:
    rng = np.random.default_rng(15)
    wide = cells(np.asarray(textured(BODY, 120, rng))[:60], rng)
    patch = seen(measure_face(wide, (patch_place(wide, 0.5, 0.5, 0.1),)))
    assert patch.n_cells == pytest.approx(np.pi * 12**2, rel=0.12)
