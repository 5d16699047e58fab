"""What leaving ProfileHueSatMap out costs: python -m benchmarks.scale.huesat [SENSITIVITIES.npz].

For each camera a table per calibration (90 hues, 30 saturations) is made as a maker of profiles would: what two charts
still lack after the forward matrix, smoothed over hue and saturation. Skin under every light is then solved on a
daylight reference with the editor's matrices, without tables and with them (effective camera values, two passes), and
the editor renders both with its tables.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchmarks.scale import consumer, shoots, world
from xmpsync.colour.arrays import FloatArray, apply, inverse
from xmpsync.colour.camera import render, white_from_neutral, xyz_from_camera
from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.colour.cielab import skin_difference
from xmpsync.colour.huesat import (
    ROMM_FROM_XYZ,
    HueSatMap,
    apply_hue_sat_map,
    effect_on_skin,
    hsv_from_rgb,
)
from xmpsync.colour.match import settings_for_target

HUES, SATURATIONS = 90, 30
WIDTH_HUE, WIDTH_SATURATION, PULL_TO_NOTHING = 0.35, 0.12, 0.3


def effective_camera(
    table: HueSatMap,
    profile: CameraProfile,
    camera: npt.ArrayLike,
    temperature_k: npt.ArrayLike,
    tint: npt.ArrayLike,
    exposure_ev: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Camera values (..., 3) that the matrices alone would render as matrices and table together render `camera`.

    A match by matrices on effective values is a match with the table. They depend on the white, slowly: start at the
    as-shot or solved white and repeat once or twice after solving. Exposure matters only to tables with more than one
    value division.
    """
    matrix = xyz_from_camera(profile, temperature_k, tint)
    gain = np.exp2(np.asarray(exposure_ev, float))[..., None]
    moved = apply_hue_sat_map(table, profile, gain * apply(matrix, camera), temperature_k, tint) / gain
    return apply(inverse(matrix), moved)


def make_table(profile: CameraProfile, sensitivity: np.ndarray) -> HueSatMap:
    """Tables of the calibrations in rising mired."""
    patches = np.concatenate([world.chart("BabelColor Average"), world.chart("ISO 17321-1")])
    d50 = world.light("D50")
    wanted = consumer.seen(d50, patches, world.observer())
    tables = []
    for (_, name), calibration in reversed(list(zip(consumer.CALIBRATIONS, profile.calibrations, strict=True))):
        light = world.light(name)
        camera = consumer.seen(light, patches, sensitivity) / consumer.seen(
            light, np.ones((1, len(light))), sensitivity
        )
        got = camera @ np.array(calibration.xyz_d50_from_balanced).T
        tables.append(_smoothed(*(hsv_from_rgb(np.maximum(xyz @ ROMM_FROM_XYZ.T, 1e-6)) for xyz in (got, wanted))))
    return HueSatMap(np.array(tables)[:, None])


def _smoothed(got: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    hue, saturation = np.meshgrid(np.arange(HUES) * 6.0 / HUES, np.linspace(0, 1, SATURATIONS), indexing="ij")
    turn = (wanted[:, 0] - got[:, 0] + 3.0) % 6.0 - 3.0
    change = np.stack([60.0 * turn, wanted[:, 1] / got[:, 1] - 1.0, wanted[:, 2] / got[:, 2] - 1.0], -1)
    chromatic = got[:, 1] > 0.05
    d_hue = (hue[..., None] - got[:, 0] + 3.0) % 6.0 - 3.0
    d_saturation = saturation[..., None] - got[:, 1]
    weight = np.exp(-0.5 * ((d_hue / WIDTH_HUE) ** 2 + (d_saturation / WIDTH_SATURATION) ** 2)) * chromatic
    table = (weight @ np.where(chromatic[:, None], change, 0.0)) / (weight.sum(-1, keepdims=True) + PULL_TO_NOTHING)
    table[:, 0] = 0.0
    return np.asarray(table + np.array([0.0, 1.0, 1.0]))


def _left(
    table: HueSatMap, editor: CameraProfile, xyz: np.ndarray, kelvin: np.ndarray, tint: np.ndarray, shown: np.ndarray
) -> np.ndarray:
    return skin_difference(apply_hue_sat_map(table, editor, 0.4 * xyz / xyz[:, 1:2], kelvin, tint), shown)[0]


def main() -> None:
    cameras = world.cameras(Path(sys.argv[1]) if len(sys.argv) > 1 else None)
    spectra = world.skin()[1][:: max(1, len(world.skin()[1]) // 12)]
    found: dict[str, list[np.ndarray]] = {}
    applied: dict[str, list[np.ndarray]] = {}
    stated = []
    for s in cameras.values():
        editor = consumer.profile(s, "plain")
        table = make_table(editor, s)
        stated.append(effect_on_skin(table, editor))
        daylight = world.daylight(5400.0)
        seen = consumer.seen(daylight, spectra, s)
        kelvin, tint = white_from_neutral(editor, shoots.neutral(daylight, s))
        target = render(editor, seen, kelvin, tint, 0.0)
        whole = np.full(len(spectra), kelvin)
        effective_target = render(editor, effective_camera(table, editor, seen, whole, tint), kelvin, tint, 0.0)
        shown = apply_hue_sat_map(table, editor, 0.4 * target / target[:, 1:2], whole, tint)
        for kind, lights in world.lights().items():
            for light in lights:
                camera = consumer.seen(light, spectra, s)
                k, t, ev = settings_for_target(editor, camera, target)
                rendered = render(editor, camera, k, t, ev)
                found.setdefault(kind, []).append(_left(table, editor, rendered, k, t, shown))
                for _ in range(2):
                    k, t, ev = settings_for_target(
                        editor, effective_camera(table, editor, camera, k, t), effective_target
                    )
                rendered = render(editor, camera, k, t, ev)
                applied.setdefault(kind, []).append(_left(table, editor, rendered, k, t, shown))
    out = sys.stdout.write
    out(f"{len(cameras)} cameras; dE00 of skin as an editor with tables renders it\n")
    for heading, errors in (("match without tables", found), ("match with tables", applied)):
        for kind, parts in {**errors, "all lights": [e for p in errors.values() for e in p]}.items():
            e = np.concatenate(parts)
            out(f"{heading:21} {kind:12} median {np.nanmedian(e):.2f}  p95 {np.nanquantile(e, 0.95):.2f}\n")
    out(f"stated by effect_on_skin (2850 against 6500 K): median {np.median([m for m, _ in stated]):.2f}, "
        f"p95 of the largest {np.quantile([m for _, m in stated], 0.95):.2f}\n")  # fmt: skip


if __name__ == "__main__":
    main()
