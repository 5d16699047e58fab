"""One RAW file's metadata without decompressing its pixels."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType

from xmpsync.colour import dng
from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.colour.dng_tags import AS_SHOT_NEUTRAL, BadColourTags
from xmpsync.errors import RawUnreadable
from xmpsync.read import boxes, exif, libraw, limits, tiff
from xmpsync.read.cut_off import ends_too_early
from xmpsync.read.orientation import upright_size, valid_orientation
from xmpsync.records import Capture, Vec3

COPY_AGAIN = "Copy the file again from the card or the backup."

UNIQUE_CAMERA_MODEL, SERIAL_NUMBER = 50708, 50735
DEFAULT_CROP_ORIGIN, DEFAULT_CROP_SIZE, ACTIVE_AREA = 50719, 50720, 50829
OPCODE_LIST_2, OPCODE_LIST_3, NOISE_PROFILE = 51009, 51022, 51041
NO_PROFILE = CameraProfile(calibrations=())


@dataclass(frozen=True, slots=True, eq=False)
class RawHeader:
    """What a RAW file says about itself.

    `dng_tags`: tag number -> numbers, text or bytes, from IFD0 with the raw directory's own tags on top; None where
    the file is no DNG. `raw_tags`: the directory of the sensor's picture alone (levels, areas, opcodes).
    `as_shot_neutral`: the camera value of the white the camera chose, largest 1; None where only LibRaw knows it (then
    it comes with the pixels, `RawImage.as_shot_neutral`) or nobody does. `profile`: of the DNG's colour tags, None
    without usable ones; `colour_problems` are sentences about invalid tags.
    """

    path: Path
    capture: Capture
    unique_camera_model: str = ""
    embedded_xmp: bytes | None = None
    dng_tags: Mapping[int, tiff.TagValue] | None = None
    raw_tags: Mapping[int, tiff.TagValue] = field(default_factory=lambda: MappingProxyType({}))
    profile: CameraProfile | None = None
    as_shot_neutral: Vec3 | None = None
    baseline_exposure_ev: float = 0.0
    colour_problems: tuple[str, ...] = ()
    noise_profile: tuple[float, ...] | None = None
    opcode_list_2: bytes | None = None
    opcode_list_3: bytes | None = None

    @property
    def is_dng(self) -> bool:
        return self.dng_tags is not None


def read_header(path: Path) -> RawHeader:
    """The header of one RAW file; some milliseconds, no pixels. Raises `RawUnreadable` naming the file."""
    try:
        if path.stat().st_size == 0:
            raise RawUnreadable(f"{limits.printable(path)}: the file is empty.", next_step=COPY_AGAIN)
        directories = tiff.read_directories(path)
        if directories is not None and directories.is_dng:
            return _dng_header(path, directories)
        return _maker_header(path, directories)
    except OSError as error:
        raise unreadable_file(path, error) from error


def refuse_cut_off(path: Path) -> None:
    """Raises `RawUnreadable` where what the file points at lies past its end, OSError where it cannot be read."""
    if ends_too_early(path):
        raise RawUnreadable(f"{limits.printable(path)}: the file ends too early.", next_step=COPY_AGAIN)


def unreadable_file(path: Path, error: OSError) -> RawUnreadable:
    """The operating system would not give the file."""
    reason = error.strerror or type(error).__name__
    return RawUnreadable(
        f"{limits.printable(path)}: cannot be read ({reason}).",
        next_step="Check that the file is there and that you may read it, then run the same command again.",
    )


def _dng_header(path: Path, directories: tiff.Directories) -> RawHeader:
    first, raw = directories.first, directories.raw
    if raw is None:
        refuse_cut_off(path)
        raise RawUnreadable(
            f"{limits.printable(path)}: a DNG without a sensor picture; it is damaged or holds a finished picture.",
            next_step=COPY_AGAIN,
        )
    width, height = crop_size(raw)
    orientation = valid_orientation(_whole(tiff.number(first, tiff.ORIENTATION, 1.0)))
    upright_width, upright_height = upright_size(width, height, orientation)
    tags = {**first, **{tag: value for tag, value in raw.items() if tag >= tiff.DNG_VERSION}}
    capture = exif.capture_from_exif(
        exif.read_exif([path]), orientation=orientation, width=upright_width, height=upright_height
    )
    capture = replace(
        capture,
        make=exif.camera_name(tiff.text(first, tiff.MAKE)) or capture.make,
        # without make and model the name that the DNG specification asks for stands for both
        model=exif.camera_name(tiff.text(first, tiff.MODEL))
        or capture.model
        or exif.camera_name(tiff.text(first, UNIQUE_CAMERA_MODEL)),
        serial=capture.serial or exif.short_serial(tiff.text(first, SERIAL_NUMBER)),
    )
    profile, neutral, exposure_ev, problems = _colour(tags)
    return RawHeader(
        path=path,
        capture=capture,
        unique_camera_model=tiff.text(first, UNIQUE_CAMERA_MODEL),
        embedded_xmp=_packet(tiff.blob(first, tiff.XMP)),
        dng_tags=MappingProxyType(tags),
        raw_tags=MappingProxyType(dict(raw)),
        profile=profile,
        as_shot_neutral=neutral,
        baseline_exposure_ev=exposure_ev,
        colour_problems=problems,
        noise_profile=tiff.numbers(tags, NOISE_PROFILE),
        opcode_list_2=tiff.blob(raw, OPCODE_LIST_2),
        opcode_list_3=tiff.blob(raw, OPCODE_LIST_3),
    )


def _maker_header(path: Path, directories: tiff.Directories | None) -> RawHeader:
    geometry = libraw.geometry(path)
    if directories is None:
        embedded = boxes.read_embedded(path)
        tags, packet = exif.read_exif(embedded.exif), embedded.xmp
    else:
        tags, packet = exif.read_exif([path]), tiff.blob(directories.first, tiff.XMP)
    if geometry is None and not tags.tags:
        refuse_cut_off(path)
        raise RawUnreadable(
            f"{limits.printable(path)}: not a RAW file that can be read here, or damaged from its first bytes on.",
            next_step=COPY_AGAIN,
        )
    if geometry is not None:
        orientation, width, height = geometry.orientation, geometry.crop_width, geometry.crop_height
    else:
        orientation = valid_orientation(tags.value("Orientation"))
        width = _whole(tags.number("ExifImageWidth") or 0.0)
        height = _whole(tags.number("ExifImageLength") or 0.0)
    upright_width, upright_height = upright_size(width, height, orientation)
    capture = exif.capture_from_exif(tags, orientation=orientation, width=upright_width, height=upright_height)
    return RawHeader(path=path, capture=capture, embedded_xmp=_packet(packet))


def crop_size(raw: Mapping[int, tiff.TagValue]) -> tuple[int, int]:
    """Stored width and height of a DNG's default crop, in photosites (DNG 1.7, DefaultCropSize)."""
    tags = dict(raw)
    size = tiff.numbers(tags, DEFAULT_CROP_SIZE)
    if size is not None and len(size) == 2 and all(math.isfinite(v) and v >= 1 for v in size):
        return _whole(size[0]), _whole(size[1])
    area = tiff.numbers(tags, ACTIVE_AREA)
    if area is not None and len(area) == 4:
        return _whole(area[3] - area[1]), _whole(area[2] - area[0])
    return _whole(tiff.number(tags, tiff.WIDTH, 0.0)), _whole(tiff.number(tags, tiff.LENGTH, 0.0))


def _colour(tags: Mapping[int, tiff.TagValue]) -> tuple[CameraProfile | None, Vec3 | None, float, tuple[str, ...]]:
    """Profile, as-shot neutral and baseline exposure of DNG tags, each as far as its tags can be meant."""
    problems: list[str] = []
    profile, neutral, exposure_ev = None, None, 0.0
    try:
        profile = dng.profile_from_tags(tags)
    except BadColourTags as error:
        problems.append(str(error))
    try:
        if profile is not None or AS_SHOT_NEUTRAL in tags:
            neutral = dng.as_shot_neutral(tags, profile or NO_PROFILE)
    except BadColourTags as error:
        problems.append(str(error))
    try:
        exposure_ev = dng.baseline_exposure_ev(tags)
    except BadColourTags as error:
        problems.append(str(error))
    return profile, neutral, exposure_ev, tuple(problems)


def _packet(packet: bytes | None) -> bytes | None:
    if packet is None or not packet.strip(b"\0 \r\n\t") or len(packet) > limits.DEFAULT.max_packet_bytes:
        return None
    return packet.rstrip(b"\0")


def _whole(value: float) -> int:
    return round(value) if math.isfinite(value) else 0
