"""What Exif says about one exposure, through exifread (Exif 2.32, CIPA DC-008)."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO

import exifread

from xmpsync.records import Capture

# Where exifread puts a tag depends on the container: the Exif directory, IFD0, or the first directory of a CMT2 block.
_PLACES = ("EXIF", "Image", "MakerNote")
_FLASH_FIRED_BIT = 1
_UUID = re.compile(r"[0-9a-fA-F]{8}(-?[0-9a-fA-F]{4}){3}-?[0-9a-fA-F]{12}")
_SEE_OTHER_TAGS = 65535


@dataclass(frozen=True, slots=True)
class ExifTags:
    """Raw tags of one or several Exif blocks, first block wins."""

    tags: Mapping[str, Any]

    def value(self, *names: str) -> Any:
        """The first value among these tag names, or None: str, int, or a rational with num and den."""
        for name in names:
            for place in _PLACES:
                tag = self.tags.get(f"{place} {name}")
                if tag is None:
                    continue
                values = getattr(tag, "values", None)
                if isinstance(values, str):
                    if values.strip("\0 "):
                        return values.strip("\0 ")
                elif isinstance(values, list | tuple) and values:
                    return values[0]
        return None

    def all_numbers(self, *names: str) -> list[float]:
        """The finite numbers of these tags, every item of a list, in the order asked for."""
        found = []
        for name in names:
            for place in _PLACES:
                values = getattr(self.tags.get(f"{place} {name}"), "values", None)
                found += [float(v) for v in values if isinstance(v, int)] if isinstance(values, list | tuple) else []
        return found

    def identifier(self, *names: str) -> str | None:
        """A text or a whole number that names something, or None: also for texts of nothing but zeros."""
        value = self.value(*names)
        text = str(value).strip() if isinstance(value, str | int) else ""
        return text if text.strip("0 .-") and text.isprintable() else None

    def number(self, *names: str) -> float | None:
        """A finite number, or None."""
        value = self.value(*names)
        try:
            result = float(value.num) / float(value.den) if hasattr(value, "num") else float(value)
        except (TypeError, ValueError, ZeroDivisionError):
            return None
        return result if math.isfinite(result) else None

    def positive(self, *names: str) -> float | None:
        """A finite number above zero, or None: cameras write 0 for `unknown`."""
        value = self.number(*names)
        return value if value is not None and value > 0 else None

    def text(self, *names: str) -> str | None:
        value = self.value(*names)
        return value if isinstance(value, str) else None


def read_exif(sources: Iterable[Path | bytes]) -> ExifTags:
    """The tags of all sources together; damaged blocks give what they can. OSError where a file cannot be read."""
    kept = tuple(sources)
    found = ExifTags(_together(kept, details=False))
    if serial_of(found) is None or iso_of(found) is None:
        # maker notes cost some milliseconds, so that only these are taken from them, where Exif has none
        notes = _together(kept, details=True)
        return ExifTags({**{name: tag for name, tag in notes.items() if name.startswith("MakerNote ")}, **found.tags})
    return found


def _together(sources: Iterable[Path | bytes], *, details: bool) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for source in sources:
        if isinstance(source, bytes):
            block = _tags(io.BytesIO(source), details=details)
        else:
            with source.open("rb") as file:
                block = _tags(file, details=details)
        for name, tag in block.items():
            found.setdefault(name, tag)
    return found


def serial_of(exif: ExifTags) -> str | None:
    """The body's serial number from Exif, else from the maker note; None where neither holds one."""
    return short_serial(
        exif.identifier("BodySerialNumber", "SerialNumber", "CameraSerialNumber", "InternalSerialNumber")
    )


def short_serial(text: str | None) -> str | None:
    """A serial number that a person can read: of a UUID (RFC 9562) its first group; None for nothing."""
    return (text[:8] if _UUID.fullmatch(text) else text) if text else None


def camera_name(text: str | None) -> str:
    """A maker's or a model's name; empty where the text is none: absent, or a UUID in the place of a name."""
    return "" if text is None or _UUID.fullmatch(text.strip()) else text


def iso_of(exif: ExifTags) -> float | None:
    """The sensitivity. 65535 in the first tag refers to the others (Exif 2.32, PhotographicSensitivity); 0 is unknown;
    some maker notes hold a list of which only one item is a sensitivity."""
    values = exif.all_numbers(
        "ISOSpeedRatings",
        "PhotographicSensitivity",
        "RecommendedExposureIndex",
        "StandardOutputSensitivity",
        "ISOSpeed",
        "ISOSetting",
    )
    return next((value for value in values if 0 < value != _SEE_OTHER_TAGS), None)


def _tags(file: BinaryIO, *, details: bool) -> dict[str, Any]:
    try:
        return dict(exifread.process_file(file, details=details, extract_thumbnail=False))
    except OSError:
        raise
    except Exception:  # exifread raises many kinds on damaged files
        return {}


def capture_from_exif(exif: ExifTags, *, orientation: int, width: int, height: int) -> Capture:
    """The capture record; `width` and `height` are of the upright picture."""
    flash = exif.number("Flash")
    return Capture(
        make=camera_name(exif.text("Make")),
        model=camera_name(exif.text("Model")),
        serial=serial_of(exif),
        lens=exif.text("LensModel"),
        time_s=time_s(
            exif.text("DateTimeOriginal", "DateTimeDigitized", "DateTime"),
            exif.text("SubSecTimeOriginal", "SubSecTimeDigitized", "SubSecTime"),
        ),
        utc_offset_s=utc_offset_s(exif.text("OffsetTimeOriginal", "OffsetTimeDigitized", "OffsetTime")),
        exposure_s=exif.positive("ExposureTime"),
        f_number=exif.positive("FNumber"),
        iso=iso_of(exif),
        focal_mm=exif.positive("FocalLength"),
        flash_fired=None if flash is None else bool(int(flash) & _FLASH_FIRED_BIT),
        orientation=orientation,
        width=width,
        height=height,
    )


def time_s(date_time: str | None, sub_seconds: str | None = None) -> float | None:
    """Seconds since 1970 of an Exif `YYYY:MM:DD HH:MM:SS` read as if it were UTC, plus the sub-second digits.

    None where the camera's clock was never set (zeros, blanks) or the text is damaged.
    """
    if not date_time:
        return None
    digits = date_time.strip().replace("-", ":").replace("T", " ")[:19]
    try:
        whole = datetime.strptime(digits, "%Y:%m:%d %H:%M:%S").replace(tzinfo=UTC).timestamp()
    except ValueError:
        return None
    fraction = (sub_seconds or "").strip("\0 ")
    return whole + (float(f"0.{fraction}") if fraction.isascii() and fraction.isdigit() else 0.0)


def utc_offset_s(text: str | None) -> float | None:
    """Seconds of an Exif offset `+HH:MM`; None where it is absent or damaged."""
    try:
        offset = datetime.strptime((text or "").strip(), "%z").utcoffset()
    except ValueError:
        return None
    return None if offset is None else offset.total_seconds()
