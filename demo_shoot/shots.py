"""The shot list of the jubilee: who stands where, under which light, and what somebody already did to the sidecar."""

from __future__ import annotations

from dataclasses import dataclass

from demo_shoot.camera import Body
from demo_shoot.places import (
    BOATHOUSE,
    CANDLES,
    DOORWAY,
    HALL,
    LAKE,
    REHEARSAL,
    STAGE,
    STEPS,
    STUDIO,
    WATER_GATE,
    Place,
)
from demo_shoot.shading import Lamp

FIRST = Body("Choir One", "VC-1-0071", "Nikon 5100 (NPL)", "RGGB")
SECOND = Body("Choir Two", "VC-2-0113", "Nikon 5100 (NPL)", "GBRG", baseline_exposure_ev=0.35)
REFERENCE = "jubilee_0002"

Lamps = tuple[tuple[Lamp, int], ...]


@dataclass(frozen=True)
class Singer:
    """One person: centre of the face and its height, in fractions of the upright frame; `lamps` None: the place's."""

    name: str
    x: float
    y: float
    size: float
    yaw_deg: float = 0.0
    roll_deg: float = 0.0
    lamps: Lamps | None = None


@dataclass(frozen=True)
class Shot:
    """One exposure. `error_ev` is how far the photographer was off; `pause_s` the time since the shot before.

    `edits` names what the sidecar holds: "" none, "look" white balance and exposure of somebody's own, "other" crop,
    keywords, contrast, "regions" named faces, "embedded" the packet sits in the RAW. Joined with "+".
    """

    place: Place
    singers: tuple[Singer, ...] = ()
    error_ev: float = 0.0
    iso: int = 400
    f_number: float = 2.8
    pause_s: float = 30.0
    flash: bool = False
    orientation: int = 1
    edits: str = ""
    body: Body = FIRST
    light_ev: float = 0.0


def _row(*names: str, y: float = 0.45, size: float = 0.26, yaws: tuple[float, ...] = ()) -> tuple[Singer, ...]:
    step = 1.0 / len(names)
    turned = yaws or tuple(7.0 * (-1) ** i for i in range(len(names)))
    return tuple(
        Singer(name, (i + 0.5) * step, y + 0.02 * (i % 2), size, turned[i], (-1) ** i * 2.0)
        for i, name in enumerate(names)
    )


_LEFT_LAMP: Lamps = ((Lamp((-0.4, -0.5, 1.0), 0.85, 0.6), 0), (Lamp((0.8, 0.0, 0.8), 0.04, 1.0), 1))
_RIGHT_LAMP: Lamps = ((Lamp((0.4, -0.6, 1.0), 0.85, 0.5), 1), (Lamp((-0.8, 0.0, 0.8), 0.04, 1.0), 0))

SHOTS: tuple[Shot, ...] = (
    # the skylit hall in the morning
    Shot(HALL, (), iso=200),
    Shot(HALL, _row("Ida", "Tomas", "Selma", "Jun", "Ravi", "Amara", size=0.185), iso=200, edits="look+regions"),
    Shot(HALL, _row("Ida", "Tomas", yaws=(12.0, -12.0), size=0.34), 0.3, 200, edits="regions"),
    Shot(HALL, (Singer("Amara", 0.5, 0.36, 0.27, 8.0, 3.0),), -0.7, 200, orientation=6, edits="regions"),
    Shot(HALL, _row("Jun", "Selma", size=0.31, yaws=(8.0, -14.0)), -1.3, 200, edits="other+regions"),
    Shot(HALL, (Singer("Ravi", 0.42, 0.46, 0.40, -8.0, -3.0),), 0.6, 200, edits="regions"),
    Shot(HALL, _row("Selma", "Amara", "Tomas", size=0.27), 0.0, 200, edits="other+look"),
    # shade of the boathouse
    Shot(BOATHOUSE, _row("Ida", "Jun", size=0.30), 0.0, pause_s=1500, edits="regions"),
    Shot(BOATHOUSE, (Singer("Ida", 0.45, 0.46, 0.42, 4.0, 1.0),), 0.2, edits="regions"),
    Shot(BOATHOUSE, (Singer("Ida", 0.46, 0.45, 0.42, 6.0, 2.0),), 0.2, pause_s=0.16, edits="regions"),
    Shot(BOATHOUSE, (Singer("Ida", 0.47, 0.46, 0.42, 9.0, 3.0),), 0.2, pause_s=0.16, edits="regions"),
    Shot(BOATHOUSE, (Singer("Ida", 0.48, 0.46, 0.42, 11.0, 2.0),), 0.2, pause_s=0.16, edits="regions"),
    Shot(WATER_GATE, _row("Tomas", "Ravi", size=0.29), -2.0, edits="other+regions"),
    Shot(WATER_GATE, (Singer("Selma", 0.55, 0.46, 0.38, -6.0, 2.0),), -1.4, edits="embedded"),
    # portraits with flash
    Shot(STUDIO, (Singer("Tomas", 0.5, 0.36, 0.30, -10.0),), 0.0, 100, 8.0, 900, True, 8, edits="regions"),
    Shot(STUDIO, (Singer("Amara", 0.5, 0.45, 0.44, 6.0, 2.0),), 0.0, 100, 8.0, 20, True,
         edits="regions", light_ev=-0.3),
    Shot(STUDIO, (Singer("Jun", 0.48, 0.45, 0.44, 0.0, -2.0),), 0.0, 100, 8.0, 20, True,
         edits="look+regions", light_ev=0.25),
    Shot(STUDIO, (Singer("Ravi", 0.52, 0.46, 0.44, 12.0),), 0.0, 100, 8.0, 20, True, edits="regions+other"),
    Shot(STUDIO, _row("Ida", "Selma", "Ravi", size=0.29), 0.0, 100, 8.0, 40, True, light_ev=-0.6, edits="regions"),
    # sun on the steps
    Shot(STEPS, _row("Jun", "Amara", size=0.30, yaws=(-6.0, 6.0)), 0.0, 100, 5.6, 1200, edits="regions"),
    Shot(STEPS, (Singer("Ida", 0.5, 0.45, 0.40, -12.0),), 0.5, 100, 5.6, edits="other+regions"),
    Shot(STEPS, _row("Tomas", "Selma", "Ravi", size=0.26), -0.4, 100, 5.6, body=SECOND),
    # rehearsal under tubes
    Shot(REHEARSAL, _row("Selma", "Jun", "Amara", size=0.27), 0.0, 800, pause_s=2400, edits="regions"),
    Shot(REHEARSAL, (Singer("Tomas", 0.46, 0.46, 0.40, 10.0, 2.0),), -0.5, 800, edits="look+regions"),
    Shot(REHEARSAL, _row("Ida", "Ravi", size=0.32, yaws=(10.0, -8.0)), 0.3, 800, body=SECOND, edits="regions"),
    # the concert
    Shot(STAGE, (), -0.5, 1600, pause_s=5400),
    Shot(STAGE, _row("Amara", "Tomas", "Jun", size=0.25), -0.3, 1600, edits="embedded+regions"),
    Shot(STAGE, (Singer("Ravi", 0.45, 0.46, 0.38, -12.0, 4.0),), 0.0, 1600, edits="regions"),
    Shot(STAGE, _row("Ida", "Selma", size=0.30, yaws=(14.0, -14.0)), -0.8, 1600, edits="regions"),
    Shot(STAGE, (Singer("Amara", 0.55, 0.45, 0.36, 10.0, -3.0),), 0.2, 1600, body=SECOND, edits="regions"),
    # between shade and lamp
    Shot(DOORWAY, (Singer("Selma", 0.5, 0.46, 0.42, 0.0),), 0.0, 800, pause_s=1500, edits="regions"),
    Shot(DOORWAY, (Singer("Jun", 0.26, 0.46, 0.34, 6.0, 0.0, _LEFT_LAMP),
                   Singer("Ida", 0.76, 0.46, 0.34, -6.0, 0.0, _RIGHT_LAMP)), 0.0, 800, edits="regions"),
    # supper by candlelight
    Shot(CANDLES, _row("Tomas", "Amara", size=0.31, yaws=(9.0, -9.0)), -0.6, 3200, 2.0, 900, edits="regions"),
    Shot(CANDLES, (Singer("Ida", 0.44, 0.45, 0.40, 6.0),), -0.2, 3200, 2.0, edits="look+regions"),
    Shot(CANDLES, _row("Jun", "Ravi", "Selma", size=0.26), -0.9, 3200, 2.0, edits="regions"),
    # dusk by the lake
    Shot(LAKE, (), 0.0, 1600, pause_s=600, body=SECOND),
    Shot(LAKE, _row("Ravi", "Ida", size=0.31), -0.4, 1600, body=SECOND, edits="other+regions"),
    Shot(LAKE, (Singer("Amara", 0.52, 0.45, 0.38, -8.0, 2.0),), -0.9, 1600, edits="regions"),
    Shot(LAKE, _row("Selma", "Tomas", "Jun", size=0.27), -1.2, 1600, edits="regions"),
)  # fmt: skip
