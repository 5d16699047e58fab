"""Properties that hold for any shoot."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.solve.builders import DAY, LAMP, burst, face, reference_frame, shoot
from xmpsync.colour.arrays import FloatArray
from xmpsync.records import Develop
from xmpsync.solve import api, solve
from xmpsync.solve.coordinate import z_from_xyz
from xmpsync.solve.problem import Frame, Reference, Request
from xmpsync.solve.settings import DEFAULT
from xmpsync.solve.solution import Solution
from xmpsync.solve.tables import build


def _theta(solution: Solution) -> dict[str, FloatArray]:
    return {
        f.frame_id: np.array([1e6 / f.correction.temperature_k, f.correction.tint, f.correction.exposure_ev])
        for f in solution.frames
        if f.correction is not None
    }


@pytest.mark.parametrize("named", [True, False])
def test_the_order_of_the_frames_changes_nothing(named: bool) -> None:
    request = shoot(named)
    shuffled = list(request.frames)
    np.random.default_rng(3).shuffle(shuffled)  # type: ignore[arg-type]
    again = solve(replace(request, frames=tuple(shuffled)))
    one = {f.frame_id: f for f in solve(request).frames}
    assert all(one[f.frame_id] == f for f in again.frames)
    assert [f.frame_id for f in again.frames] == [f.frame_id for f in shuffled]


def _brighter(f: Frame, k: int) -> Frame:
    """The same moment with 2^k times the exposure time: raw values and settings scaled together."""
    faces = tuple(
        replace(a, skin=replace(a.skin, camera=tuple(v * 2.0**k for v in a.skin.camera))) for a in f.faces if a.skin
    )
    assert f.capture.exposure_s is not None
    return replace(f, faces=faces, capture=replace(f.capture, exposure_s=f.capture.exposure_s * 2.0**k))


@pytest.mark.parametrize("k", [-1, 1])
def test_raw_and_settings_scaled_by_two_to_the_k_move_only_that_frames_exposure_by_minus_k(k: int) -> None:
    request = shoot()
    at = next(i for i, f in enumerate(request.frames) if f.frame_id == "shade06")
    frames = list(request.frames)
    frames[at] = _brighter(frames[at], k)
    before, after = _theta(solve(request)), _theta(solve(replace(request, frames=tuple(frames))))
    assert after["shade06"] - before["shade06"] == pytest.approx([0.0, 0.0, -k], abs=0.02)
    for name in before:
        if name != "shade06":
            # the settings are a weak cue of light groups; one rounding step is allowed
            assert after[name] == pytest.approx(before[name], abs=1.01), name


def test_a_duplicated_frame_changes_nobody_else_beyond_its_weight() -> None:
    request = shoot()
    twin = next(f for f in request.frames if f.frame_id == "lamp01")
    twice = replace(request, frames=(*request.frames, replace(twin, frame_id="lamp01b")))
    before, after = _theta(solve(request)), _theta(solve(twice))
    assert after["lamp01b"] == pytest.approx(after["lamp01"], abs=1e-9)
    for name in before:
        assert np.abs(after[name] - before[name])[0] < 2.0, name
        assert np.abs(after[name] - before[name])[1] < 1.6, name
        assert np.abs(after[name] - before[name])[2] < 0.03, name


@pytest.mark.parametrize("wildness", [0.4, 1.2])
def test_one_wild_face_moves_the_rest_by_a_bounded_amount(wildness: float) -> None:
    request = shoot()
    frames = list(request.frames)
    at = next(i for i, f in enumerate(frames) if f.frame_id == "lamp06")
    frames[at] = replace(frames[at], faces=(face("ann", LAMP, change=(wildness, 0.0, -wildness)),))
    before, after = _theta(solve(request)), _theta(solve(replace(request, frames=tuple(frames))))
    moved = np.array([np.abs(after[name] - before[name]) for name in before if name != "lamp06"])
    assert moved[:, 0].max() < 4.0
    assert moved[:, 1].max() < 3.0
    assert moved[:, 2].max() < 0.1


def test_corrections_hold_what_a_sidecar_can_hold() -> None:
    for f in solve(shoot()).frames:
        if f.correction is not None:
            c = f.correction
            assert c.temperature_k == round(c.temperature_k)
            assert c.tint == round(c.tint)
            assert c.exposure_ev == pytest.approx(round(c.exposure_ev, 2), abs=1e-12)
            assert 2000 <= c.temperature_k <= 50000


def test_baseline_exposure_of_the_file_is_part_of_the_rendering() -> None:
    frames = [reference_frame(), *burst("lamp", LAMP, [("ann",)] * 4, 3000.0)]
    lifted = [frames[0], *(replace(f, baseline_exposure_ev=0.5) for f in frames[1:])]
    before = _theta(solve(Request(tuple(frames), (Reference(frame_id="ref"),))))
    after = _theta(solve(Request(tuple(lifted), (Reference(frame_id="ref"),))))
    for name in before:
        assert after[name][2] - before[name][2] == pytest.approx(-0.5, abs=0.011)


def test_the_gradient_is_the_numerical_one() -> None:
    request = shoot()
    table = build(request, frozenset({"ref"}), DEFAULT)
    theta = np.tile([1e6 / 4312.0, 7.3, 0.2], (table.n_frames, 1))
    at = table.faces_at(theta)
    for k, step in enumerate((1e-4, 1e-4, 1e-5)):
        up, down = theta.copy(), theta.copy()
        up[:, k] += step
        down[:, k] -= step
        numerical = (table.faces_at(up).z - table.faces_at(down).z) / (2 * step)
        np.testing.assert_allclose(at.by_theta[:, :, k], numerical, rtol=1e-4, atol=1e-5)
    scaled = replace(table, face_camera=table.face_camera * np.exp([1e-6, 0.0, 0.0]))
    numerical = (scaled.faces_at(theta).z - at.z) / 1e-6
    np.testing.assert_allclose(at.by_log_camera[:, :, 0], numerical, rtol=1e-4, atol=1e-4)


def test_a_huge_cutoff_is_plain_least_squares() -> None:
    """With the losses' cut-offs far away the answer no longer depends on them, and differs from the robust one."""
    request = shoot()
    frames = list(request.frames)
    at = next(i for i, f in enumerate(frames) if f.frame_id == "day01")
    frames[at] = replace(frames[at], faces=(frames[at].faces[0], face("ben", DAY, number=1, change=(0.05, 0, -0.08))))
    request = replace(request, frames=tuple(frames))
    plain = [
        _theta(api.solve(request, replace(DEFAULT, variances=replace(DEFAULT.variances, tail=c, frame_tail=c))))
        for c in (1e5, 1e7)
    ]
    robust = _theta(solve(request))
    for name in plain[0]:
        assert plain[0][name] == pytest.approx(plain[1][name], abs=0.05)  # one kelvin, to which it is rounded
    assert any(np.abs(robust[name] - plain[0][name]).max() > 0.5 for name in robust)


def test_the_coordinate_measures_about_one_ciede2000_unit() -> None:
    """Against colour-science's CIEDE2000 at equal luminance, over skin colours of published ITA classes."""
    import colour

    rng = np.random.default_rng(0)
    for lab in ((66.0, 13.0, 17.0), (65.0, 18.0, 18.0), (54.0, 16.0, 20.0)):
        xyz = colour.Lab_to_XYZ(lab, colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"])
        moved = xyz * np.exp(rng.normal(0.0, [0.01, 0.0, 0.03], (50, 3)))
        white = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
        difference = colour.delta_E(colour.XYZ_to_Lab(moved, white), np.tile(lab, (50, 1)), method="CIE 2000")
        ours = np.linalg.norm(z_from_xyz(moved) - z_from_xyz(xyz), axis=1)
        np.testing.assert_allclose(ours, difference, rtol=0.3)


def test_strength_keeps_the_evenness_inside_a_group() -> None:
    request = shoot()
    full, half = _theta(solve(request)), _theta(solve(replace(request, strength=0.5)))
    names = [n for n in full if n.startswith("lamp")]
    moved = np.array([half[n] - full[n] for n in names])
    # one and the same shift for all frames of a group, up to rounding (1 tint, 0.01 EV, 1 K at 3000 K = 0.1 mired)
    assert np.ptp(moved, axis=0) == pytest.approx([0.0, 0.0, 0.0], abs=1.01)
    middle = np.median([half[n] for n in names], axis=0)
    as_shot = np.array([1e6 / 3600.0, 5.0, 0.0])
    assert middle == pytest.approx(0.5 * (as_shot + np.median([full[n] for n in names], axis=0)), abs=1.0)


def test_held_frames_stay_and_serve_as_anchors() -> None:
    request = shoot()
    own = Develop(LAMP.kelvin, LAMP.tint, -LAMP.gain_ev)
    frames = [replace(f, held=True, baseline=own) if f.frame_id == "lamp05" else f for f in request.frames]
    solution = solve(replace(request, frames=tuple(frames)))
    held = next(f for f in solution.frames if f.frame_id == "lamp05")
    assert held.correction is None
    assert held.basis.value == "held"
    assert not held.faces[0].judged
