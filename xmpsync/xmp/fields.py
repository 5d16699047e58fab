"""The one table of which logical field is which property.

Another namespace is added as data: a row per field. Sources: XMP specification part 2, 3.3 (Camera raw schema) for
Temperature, Tint, WhiteBalance, Exposure, HasSettings; `Exposure2012` and `ProcessVersion` are not published there:
they are names seen in files and listed by metadata libraries.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

from xmpsync.records import EXPOSURE_RANGE_EV, TEMPERATURE_RANGE_K, TINT_RANGE
from xmpsync.xmp import names


class Field(enum.Enum):
    """What we write."""

    TEMPERATURE = "temperature"
    TINT = "tint"
    WHITE_BALANCE = "white balance"
    EXPOSURE2012 = "exposure"
    EXPOSURE = "exposure (older process)"


class Form(enum.Enum):
    """How a number is written."""

    UNSIGNED_INTEGER = "5200"
    SIGNED_INTEGER = "+7"
    """With a sign, except 0."""
    SIGNED_CENTI = "+0.35"
    """Two decimals and a sign, except 0.00."""
    CHOICE = "Custom"


@dataclass(frozen=True, slots=True)
class FieldRow:
    """One property of ours.

    `lowest` and `highest` bound what we write, `read_lowest` and `read_highest` what is believed when read.
    """

    field: Field
    uri: str
    local: str
    form: Form
    lowest: float = 0.0
    highest: float = 0.0
    read_lowest: float = 0.0
    read_highest: float = 0.0

    @property
    def name(self) -> str:
        return names.expanded(self.uri, self.local)


FIELD_TABLE = (
    # part 2, 3.3: Integer 2000..50000
    FieldRow(
        Field.TEMPERATURE,
        names.CAMERA_RAW,
        "Temperature",
        Form.UNSIGNED_INTEGER,
        *TEMPERATURE_RANGE_K,
        *TEMPERATURE_RANGE_K,
    ),
    # part 2, 3.3: Integer -150..150
    FieldRow(Field.TINT, names.CAMERA_RAW, "Tint", Form.SIGNED_INTEGER, *TINT_RANGE, *TINT_RANGE),
    # part 2, 3.3: closed choice
    FieldRow(Field.WHITE_BALANCE, names.CAMERA_RAW, "WhiteBalance", Form.CHOICE),
    # not published; written as Exposure is, values up to 5 EV are seen in files
    FieldRow(Field.EXPOSURE2012, names.CAMERA_RAW, "Exposure2012", Form.SIGNED_CENTI, *EXPOSURE_RANGE_EV, -5, 5),
    # part 2, 3.3: Real -4.0..4.0
    FieldRow(Field.EXPOSURE, names.CAMERA_RAW, "Exposure", Form.SIGNED_CENTI, *EXPOSURE_RANGE_EV, *EXPOSURE_RANGE_EV),
)
ROWS = {row.field: row for row in FIELD_TABLE}

CUSTOM = "Custom"
"""WhiteBalance once numbers are written (part 2, 3.3)."""

HAS_SETTINGS = names.expanded(names.CAMERA_RAW, "HasSettings")
PROCESS_VERSION = names.expanded(names.CAMERA_RAW, "ProcessVersion")
NEW_PROCESS_VERSION = "11.0"
"""Process version put in where there is none (not published): one of those seen in files beside Exposure2012."""
OLDEST_PROCESS_VERSION = "5.0"
"""The same where the packet holds plain Exposure without a process version: the lowest one seen in files beside it."""
EXPOSURE2012_FROM_PROCESS = (6, 7)
"""Exposure2012 is seen with this process version (major, minor) and later ones (not published)."""
OLDER_PROCESS_MAJOR = 5
"""Plain Exposure is seen with process versions 5.x (not published)."""

IN_FORCE = (HAS_SETTINGS, PROCESS_VERSION)
"""Without these two a reader may ignore our numbers, or take them for those of another process."""

SUBJECT = names.expanded(names.DC, "subject")
RATING = names.expanded(names.XMP, "Rating")
MODEL = names.expanded(names.TIFF, "Model")
"""The camera's model (XMP part 2, Exif schemas for TIFF properties)."""
LABEL = names.expanded(names.XMP, "Label")
METADATA_DATE = names.expanded(names.XMP, "MetadataDate")

SIMPLE_NAMES = frozenset({row.name for row in FIELD_TABLE} | {HAS_SETTINGS, PROCESS_VERSION, METADATA_DATE})
"""Properties that must be plain values, or the packet is refused."""


def formatted(field: Field, value: float) -> str:
    """The text of a number in its field's form. Raises ValueError outside the field's range or for no number."""
    row = ROWS[field]
    if not row.lowest <= value <= row.highest:
        raise ValueError(f"{row.local} must be {row.lowest:g}..{row.highest:g}, not {value}")
    if row.form is Form.SIGNED_CENTI:
        centi = round(value * 100)
        sign = "" if centi == 0 else "-" if centi < 0 else "+"
        return f"{sign}{abs(centi) // 100}.{abs(centi) % 100:02d}"
    whole = round(value)
    if row.form is Form.SIGNED_INTEGER:
        return f"{whole:+d}" if whole else "0"
    return str(whole)
