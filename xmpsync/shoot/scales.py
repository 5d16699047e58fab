"""Which profile each camera has in this shoot: its own, a given one, or the editor's scale learned from pairs.

A scale is an ordinary profile (`xmpsync.colour.scale`): the numbers in a sidecar are read, solved and written through
it, so nothing else needs to know that it was learned.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from xmpsync.colour.camera_profile import CameraProfile, ProfileSource
from xmpsync.colour.dng import is_for_camera
from xmpsync.colour.dng_tags import BadColourTags
from xmpsync.colour.huesat import effect_on_skin, hue_sat_map_from_tags
from xmpsync.colour.scale import Scale, ScalePair, fit_scale, refit
from xmpsync.disk.plain import read_named
from xmpsync.errors import WrongUsage, XmpsyncError
from xmpsync.measurement import AsShotPair, FrameMeasurement
from xmpsync.plan.options import Options
from xmpsync.plan.standing import baseline
from xmpsync.read.header import RawHeader, read_header
from xmpsync.read.profile import CameraProfileFile, profile_for, read_camera_profile
from xmpsync.read.tiff import TagValue
from xmpsync.records import UNKNOWN_CAMERA, Capture
from xmpsync.shoot.load import Loaded
from xmpsync.store.database import Store

SCHEMA = 1
MAX_SCALE_BYTES = 1 << 20
"""A scale takes some hundred bytes for each camera."""

_SOURCES = {
    ProfileSource.DNG_TAGS: "the DNG's own tags",
    ProfileSource.PROFILE_FILE: "the given camera profile",
    ProfileSource.LEARNED: "the scale learned from the editor's own numbers",
    ProfileSource.TABLE: "the decoder's table (one daylight matrix)",
    ProfileSource.TABLE_PREFIX: "the decoder's table, matched by the beginning of the model's name only",
    ProfileSource.NONE: "nowhere: no matrix is known",
}


class ScaleFile(msgspec.Struct, frozen=True):
    """Scales of several cameras as a file, to be used in other shoots."""

    schema: int
    scales: tuple[Scale, ...]


@dataclass(frozen=True, slots=True)
class Scales:
    """The scale of each camera's profile as the files state it."""

    by_profile: Mapping[tuple[str, CameraProfile], Scale]
    remarks: tuple[str, ...] = ()

    def profile_for(self, measurement: FrameMeasurement) -> CameraProfile:
        """The profile that frames of this camera are read, solved and written with."""
        scale = self.by_profile.get((camera_of(measurement.capture), measurement.profile))
        return measurement.profile if scale is None else scale.profile

    def sentences(self) -> list[str]:
        """A sentence for each camera: where its colour comes from, and what was learned."""
        lines = []
        for (camera, _), scale in self.by_profile.items():
            learned = f" ({scale.reason})" if scale.reason else ""
            lines.append(
                f"{camera or UNKNOWN_CAMERA.capitalize()}: colour from {_SOURCES[scale.profile.source]}{learned}."
            )
        return sorted(set(lines)) + list(self.remarks)

    def save(self, path: Path) -> None:
        """Write what was learned as a small file. Raises XmpsyncError where that fails, or nothing was learned."""
        learned = tuple(s for s in self.by_profile.values() if s.profile.source is ProfileSource.LEARNED)
        if not learned:
            raise WrongUsage(
                "No scale was learned: the sidecars hold no numbers for the as-shot white, or they agree already.",
                next_step="docs/editor-scale.md explains how to make such pairs.",
            )
        try:
            path.write_bytes(msgspec.json.format(msgspec.json.encode(ScaleFile(SCHEMA, learned)), indent=1))
        except OSError as error:
            raise XmpsyncError(f"The scale {path} cannot be written: {error.strerror}.") from error


def camera_of(capture: Capture) -> str:
    """Make and model: scales belong to a model, not to one body."""
    return " ".join(part for part in (capture.make, capture.model) if part)


def learn_scales(loaded: Loaded, measured: Mapping[str, FrameMeasurement], options: Options, store: Store) -> Scales:
    """Collect the pairs of the shoot (and keep them), then fit each camera's scale.

    Raises WrongUsage for a scale file or camera profile that cannot be used.
    """
    store.add_pairs(_pairs(loaded, measured))
    pairs = [pair for pair in store.pairs() if pair.frame_id in measured]
    given = {scale.camera: scale for scale in _load(options.scale)}
    files = [read_camera_profile(Path(path)) for path in options.camera_profiles]
    found = {}
    remarks: list[str] = []
    for key, frame_id in _cameras(measured).items():
        camera, stated = key
        base, remark = _base(loaded, frame_id, stated, files)
        remarks += [f"{camera or UNKNOWN_CAMERA.capitalize()}: {remark}"] if remark else []
        own = [
            ScalePair(pair.neutral, pair.temperature_k, pair.tint)
            for pair in pairs
            if (camera_of(measured[pair.frame_id].capture), measured[pair.frame_id].profile) == key
        ]
        if camera in given:
            found[key] = refit(given[camera], own, base) if own else given[camera]
        elif base.calibrations:
            found[key] = fit_scale(own, base, camera=camera)
    return Scales(found, tuple(remarks))


def _cameras(measured: Mapping[str, FrameMeasurement]) -> dict[tuple[str, CameraProfile], str]:
    """Each camera and profile with one frame that shows it."""
    found: dict[tuple[str, CameraProfile], str] = {}
    for frame_id, measurement in measured.items():
        found.setdefault((camera_of(measurement.capture), measurement.profile), frame_id)
    return found


def _base(
    loaded: Loaded, frame_id: str, stated: CameraProfile, files: Sequence[CameraProfileFile]
) -> tuple[CameraProfile, str | None]:
    """The profile as stated by the RAW, or the given file's where that fits the camera; and a remark on its tables."""
    path = next((source.files.raw for source in loaded.frames if source.frame_id == frame_id), None)
    if path is None or (not files and stated.source is not ProfileSource.DNG_TAGS):
        return stated, None
    header = read_header(path)
    profile = stated
    if files:
        found, _ = profile_for(header, None, files)
        profile = found if found.source is ProfileSource.PROFILE_FILE else stated
    tags = header.dng_tags
    if profile.source is ProfileSource.PROFILE_FILE:
        tags = next((f.tags for f in files if is_for_camera(f.tags, *_names(header))), None)
    return profile, _left_out(tags, profile)


def _names(header: RawHeader) -> tuple[str, str, str]:
    return header.capture.make, header.capture.model, header.unique_camera_model


def _left_out(tags: Mapping[int, TagValue] | None, profile: CameraProfile) -> str | None:
    """What leaving out a profile's hue and saturation tables costs on skin; None where it has none."""
    try:
        table = hue_sat_map_from_tags(tags) if tags is not None else None
    except BadColourTags as error:
        return f"hue and saturation tables that cannot be read are left out ({error})."
    if table is None or not profile.calibrations:
        return None
    median, largest = effect_on_skin(table, profile)
    return (
        "the profile's hue and saturation tables are left out; between tungsten and daylight that moves skin by "
        f"{median:.1f} dE00 (at most {largest:.1f})."
    )


def _pairs(loaded: Loaded, measured: Mapping[str, FrameMeasurement]) -> Iterable[AsShotPair]:
    for source in loaded.frames:
        measurement = measured.get(source.frame_id)
        pair = baseline(source.settings, None).pair
        if measurement is not None and measurement.as_shot_neutral is not None and pair is not None:
            yield AsShotPair(source.frame_id, measurement.capture.body, measurement.as_shot_neutral, *pair)


def _load(path: str | None) -> tuple[Scale, ...]:
    if path is None:
        return ()
    try:
        file = msgspec.json.decode(read_named(Path(path), MAX_SCALE_BYTES), type=ScaleFile)
    except OSError as error:
        raise WrongUsage(f"--scale {path}: {error.strerror}.", next_step="Check the name.") from error
    except msgspec.DecodeError as error:
        raise WrongUsage(
            f"--scale {path} is not a scale file ({error}).", next_step="Make one with: xmpsync measure --save-scale"
        ) from error
    if file.schema != SCHEMA:
        raise WrongUsage(f"--scale {path} has schema {file.schema}; this version reads {SCHEMA}.")
    return file.scales
