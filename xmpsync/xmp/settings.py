"""What a packet says about the development of its frame, and what there would make our numbers mean something else."""

from __future__ import annotations

import enum
from dataclasses import dataclass, field

from xmpsync.xmp import fields, names
from xmpsync.xmp.fields import ROWS, Field, Form
from xmpsync.xmp.looks import PLAIN, Look, read_look
from xmpsync.xmp.numbers import boolean, integer, real
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.rdf import Kind

SETTINGS_VERSION = 1
"""Raise it when the same packet is understood in another way: what is remembered of sidecars (settings and regions) is
read again then."""


class ExposureField(enum.Enum):
    """Which property holds, or would hold, the exposure of this packet."""

    EXPOSURE2012 = "Exposure2012"
    EXPOSURE = "Exposure"
    UNCLEAR = "unclear"


class Meaning(enum.Enum):
    """Why the numbers of a packet mean something else than usual; the value is a stable code."""

    RELATIVE_WHITE_BALANCE = "relative-white-balance"
    ALREADY_APPLIED = "already-applied"
    EXPOSURE_UNCLEAR = "exposure-field-unclear"
    AUTO_EXPOSURE = "auto-exposure"
    OLDER_PROCESS = "older-process"
    TWO_EXPOSURES = "two-exposures"
    SETTINGS_OFF = "settings-off"


@dataclass(frozen=True, slots=True)
class AltersMeaning:
    """One such reason. `skip`: a result written here would be wrong, so the frame is left alone."""

    code: Meaning
    sentence: str
    skip: bool


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A number that is no legal XMP number, or out of its range: read as unknown."""

    name: str
    text: str
    sentence: str


@dataclass(frozen=True, slots=True)
class DevelopSettings:
    """The settings a packet holds; None where it does not say, or says no legal number (see `unreadable`).

    Temperature in kelvin, exposure in EV. `exposure_ev` comes from the property that `exposure_field` names.
    `camera_model`: tiff:Model, the camera that the packet was made for. `look` is compared by
    `xmpsync.xmp.looks.difference`, not by equality.
    """

    temperature_k: float | None
    tint: float | None
    white_balance: str | None
    exposure_ev: float | None
    exposure_field: ExposureField
    process_version: str | None
    has_settings: bool | None
    rating: int | None
    label: str | None
    keywords: tuple[str, ...]
    raw_file_name: str | None
    alters_meaning: tuple[AltersMeaning, ...]
    unreadable: tuple[Unreadable, ...]
    camera_model: str | None = None
    look: Look = field(default=PLAIN, compare=False)

    @property
    def skip(self) -> bool:
        """Whether a result written here would be wrong."""
        return any(reason.skip for reason in self.alters_meaning)


def _crs(local: str) -> str:
    return names.expanded(names.CAMERA_RAW, local)


def exposure_field(packet: Packet) -> ExposureField:
    """Which property the exposure of this packet belongs in. The names and versions are those seen in files.

    | process version | Exposure2012 held | Exposure held | field |
    | --- | --- | --- | --- |
    | 6.7 and later | any | any | Exposure2012 |
    | 5.x | any | any | Exposure |
    | none | any | no | Exposure2012 |
    | none | no | yes | Exposure: the published schema, written before process versions existed |
    | none | yes | yes | unclear |
    | any other | any | any | unclear |
    """
    newer = ROWS[Field.EXPOSURE2012].name in packet.properties
    older = ROWS[Field.EXPOSURE].name in packet.properties
    version = packet.text(fields.PROCESS_VERSION)
    if version is None:
        if newer and older:
            return ExposureField.UNCLEAR
        return ExposureField.EXPOSURE if older else ExposureField.EXPOSURE2012
    parts = version.split(".")
    numbers = [integer(part) for part in parts]
    if any(number is None or not part[0].isdigit() for number, part in zip(numbers, parts, strict=True)):
        return ExposureField.UNCLEAR
    known = tuple(number for number in numbers if number is not None)
    if known[:2] >= fields.EXPOSURE2012_FROM_PROCESS:
        return ExposureField.EXPOSURE2012
    if known[0] == fields.OLDER_PROCESS_MAJOR:
        return ExposureField.EXPOSURE
    return ExposureField.UNCLEAR


def read_settings(packet: Packet) -> DevelopSettings:
    """The develop settings, rating, label and keywords of a packet. Raises nothing: what cannot be read is noted."""
    unreadable: list[Unreadable] = []
    which = exposure_field(packet)
    exposure_ev = None
    if which is not ExposureField.UNCLEAR:
        row = Field.EXPOSURE2012 if which is ExposureField.EXPOSURE2012 else Field.EXPOSURE
        exposure_ev = _number(packet, row, unreadable)
    has_settings = packet.text(fields.HAS_SETTINGS)
    rating = packet.text(fields.RATING)
    return DevelopSettings(
        temperature_k=_number(packet, Field.TEMPERATURE, unreadable),
        tint=_number(packet, Field.TINT, unreadable),
        white_balance=packet.text(ROWS[Field.WHITE_BALANCE].name),
        exposure_ev=exposure_ev,
        exposure_field=which,
        process_version=packet.text(fields.PROCESS_VERSION),
        has_settings=None if has_settings is None else boolean(has_settings),
        rating=_rating(rating),
        label=packet.text(fields.LABEL),
        keywords=keywords(packet),
        raw_file_name=packet.text(_crs("RawFileName")),
        camera_model=packet.text(fields.MODEL),
        look=read_look(packet),
        alters_meaning=tuple(_alterations(packet, which)),
        unreadable=tuple(unreadable),
    )


def keywords(packet: Packet) -> tuple[str, ...]:
    """The keywords in dc:subject, in the order of the packet; a plain text counts as one keyword."""
    value = packet.value(fields.SUBJECT)
    if value is None:
        return ()
    items = value.items if value.kind is Kind.ARRAY else [value]
    return tuple(item.text for item in items if item.kind is Kind.SIMPLE and item.text)


def _number(packet: Packet, which: Field, unreadable: list[Unreadable]) -> float | None:
    row = ROWS[which]
    text = packet.text(row.name)
    if text is None:
        return None
    number = real(text) if row.form is Form.SIGNED_CENTI else integer(text)
    if number is None:
        kind = "real number" if row.form is Form.SIGNED_CENTI else "integer"
        sentence = f"{names.readable(row.name)} is {text!r}, which is no XMP {kind}; it is read as unknown."
    elif row.read_lowest <= number <= row.read_highest:
        return float(number)
    else:
        span = f"{row.read_lowest:g}..{row.read_highest:g}"
        sentence = f"{names.readable(row.name)} is {text}, outside {span}; it is read as unknown."
    unreadable.append(Unreadable(names.readable(row.name), text, sentence))
    return None


def _rating(text: str | None) -> int | None:
    """xmp:Rating, -1 (rejected) or 0..5 (XMP part 2, 3.1, a closed choice of Real); None for anything else."""
    number = None if text is None else real(text)
    return int(number) if number is not None and number.is_integer() and -1 <= number <= 5 else None


def _true(packet: Packet, local: str) -> bool:
    return boolean(packet.text(_crs(local)) or "") is True


def _alterations(packet: Packet, which: ExposureField) -> list[AltersMeaning]:
    """The names here are listed by metadata libraries as found in files; those of part 2, 3.3 are published."""
    found: list[AltersMeaning] = []

    def add(code: Meaning, sentence: str, *, skip: bool = False) -> None:
        found.append(AltersMeaning(code, sentence, skip))

    relative = [local for local in ("IncrementalTemperature", "IncrementalTint") if _crs(local) in packet.properties]
    if relative:
        shown = " and ".join(f"crs:{local}" for local in relative)
        add(
            Meaning.RELATIVE_WHITE_BALANCE,
            f"{shown} make the white balance relative, as for a rendered file: kelvin would be wrong here.",
            skip=True,
        )
    if _true(packet, "AlreadyApplied"):
        add(
            Meaning.ALREADY_APPLIED,
            "crs:AlreadyApplied says that the settings are in the pixels already: they would count twice.",
            skip=True,
        )
    if which is ExposureField.UNCLEAR:
        version = packet.text(fields.PROCESS_VERSION)
        add(
            Meaning.EXPOSURE_UNCLEAR,
            f"It is unclear whether crs:Exposure2012 or crs:Exposure counts (process version {version or 'none'}).",
            skip=True,
        )
    if _true(packet, "AutoExposure"):
        add(
            Meaning.AUTO_EXPOSURE,
            "crs:AutoExposure lets the editor choose the exposure, so that a number would not count.",
            skip=True,
        )
    if which is ExposureField.EXPOSURE:
        add(Meaning.OLDER_PROCESS, "The settings are of an older process: the exposure is written to crs:Exposure.")
        if ROWS[Field.EXPOSURE2012].name in packet.properties:
            add(
                Meaning.TWO_EXPOSURES,
                "An older process uses crs:Exposure; crs:Exposure2012, which is there too, does not count and stays.",
            )
    if boolean(packet.text(fields.HAS_SETTINGS) or "True") is not True:
        add(
            Meaning.SETTINGS_OFF,
            "crs:HasSettings is False, so that an editor may ignore the settings; it becomes True with our numbers.",
        )
    return found
