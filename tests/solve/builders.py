"""Requests made from known lights and people, so that the exact answer is known.

A camera value is what the profile's own inverse gives: skin of a person, as XYZ D50, carried back through the matrix of
the light's white. The right correction of a frame is then exactly that white, and -gain in EV.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.colour.camera import apply, xyz_from_camera
from xmpsync.colour.camera_profile import Calibration, CameraProfile, ProfileSource
from xmpsync.colour.cielab import xyz_d50_from_lab
from xmpsync.measurement import Face
from xmpsync.records import Box, Capture, Develop
from xmpsync.skin.records import FaceSkin
from xmpsync.solve.problem import Frame, Reference, Request

PROFILE = CameraProfile(
    calibrations=(
        Calibration(2856.0, ((0.9, -0.28, -0.06), (-0.42, 1.22, 0.22), (-0.06, 0.16, 0.62))),
        Calibration(6504.0, ((0.8, -0.24, -0.09), (-0.45, 1.28, 0.18), (-0.09, 0.19, 0.66))),
    ),
    source=ProfileSource.DNG_TAGS,
    name="test body",
)

NEUTRAL = Develop(5000.0, 0.0, 0.0)

SKIN_LAB = {"ann": (66.0, 13.0, 17.0), "ben": (54.0, 16.0, 20.0), "cleo": (40.0, 14.0, 18.0)}
"""Light, intermediate and brown skin (ITA 43, 11 and -29 degrees)."""


@dataclass(frozen=True)
class Light:
    kelvin: float
    tint: float
    gain_ev: float = 0.0


DAY = Light(5400.0, 4.0)
SHADE = Light(7400.0, 8.0, -1.0)
LAMP = Light(2900.0, -3.0, 0.5)
GREEN = Light(4100.0, 30.0)


def camera_of(
    person: str, light: Light, gain_ev: float = 0.0, change: tuple[float, float, float] = (0, 0, 0)
) -> np.ndarray:
    """Linear camera value (3,) of a person's skin in a light, ln camera value moved by `change`."""
    xyz = xyz_d50_from_lab(SKIN_LAB[person])
    inverse = np.linalg.inv(xyz_from_camera(PROFILE, light.kelvin, light.tint))
    return np.asarray(apply(inverse, xyz) * 2.0 ** (light.gain_ev + gain_ev) * np.exp(change))


def face(
    person: str, light: Light, *, gain_ev: float = 0.0, named: bool = True, number: int = 0,
    change: tuple[float, float, float] = (0.0, 0.0, 0.0), sd: float = 0.004, identity: tuple[float, ...] | None = None,
) -> Face:  # fmt: skip
    camera = camera_of(person, light, gain_ev, change)
    covariance = tuple(tuple(row) for row in (np.eye(3) * sd**2).tolist())
    skin = FaceSkin(tuple(float(v) for v in camera), covariance, 900)  # type: ignore[arg-type]
    return Face(
        f"f{number}", Box(0.2 * number, 0.3, 0.2, 0.3), name=person if named else None, skin=skin, identity=identity
    )


def frame(
    frame_id: str, faces: tuple[Face, ...], *, time_s: float, as_shot: Develop = NEUTRAL,
    baseline: Develop | None = None, exposure_s: float | None = 1 / 100, flash: bool = False, **more: object,
) -> Frame:  # fmt: skip
    capture = Capture(
        make="T", model="B", time_s=time_s, exposure_s=exposure_s, f_number=2.8, iso=400.0, flash_fired=flash,
        width=6000, height=4000,
    )  # fmt: skip
    return Frame(
        frame_id=frame_id, profile=PROFILE, capture=capture, as_shot=as_shot, baseline=baseline or as_shot, faces=faces,
        **more,
    )  # type: ignore[arg-type]  # fmt: skip


def reference_frame(people: tuple[str, ...] = ("ann",), *, named: bool = True, time_s: float = 0.0) -> Frame:
    """The reference: `people` in daylight, the sidecar at exactly the daylight's white."""
    faces = tuple(face(p, DAY, named=named, number=i) for i, p in enumerate(people))
    return frame("ref", faces, time_s=time_s, baseline=Develop(DAY.kelvin, DAY.tint, 0.0))


def burst(
    prefix: str, light: Light, who: list[tuple[str, ...]], start_s: float, *, rng: np.random.Generator | None = None,
    named: bool = True, as_shot: Develop = NEUTRAL, scatter: float = 0.01, **more: object,
) -> list[Frame]:  # fmt: skip
    """Frames two seconds apart, one per entry of `who`; faces scatter in ln camera value."""
    rng = rng or np.random.default_rng(7)
    out = []
    for k, people in enumerate(who):
        faces = tuple(
            face(p, light, named=named, number=i, change=tuple(rng.normal(0.0, scatter, 3)))  # type: ignore[arg-type]
            for i, p in enumerate(people)
        )
        out.append(frame(f"{prefix}{k:02d}", faces, time_s=start_s + 2.0 * k, as_shot=as_shot, **more))
    return out


def shoot(named: bool = True) -> Request:
    """A reference and three lights with one and two people per frame; some frames show nobody."""
    rng = np.random.default_rng(11)
    who = [("ann",), ("ann", "ben"), ("ben",), (), ("ann", "cleo"), ("cleo",), ("ann",), ("ben", "cleo")]
    frames = [reference_frame(named=named)]
    frames += burst("day", DAY, who, 10.0, rng=rng, named=named)
    frames += burst("shade", SHADE, who, 2000.0, rng=rng, named=named, as_shot=Develop(6000.0, 2.0, 0.0))
    frames += burst("lamp", LAMP, who, 4000.0, rng=rng, named=named, as_shot=Develop(3600.0, 5.0, 0.0))
    return Request(tuple(frames), (Reference(frame_id="ref"),))
