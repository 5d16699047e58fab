"""Make one shoot of relit portraits: DNG frames under nine lights, with what is true about every face."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter, zoom

from benchmarks.whole_shoot.portraits import NAMES, Portrait, portrait, srgb_basis
from demo_shoot.dng import DngExif, DngProfile, mosaic_from_rgb, write_dng
from demo_shoot.dng_model import Profile, difference, render, solve, temperature_tint_from_xy, xy_from_neutral
from demo_shoot.packets import Edits, FaceRegion, packet
from demo_shoot.picture import lit_skin
from demo_shoot.skin_model import skin_reflectance
from demo_shoot.spectra import (
    CAMERAS,
    WAVELENGTH_NM,
    band_reflectance,
    camera_matrices,
    camera_response,
    cie_light,
    daylight,
    filtered,
    flat_reflectance,
    sensitivity,
)

WIDTH, HEIGHT = 1536, 1024
BLACK, WHITE = 512, 15871
WHITE_SHARE = 0.6
START = datetime(2032, 5, 1, 9, 30, 0)
BURST_STEP_S = 0.2
_STATE_STEP = 0.05


@dataclass(frozen=True, eq=False)
class Light:
    """One light: spectrum, illuminance relative to daylight, how much of its colour the camera's auto white removes."""

    name: str
    spectrum: np.ndarray
    level: float
    auto: float
    flash: bool = False
    error_ev: float = 0.0
    backdrop: float = 0.5


def lights() -> tuple[Light, ...]:
    """The nine lights; the first is the reference's."""
    flash = daylight(5900.0)
    magenta = filtered(flash, 1.0 - 0.35 * np.exp(-0.5 * ((WAVELENGTH_NM - 545.0) / 35.0) ** 2))
    green = filtered(cie_light("FL2"), 0.7 + 0.3 * band_reflectance(0.0, 1.0, 540.0, 45.0))
    return (
        Light("daylight", daylight(5400.0), 1.0, 0.85),
        Light("shade", daylight(9500.0), 0.4, 0.5),
        Light("tungsten", cie_light("A"), 0.02, 0.45),
        Light("phosphor led", cie_light("LED-B3"), 0.05, 0.7),
        Light("warm led", cie_light("LED-B1"), 0.03, 0.55),
        Light("green lamp", green, 0.04, 0.45),
        Light("magenta cast", magenta, 0.1, 0.3),
        Light("flash", flash, 0.1, 0.0, flash=True),
        Light("backlight", daylight(6300.0), 0.6, 0.6, error_ev=-3.0, backdrop=5.0),
    )


@dataclass(frozen=True)
class Person:
    """One person made from a portrait: which, mirrored or not, how wide, and whose skin."""

    name: str
    picture: str
    mirrored: bool
    stretch: float
    melanin: float
    blood: float


@dataclass(frozen=True, eq=False)
class TrueFace:
    """What is true of one face: noise-free lit skin in the frame, and the XYZ D50 it has in the reference."""

    person: str
    skin: np.ndarray
    target_xyz: np.ndarray
    box: tuple[float, float, float, float]
    in_reference: bool


@dataclass(frozen=True, eq=False)
class TrueFrame:
    """One frame's truth: faces, as-shot numbers and those of a perfect grey card."""

    name: str
    light: str
    profile: Profile
    faces: tuple[TrueFace, ...]
    as_shot: tuple[float, float]
    grey_card: tuple[float, float]
    is_reference: bool = False
    ideal: tuple[float, float, float] = (float("nan"), 0.0, 0.0)
    """Temperature, tint and EV that bring everybody's skin in this frame's light to its reference, the median."""
    run: int = 0
    """Which run of frames under one light."""
    body: int = 0


@dataclass(frozen=True)
class Options:
    """What kind of shoot. `regions` is "none", "some" or "all" sidecars with named faces.

    `told`: which colour tags the DNG files hold, beside an editor that always renders with two calibrations: "both" of
    them, "single" (the daylight matrix alone) or "none" (the decoder's table by the camera's name; wants `cameras`).
    `pairs`: sidecars hold that editor's numbers for the as-shot white, as multiples of so many kelvin; 0 for none.

    `frames` are compositions; each is taken `burst` times, with new noise only. `state_de`: blush and tan of one face
    in one composition, root mean square in CIEDE2000; `side_ev`: how much brighter one half of a face is, standard
    deviation, either side by turns; `no_face`: part of the compositions without people.
    """

    frames: int = 48
    seed: int = 1
    people: int = 5
    bodies: int = 1
    regions: str = "none"
    sensitivities: Path | None = None
    cameras: tuple[str, ...] = field(default=())
    burst: int = 1
    state_de: float = 0.0
    side_ev: float = 0.5
    no_face: float = 0.1
    told: str = "both"
    pairs: int = 0


@lru_cache(maxsize=8)
def _invented_sensitivity(seed: int) -> np.ndarray:
    """A body like a measured one, with filters shifted and leaking a little."""
    rng = np.random.default_rng([77, seed])
    base = sensitivity(CAMERAS[0])
    shifted = np.stack(
        [np.interp(WAVELENGTH_NM - rng.normal(0, 4), WAVELENGTH_NM, base[:, channel]) for channel in range(3)], axis=-1
    )
    leak = np.eye(3) + 0.05 * rng.random((3, 3)) * (1 - np.eye(3))
    return shifted @ leak.T * rng.uniform([0.85, 1.0, 0.85], [1.1, 1.0, 1.1])


def body_sensitivities(options: Options) -> list[np.ndarray]:
    """(n, 3) sensitivities of the bodies of this shoot: from a file of measured ones, or near colour-science's."""
    if options.sensitivities is not None:
        with np.load(options.sensitivities) as data:
            names = [str(name) for name in data["name"]]
            table = data["sensitivity_rgb"].clip(0.0, None)
            wavelengths = data["wavelength_nm"]
        rng = np.random.default_rng([5, options.seed])
        chosen = [names.index(n) for n in options.cameras] or list(
            rng.choice(len(names), options.bodies, replace=False)
        )
        return [
            np.stack([np.interp(WAVELENGTH_NM, wavelengths, table[i, :, c]) for c in range(3)], axis=-1) for i in chosen
        ]
    return [sensitivity(CAMERAS[0]) if i == 0 and options.seed % 2 else _invented_sensitivity(options.seed * 10 + i)
            for i in range(options.bodies)]  # fmt: skip


def people_of(options: Options, rng: np.random.Generator) -> list[Person]:
    """People from very light to very dark skin, each clearly apart from the others."""
    melanin = np.geomspace(0.013, 0.14, options.people) * rng.uniform(0.93, 1.07, options.people)
    return [
        Person(
            f"person {chr(65 + i)}",
            NAMES[i % 2],
            bool((i // 2) % 2),
            float(rng.uniform(0.93, 1.07)),
            float(melanin[i]),
            float(rng.uniform(0.009, 0.016)),
        )
        for i in range(options.people)
    ]


def make_shoot(folder: Path, options: Options) -> list[TrueFrame]:
    """Write the frames into `folder`; the frame flagged `is_reference` is the one to name."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([11, options.seed])
    people = people_of(options, rng)
    bodies = [(s, _profile(s)) for s in body_sensitivities(options)]
    plan = _plan(options, people, rng)
    times, body_of, when = [], [], START
    for _, _, new_light in plan:
        when += timedelta(seconds=float(rng.uniform(300, 900) if new_light else rng.uniform(1, 25)))
        times.append(when)
        when += timedelta(seconds=BURST_STEP_S * (options.burst - 1))
        body_of.append(int(rng.integers(len(bodies))))
    most = min(3, options.people)
    reference_at = next(
        i for i, (light, shown, _) in enumerate(plan) if light.name == "daylight" and len(shown) == most
    )
    body_of[reference_at] = 0
    made = []
    for index, (light, shown, _) in enumerate(plan):
        camera, profile = bodies[body_of[index]]
        paths = [folder / f"{_name(index * options.burst + k)}.dng" for k in range(options.burst)]
        made.append(
            _frames(
                paths, light, shown, camera, profile, body_of[index], times[index],
                np.random.default_rng([11, options.seed, index]), options, index == reference_at,
            )
        )  # fmt: skip
    targets = _targets(people, bodies[0], made[reference_at])
    in_reference = {name for name, _, _ in made[reference_at].faces}
    runs = np.cumsum([new for _, _, new in plan])
    out = []
    for index, (light, _, _) in enumerate(plan):
        one, (camera, profile) = made[index], bodies[body_of[index]]
        faces = tuple(TrueFace(n, skin, targets[n], box, n in in_reference) for n, skin, box in one.faces)
        asked = [solve(profile, one.gain * _even_skin(p, light.name, camera), targets[p.name]) for p in people]
        kelvin, tint, ev = (float(v) for v in np.median(asked, axis=0))
        for k in range(options.burst):
            out.append(
                TrueFrame(
                    _name(index * options.burst + k), light.name, profile, faces, one.as_shot, one.grey_card,
                    index == reference_at and k == 0, (kelvin, tint, ev), int(runs[index]), body_of[index],
                )
            )  # fmt: skip
    return out


def _name(index: int) -> str:
    return f"frame_{index + 1:03d}"


def _targets(people: list[Person], body: tuple[np.ndarray, Profile], reference: _MadeFrame) -> dict[str, np.ndarray]:
    """XYZ D50 of everybody, in the picture or not, as the reference frame's light, exposure and white show them."""
    camera, profile = body
    shown = {name: skin for name, skin, _ in reference.faces}
    targets = {}
    for person in people:
        skin = shown.get(person.name, _even_skin(person, lights()[0].name, camera) * reference.gain)
        targets[person.name] = render(profile, skin, *reference.as_shot, 0.0)
    return targets


def _even_skin(person: Person, light: str, camera: np.ndarray) -> np.ndarray:
    """(3,) lit skin of a person without state and side light, in units of the light."""
    drawn = portrait(person.picture, 200, person.mirrored, round(person.stretch, 2))
    spectrum = next(one.spectrum for one in lights() if one.name == light)
    return lit_skin(_relit(drawn, person, spectrum, camera)[drawn.judged])


def _in_state(person: Person, state_de: float, rng: np.random.Generator) -> Person:
    """The same person flushed or pale, tanned or made up: as far as `state_de` in the root mean square."""
    steps = rng.normal(0.0, state_de / np.sqrt(2), 2)
    melanin, blood = (
        _STATE_STEP / _state_de(person.melanin, person.blood, *change)
        for change in ((_STATE_STEP, 0.0), (0.0, _STATE_STEP))
    )
    return replace(
        person,
        melanin=person.melanin * float(np.exp(steps[0] * melanin)),
        blood=person.blood * float(np.exp(steps[1] * blood)),
    )


@lru_cache(maxsize=64)
def _state_de(melanin: float, blood: float, d_melanin: float, d_blood: float) -> float:
    """CIEDE2000 at equal luminance of a change of ln melanin and ln blood, in daylight, by a measured body."""
    camera = sensitivity(CAMERAS[0])
    profile, light = _profile(camera), daylight(5500.0)
    flat = camera_response(light, flat_reflectance(1.0), camera)
    white = temperature_tint_from_xy(xy_from_neutral(profile, flat / flat.max()))
    one, other = (
        render(profile, camera_response(light, skin_reflectance(WAVELENGTH_NM, m, b), camera), *white, 0.0)
        for m, b in ((melanin, blood), (melanin * np.exp(d_melanin), blood * np.exp(d_blood)))
    )
    return difference(other, one)[0]


def _side_light(width: int, face_box: tuple[float, float, float, float], side_ev: float) -> np.ndarray:
    """(1, w, 1) gain of a light that makes one half of the face `side_ev` brighter than the other."""
    left, _, right, _ = face_box
    middle, half = (left + right) / 2, (right - left) / 4
    x = ((np.arange(width) + 0.5) / width - middle) / half
    return (2.0 ** (0.5 * side_ev * np.clip(x, -2.0, 2.0)))[None, :, None].astype(np.float32)


def _base(person: Person) -> np.ndarray:
    return skin_reflectance(WAVELENGTH_NM, person.melanin, person.blood)


def _plan(options: Options, people: list[Person], rng: np.random.Generator) -> list[tuple[Light, list[Person], bool]]:
    """Runs of frames under one light; every light comes at least once."""
    order: list[Light] = []
    all_lights = lights()
    runs = [all_lights[i] for i in rng.permutation(len(all_lights))]
    per_run = max(2, options.frames // (len(runs) + 2))
    while sum(1 for _ in order) < options.frames:
        if not runs:
            runs = [all_lights[int(rng.integers(len(all_lights)))]]
        order += [runs.pop()] * max(2, per_run + int(rng.integers(-1, 2)))
    order = order[: options.frames]
    plan = []
    have_group = False
    for index, light in enumerate(order):
        new = index == 0 or order[index - 1] is not light
        count = int(rng.choice([1, 1, 2, 2, 3]))
        if light is all_lights[0] and not have_group:
            count, have_group = 3, True
        elif rng.random() < options.no_face:
            count = 0
        shown = [people[i] for i in rng.choice(len(people), min(count, len(people)), replace=False)]
        plan.append((light, shown, new))
    if not have_group:
        plan[0] = (all_lights[0], people[:3], True)
    return plan


@dataclass(frozen=True, eq=False)
class _MadeFrame:
    faces: tuple[tuple[str, np.ndarray, tuple[float, float, float, float]], ...]
    as_shot: tuple[float, float]
    grey_card: tuple[float, float]
    gain: float


def _frames(
    paths: list[Path],
    light: Light,
    shown: list[Person],
    camera: np.ndarray,
    profile: Profile,
    body: int,
    when: datetime,
    rng: np.random.Generator,
    options: Options,
    is_reference: bool,
) -> _MadeFrame:
    """Write one composition as often as there are paths: what it shows is drawn once, its noise each time."""
    picture = _backdrop(light, camera, rng)
    faces = []
    for index, person in enumerate(shown):
        face_height = (
            int(rng.uniform(0.16, 0.24) * HEIGHT) if len(shown) == 3 else int(rng.uniform(0.18, 0.32) * HEIGHT)
        )
        drawn = portrait(person.picture, face_height - face_height % 8, person.mirrored, round(person.stretch, 2))
        even = lit_skin(_relit(drawn, person, light.spectrum, camera)[drawn.judged])
        colour = _relit(drawn, _in_state(person, options.state_de, rng), light.spectrum, camera)
        colour = colour * _side_light(colour.shape[1], drawn.face_box, options.side_ev * float(rng.normal()))
        slot = WIDTH / len(shown)
        left = round(slot * (index + 0.5) - colour.shape[1] / 2 + rng.uniform(-0.04, 0.04) * slot)
        top = HEIGHT - colour.shape[0] - round(rng.uniform(0.0, 0.12) * HEIGHT)
        _lay(picture, colour, drawn.alpha, left, top)
        # True skin has the level that shows, and the person's own colour without state and side.
        skin = even * lit_skin(colour[drawn.judged])[1] / even[1]
        x0, y0, x1, y1 = drawn.face_box
        height, width = colour.shape[:2]
        box = (
            (left + x0 * width) / WIDTH,
            (top + y0 * height) / HEIGHT,
            (x1 - x0) * width / WIDTH,
            (y1 - y0) * height / HEIGHT,
        )
        faces.append((person.name, skin, box))
    error = light.error_ev + (0.0 if is_reference else float(rng.normal(0.0, 0.35)))
    iso = int(rng.choice([100, 200])) if light.level > 0.3 or light.flash else int(rng.choice([800, 1600, 3200]))
    f_number = float(rng.choice([2.0, 2.8, 4.0]))
    if light.flash:
        exposure_s, gain = 1 / 160, WHITE_SHARE * 2.0 ** float(rng.normal(0.0, 0.4))
    else:
        wanted = f_number**2 / (light.level * iso) * 0.05
        exposure_s = wanted * 2.0 ** (round(error * 3.0) / 3.0)
        gain = WHITE_SHARE * exposure_s / wanted * 2.0 ** float(rng.normal(0.0, 0.03))
    picture *= np.float32(gain)
    flat = camera_response(light.spectrum, flat_reflectance(1.0), camera)
    plain = camera_response(daylight(5500.0), flat_reflectance(1.0), camera)
    neutral = np.exp(light.auto * np.log(flat) + (1 - light.auto) * np.log(plain) + rng.normal(0.0, 0.03, 3))
    neutral = np.round(neutral / neutral.max(), 6)
    scale, offset = iso / 100.0 / 40000.0, (3.0 * iso / 100.0 / 40000.0) ** 2
    mosaic = mosaic_from_rgb(picture)
    noise_sd = np.sqrt(scale * mosaic.clip(0, None) + offset)
    as_shot = temperature_tint_from_xy(xy_from_neutral(profile, neutral))
    with_regions = options.regions == "all" or (options.regions == "some" and rng.random() < 0.4)
    preview = _small(picture, neutral)
    make, model = _names(options, body)
    for k, path in enumerate(paths):
        noisy = mosaic + noise_sd * rng.standard_normal(mosaic.shape, dtype=np.float32)
        data = np.clip(np.round(BLACK + noisy * (WHITE - BLACK)), 0, WHITE).astype(np.uint16)
        write_dng(
            path,
            data,
            profile=replace(_colour_tags(profile, options.told), as_shot_neutral=neutral.tolist(),
                            noise_profile=[(scale, offset)] * 3),
            exif=DngExif(
                time=when + timedelta(seconds=BURST_STEP_S * k), exposure_s=exposure_s, f_number=f_number, iso=iso,
                focal_mm=85.0, flash_fired=light.flash, serial=f"B{body}",
            ),
            black=BLACK, white=WHITE, make=make, model=model, preview_rgb=preview,
        )  # fmt: skip
        if with_regions or options.pairs:
            regions = [FaceRegion(name, box) for name, _, box in faces] if with_regions else []
            kelvin = options.pairs * round(as_shot[0] / options.pairs) if options.pairs else None
            edits = Edits(regions=regions, rating=3, as_shot=None if kelvin is None else (kelvin, round(as_shot[1])))
            path.with_suffix(".xmp").write_bytes(packet(edits, width=WIDTH, height=HEIGHT, raw_name=path.name))
    grey_card = temperature_tint_from_xy(xy_from_neutral(profile, flat / flat.max()))
    return _MadeFrame(tuple((name, skin * gain, box) for name, skin, box in faces), as_shot, grey_card, gain)


def _colour_tags(profile: Profile, told: str) -> DngProfile:
    """What the file says about colour; the editor knows `profile` in any case."""
    assert profile.fm is not None
    if told == "none":
        return DngProfile(illuminant_1=None, illuminant_2=None)
    if told == "single":
        return DngProfile(color_matrix_1=profile.cm[1], illuminant_1=21, illuminant_2=None)
    return DngProfile(
        color_matrix_1=profile.cm[0], color_matrix_2=profile.cm[1],
        forward_matrix_1=profile.fm[0], forward_matrix_2=profile.fm[1],
    )  # fmt: skip


def _names(options: Options, body: int) -> tuple[str, str]:
    if options.told != "none":
        return "Bench Optics", f"Body {body}"
    make, _, model = options.cameras[body].partition("_")
    return make, f"{make} {model.replace('_', ' ')}"


def _relit(drawn: Portrait, person: Person, light: np.ndarray, camera: np.ndarray) -> np.ndarray:
    """float32 (h, w, 3): the portrait's shading on this person's skin, everything else as it was, under the light."""
    pale = camera_response(light, _base(person), camera)
    red = camera_response(light, skin_reflectance(WAVELENGTH_NM, person.melanin, 1.8 * person.blood), camera)
    skin = drawn.shading[..., None] * (pale + drawn.flush[..., None] * (red - pale)) * 0.75
    rest = drawn.other @ camera_response(light, srgb_basis(), camera)
    return (drawn.skin[..., None] * skin + (1 - drawn.skin[..., None]) * rest).astype(np.float32)


def _backdrop(light: Light, camera: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A mottled wall of some colour under the same light; bright behind a backlit subject."""
    tint = rng.uniform(0.25, 0.6, 3)
    surface = camera_response(light.spectrum, tint @ srgb_basis(), camera)
    mottle = zoom(gaussian_filter(rng.standard_normal((10, 14)), 1.0), (HEIGHT / 10, WIDTH / 14), order=1)[
        :HEIGHT, :WIDTH
    ]
    shade = light.backdrop * (1.0 + 0.4 * mottle).clip(0.2, None)
    return (shade[..., None] * surface).astype(np.float32)


def _lay(picture: np.ndarray, colour: np.ndarray, alpha: np.ndarray, left: int, top: int) -> None:
    below = max(0, HEIGHT - top - colour.shape[0])
    colour = np.concatenate([colour, np.repeat(colour[-1:], below, axis=0)])
    alpha = np.concatenate([alpha, np.repeat(alpha[-1:], below, axis=0)])[..., None].astype(np.float32)
    y0, x0, x1 = max(0, top), max(0, left), min(WIDTH, left + colour.shape[1])
    part = np.s_[y0 - top : HEIGHT - top, x0 - left : x1 - left]
    picture[y0:, x0:x1] = picture[y0:, x0:x1] * (1 - alpha[part]) + colour[part] * alpha[part]


def _small(picture: np.ndarray, neutral: np.ndarray) -> np.ndarray:
    """A preview: balanced camera values through a gamma, half size."""
    balanced = picture[::2, ::2] / neutral.astype(np.float32) * 1.4
    return np.round(255.0 * balanced.clip(0.0, 1.0) ** (1 / 2.2)).astype(np.uint8)


def _profile(camera: np.ndarray) -> Profile:
    both = [camera_matrices(camera, cie_light(name)) for name in ("A", "D65")]
    return Profile(
        cm=np.round(np.stack([one.camera_from_xyz for one in both]), 6),
        fm=np.round(np.stack([one.xyz_d50_from_balanced for one in both]), 6),
    )
