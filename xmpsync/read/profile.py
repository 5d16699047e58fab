"""Where a frame's camera colour comes from, best first, with a sentence where that is second best.

The DNG's own tags; a camera profile file that the user gives (the layout of the DNG specification, chapter "Camera
Profiles": a TIFF directory of profile tags behind a header of its own); LibRaw's table of one daylight matrix per
camera.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from xmpsync.colour import dng
from xmpsync.colour.camera_profile import CameraProfile, ProfileSource
from xmpsync.colour.dng_tags import BadColourTags
from xmpsync.disk.plain import read_named
from xmpsync.errors import WrongUsage
from xmpsync.read import limits, tiff
from xmpsync.read.cameras import TableMatch, listed_name, table_match, table_matrix
from xmpsync.read.header import UNIQUE_CAMERA_MODEL, RawHeader
from xmpsync.read.raw import RawImage

# Byte order and the magic number of a profile file; TIFF's own is 42.
_PROFILE_HEADERS = {b"IIRC": b"II*\0", b"MMCR": b"MM\0*"}
_MAX_PROFILE_BYTES = 256 * 1024 * 1024


@dataclass(frozen=True, slots=True, eq=False)
class CameraProfileFile:
    """One camera profile file: its tags, and the camera it says it is for."""

    path: Path
    unique_camera_model: str
    tags: Mapping[int, tiff.TagValue]


def read_camera_profile(path: Path) -> CameraProfileFile:
    """A camera profile file of the DNG specification. Raises `WrongUsage` where it cannot be used."""
    try:
        data = read_named(path, _MAX_PROFILE_BYTES)
    except OSError as error:
        raise WrongUsage(
            f"{limits.printable(path)}: cannot be read ({error.strerror}).", next_step="Check --camera-profile."
        ) from error
    header = _PROFILE_HEADERS.get(data[:4])
    directories = tiff.read_directories(header + data[4:]) if header else None
    if directories is None:
        raise WrongUsage(
            f"{limits.printable(path)}: not a camera profile file as the DNG specification defines it.",
            next_step="Give --camera-profile a file of that layout (it begins with IIRC or MMCR).",
        )
    tags = MappingProxyType(directories.first)
    try:
        dng.profile_from_tags(tags, source=ProfileSource.PROFILE_FILE)
    except BadColourTags as error:
        raise WrongUsage(
            f"{limits.printable(path)}: cannot be used as a camera profile: {error}.",
            next_step="Export the profile again, or leave out --camera-profile.",
        ) from error
    model = tiff.text(directories.first, UNIQUE_CAMERA_MODEL)
    if not model:
        raise WrongUsage(
            f"{limits.printable(path)}: the profile does not say which camera it is for.",
            next_step="Leave out --camera-profile, or export a profile with UniqueCameraModel.",
        )
    return CameraProfileFile(path, model, tags)


def profile_for(
    header: RawHeader, raw: RawImage | None, camera_profiles: Sequence[CameraProfileFile] = ()
) -> tuple[CameraProfile, str | None]:
    """The frame's camera profile, and a sentence where its colour is less certain than it could be.

    A given profile file that fits the camera wins over LibRaw's table, and over a DNG's tags too: who names a file
    wants it. Without any source the profile has no calibrations and `ProfileSource.NONE`.
    """
    problems = "".join(f" {problem[:1].upper()}{problem[1:]}." for problem in header.colour_problems)
    for given in camera_profiles:
        if dng.is_for_camera(given.tags, header.capture.make, header.capture.model, header.unique_camera_model):
            profile = dng.profile_from_tags(
                given.tags, source=ProfileSource.PROFILE_FILE, calibration_tags=header.dng_tags or {}
            )
            return profile, None
    if header.profile is not None:
        note = f"Some colour tags of the DNG are invalid and left out.{problems}" if problems else None
        return header.profile, note
    name = header.unique_camera_model or " ".join(part for part in (header.capture.make, header.capture.model) if part)
    make, model = header.capture.make, header.capture.model
    # LibRaw itself takes some second names of listed cameras for another model
    matrix = table_matrix(make, model) if listed_name(make, model) is not None else None
    if matrix is None and raw is not None:
        matrix = raw.camera_from_xyz
    if matrix is None:
        matrix = table_matrix(make, model)
    if matrix is not None:
        match = table_match(make, model)
        source = ProfileSource.TABLE_PREFIX if match is TableMatch.PREFIX else ProfileSource.TABLE
        return dng.profile_from_matrix(matrix, name, source), _table_note(name, match, problems)
    return (
        CameraProfile(calibrations=(), source=ProfileSource.NONE, name=name),
        f"No colour matrix is known for {name or 'this camera'}: give one with --camera-profile, or convert the file"
        f" to DNG.{problems}",
    )


def _table_note(name: str, match: TableMatch, problems: str) -> str | None:
    if match is TableMatch.PREFIX:
        return (
            f"{name} is not in the camera table; the matrix of a model whose name it begins with is used, and colours"
            f" may be off: give a profile with --camera-profile, or convert the files to DNG.{problems}"
        )
    return f"The DNG's own colour tags cannot be used; the camera table's matrix is.{problems}" if problems else None
