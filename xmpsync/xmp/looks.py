"""The settings of a packet, other than ours, that move skin; and in which of them two packets differ.

Temperature, tint and exposure match the skin of two frames only where everything else that an editor does to tone and
colour is alike. The table names what is compared, with the value that an absent property has. Sources: the camera raw
schema of XMP part 2, 3.3 for the names without a year in them; the others, and all defaults, are not published: they
are what metadata libraries list as found in files, partly recalled from memory. Left out on purpose: sharpening and
noise, geometry and crop, lens corrections, vignettes, grain: they leave the colour of skin in the middle of the frame.
"""

from __future__ import annotations

import enum
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from xmpsync.xmp import fields, names
from xmpsync.xmp.numbers import boolean, integer, real
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.rdf import Kind, Value

Comparable = float | str | tuple[Any, ...]
"""A property's value so that equal means alike: numbers as numbers, lists and structures as tuples."""


class Process(enum.Enum):
    """Which kind of process the settings of a packet are for."""

    NEWER = "newer"
    OLDER = "older"
    ANY = "any"
    """The packet does not say; in the table: either."""


@dataclass(frozen=True, slots=True)
class LookRow:
    """One property: what it does in a word, its value where absent, the process that uses it, and the properties of
    which one must be set for it to have an effect (none: it always has)."""

    local: str
    word: str
    default: Comparable = 0.0
    process: Process = Process.ANY
    needs: tuple[str, ...] = ()


_LINEAR: Comparable = ("0, 0", "255, 255")
_OLDER_CURVE: Comparable = ("0, 0", "32, 22", "64, 56", "128, 128", "192, 196", "255, 255")
_HUES = ("Red", "Orange", "Yellow", "Green", "Aqua", "Blue", "Purple", "Magenta")
_PARAMETRIC = ("ParametricShadows", "ParametricDarks", "ParametricLights", "ParametricHighlights")
_TINTS = ("SplitToningShadowSaturation", "SplitToningHighlightSaturation")
_HDR = "HDREditMode"


def _rows() -> Iterator[LookRow]:
    newer, older = Process.NEWER, Process.OLDER
    for word in ("Contrast", "Highlights", "Shadows", "Whites", "Blacks", "Clarity"):
        yield LookRow(f"{word}2012", word.lower(), process=newer)
    yield LookRow("Texture", "texture")
    yield LookRow("Dehaze", "dehaze")
    # the older process: defaults as its files hold them
    for local, word, default in (
        ("Contrast", "contrast", 25.0),
        ("Brightness", "brightness", 50.0),
        ("Shadows", "blacks", 5.0),
        ("HighlightRecovery", "highlight recovery", 0.0),
        ("FillLight", "fill light", 0.0),
        ("Clarity", "clarity", 0.0),
    ):
        yield LookRow(local, word, default, older)
    for local in ("AutoBrightness", "AutoContrast", "AutoShadows", "AutoTone"):
        yield LookRow(local, "automatic tone", "False")
    yield LookRow("ToneCurvePV2012", "curve", _LINEAR, newer)
    yield LookRow("ToneCurve", "curve", _OLDER_CURVE, older)
    for colour in ("Red", "Green", "Blue"):
        yield LookRow(f"ToneCurvePV2012{colour}", f"{colour.lower()} curve", _LINEAR, newer)
        yield LookRow(f"ToneCurve{colour}", f"{colour.lower()} curve", _LINEAR, older)
    for local in _PARAMETRIC:
        yield LookRow(local, "curve")
    for local, default in (("Shadow", 25.0), ("Midtone", 50.0), ("Highlight", 75.0)):
        yield LookRow(f"Parametric{local}Split", "curve", default, needs=_PARAMETRIC)
    yield LookRow("Saturation", "saturation")
    yield LookRow("Vibrance", "vibrance")
    for colour in _HUES:
        for what in ("Hue", "Saturation", "Luminance"):
            yield LookRow(f"{what}Adjustment{colour}", f"{colour.lower()} {what.lower()}")
    yield LookRow("PointColors", "point colour", ())
    for tone in ("Shadow", "Highlight"):
        yield LookRow(f"SplitToning{tone}Saturation", "grading")
        yield LookRow(f"SplitToning{tone}Hue", "grading", needs=(f"SplitToning{tone}Saturation",))
        yield LookRow(f"ColorGrade{tone}Lum", "grading")
    for tone in ("Midtone", "Global"):
        yield LookRow(f"ColorGrade{tone}Sat", "grading")
        yield LookRow(f"ColorGrade{tone}Lum", "grading")
        yield LookRow(f"ColorGrade{tone}Hue", "grading", needs=(f"ColorGrade{tone}Sat",))
    graded = (*_TINTS, "ColorGradeShadowLum", "ColorGradeHighlightLum", "ColorGradeMidtoneSat", "ColorGradeMidtoneLum")
    yield LookRow("SplitToningBalance", "grading", needs=graded)
    yield LookRow("ColorGradeBlending", "grading", 50.0, needs=graded)
    yield LookRow("ShadowTint", "calibration")
    for colour in ("Red", "Green", "Blue"):
        yield LookRow(f"{colour}Hue", "calibration")
        yield LookRow(f"{colour}Saturation", "calibration")
    yield LookRow("CameraProfile", "profile", "")
    yield LookRow("Look", "look", ())
    yield LookRow("LookName", "look", "")
    yield LookRow("ConvertToGrayscale", "black and white", "False")
    yield LookRow(_HDR, "high dynamic range", 0.0)
    yield LookRow("HDRMaxValue", "high dynamic range", 4.0, needs=(_HDR,))
    for word in ("Brightness", "Contrast", "Clarity", "Highlights", "Shadows", "Whites", "Blend"):
        yield LookRow(f"SDR{word}", "high dynamic range", needs=(_HDR,))


LOOK_TABLE = {row.local: row for row in _rows()}
PROCESS_WORD = "process"
PROCESS_PROPERTY = "ProcessVersion"

_START = names.expanded(names.CAMERA_RAW, "")
_NO_OWN_PROFILE = frozenset({"Embedded", "Default"})
"""Values of CameraProfile that leave the camera's own colour as it is."""

LOCAL_CORRECTIONS = (
    "GradientBasedCorrections",
    "CircularGradientBasedCorrections",
    "PaintBasedCorrections",
    "MaskGroupBasedCorrections",
)
"""Lists of corrections of a part of the frame, as found in files."""
_LOCAL_NUMBERS = frozenset({"LocalExposure", "LocalExposure2012", "LocalTemperature", "LocalTint"})
"""What such a correction must hold to move skin the way ours do."""
_NOT_COMPARED = ("ID", "Digest", "UUID", "Name", "SyncID")
"""Fields of a correction, by the end of their name, that differ between equal ones."""


@dataclass(frozen=True, slots=True)
class Look:
    """What a packet does to tone and colour beside our fields: only what is in force and not at its default.

    `held`: local name -> value. `local`: the corrections of a part of the frame that hold exposure, temperature or
    tint, by the list they are in.
    """

    held: dict[str, Comparable] = field(default_factory=dict)
    local: dict[str, Comparable] = field(default_factory=dict)
    process: Process = Process.ANY
    monochrome: bool = False


PLAIN = Look()
"""No packet, or one without any such setting."""


@dataclass(frozen=True, slots=True)
class LookDifference:
    """In what two packets differ: local names in the table's order, of properties and of local corrections."""

    properties: tuple[str, ...] = ()
    local: tuple[str, ...] = ()
    monochrome: bool = False

    def __bool__(self) -> bool:
        return bool(self.properties or self.local or self.monochrome)


def word_of(local: str) -> str:
    """What a property does, in a word."""
    if local == PROCESS_PROPERTY:
        return PROCESS_WORD
    row = LOOK_TABLE.get(local)
    return row.word if row else "local corrections"


def read_look(packet: Packet) -> Look:
    """The look of a packet. Raises nothing: a value of an unexpected form counts as its text."""
    process = _process(packet)
    held: dict[str, Comparable] = {}
    local: dict[str, Comparable] = {}
    for name, found in packet.properties.items():
        if not name.startswith(_START):
            continue
        short = name[len(_START) :]
        row = LOOK_TABLE.get(short)
        if row is not None:
            if process in (row.process, Process.ANY) or row.process is Process.ANY:
                value = _look(found.value) if short == "Look" else _comparable(found.value)
                if _set(row, value):
                    held[short] = value
        elif short in LOCAL_CORRECTIONS:
            corrections = tuple(_comparable(item) for item in found.value.items if _moves_skin(item))
            if corrections:
                local[short] = corrections
    monochrome = held.get("ConvertToGrayscale") == "True" or _monochrome_look(packet)
    return Look(
        {short: value for short, value in held.items() if _in_force(LOOK_TABLE[short], held)},
        local,
        process,
        monochrome,
    )


def difference(look: Look, reference: Look) -> LookDifference:
    """In what a frame's look differs from its reference's; empty where both are alike."""
    if look is reference:
        return LookDifference()
    properties = [local for local in LOOK_TABLE if look.held.get(local) != reference.held.get(local)]
    if (look.process is Process.OLDER) != (reference.process is Process.OLDER):
        properties.append(PROCESS_PROPERTY)
    return LookDifference(
        tuple(properties),
        tuple(name for name in LOCAL_CORRECTIONS if look.local.get(name) != reference.local.get(name)),
        look.monochrome and not reference.monochrome,
    )


def _process(packet: Packet) -> Process:
    version = packet.text(fields.PROCESS_VERSION)
    if version is None:
        held = [fields.ROWS[f].name in packet.properties for f in (fields.Field.EXPOSURE2012, fields.Field.EXPOSURE)]
        return Process.NEWER if held[0] else Process.OLDER if held[1] else Process.ANY
    major = integer(version.partition(".")[0])
    if major is None:
        return Process.ANY
    return Process.OLDER if major <= fields.OLDER_PROCESS_MAJOR else Process.NEWER


def _comparable(value: Value) -> Comparable:
    if value.kind is Kind.ARRAY:
        return tuple(_comparable(item) for item in value.items)
    if value.kind is Kind.STRUCTURE:
        kept = {names.split(name)[1]: item for name, item in value.fields.items()}
        return tuple(
            (local, _comparable(item)) for local, item in sorted(kept.items()) if not local.endswith(_NOT_COMPARED)
        )
    text = " ".join(value.text.split())
    number = real(text)
    if number is not None:
        return number
    # a point of a curve: "64, 56" and "64,56" are one
    return ", ".join(part.strip() for part in text.split(",")) if "," in text else _truth(text)


def _truth(text: str) -> str:
    return text.capitalize() if text.lower() in ("true", "false") else text


def _set(row: LookRow, value: Comparable) -> bool:
    """Whether a value is another than the default's. High-dynamic-range mode is seen as a number and as a truth."""
    if row.local == "CameraProfile" and value in _NO_OWN_PROFILE:
        return False
    if isinstance(row.default, float) and value == "False":
        return False
    return value != row.default and value not in ("", ())


def _in_force(row: LookRow, held: dict[str, Comparable]) -> bool:
    return not row.needs or any(name in held for name in row.needs)


def _look(value: Value) -> Comparable:
    """A look by its name (its UUID where it has none) and its amount; empty where it is none."""
    if value.kind is not Kind.STRUCTURE:
        return ()
    name = _field(value, "Name") or _field(value, "UUID")
    amount = real(_field(value, "Amount") or "1")
    return (name, 1.0 if amount is None else amount) if name and amount != 0 else ()


def _field(value: Value | None, local: str) -> str:
    found = None if value is None else value.fields.get(_START + local)
    return found.text if found is not None and found.kind is Kind.SIMPLE else ""


def _monochrome_look(packet: Packet) -> bool:
    look = packet.value(_START + "Look")
    parameters = look.fields.get(_START + "Parameters") if look is not None and look.kind is Kind.STRUCTURE else None
    in_look = parameters if parameters is not None and parameters.kind is Kind.STRUCTURE else None
    return boolean(_field(in_look, "ConvertToGrayscale")) is True and look is not None and bool(_look(look))


def _moves_skin(correction: Value) -> bool:
    """Whether one local correction is switched on and holds exposure, temperature or tint."""
    if correction.kind is not Kind.STRUCTURE or _truth(_field(correction, "CorrectionActive")) == "False":
        return False
    if real(_field(correction, "CorrectionAmount") or "1") == 0:
        return False
    return any(real(_field(correction, local) or "0") not in (None, 0.0) for local in _LOCAL_NUMBERS)
