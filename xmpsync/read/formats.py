"""RAW formats that are recognised but cannot be decoded here, and the way out of each.

`docs/cameras.md` prints this list; the reader's errors use its sentences.
"""

from __future__ import annotations

from dataclasses import dataclass

from xmpsync.read import tiff

_SAMPLE_FORMAT = 339
_FLOATING_POINT = 3.0


@dataclass(frozen=True, slots=True)
class Undecodable:
    """A format by name, how it is told apart, and what its owner can do."""

    name: str
    sign: str
    way_out: str


JPEG_XL = Undecodable(
    "DNG with JPEG XL compression (DNG 1.7)",
    "compression 52546 in the raw directory",
    "Convert it to a DNG with lossless compression (a converter's option for compatibility with DNG 1.6 or older),"
    " or set this frame by hand.",
)
VC5 = Undecodable(
    "VC-5 compression (GPR action-camera files)",
    "compression 9 in the raw directory",
    "Convert it to an uncompressed or lossless DNG, or set this frame by hand.",
)
FLOATING_POINT = Undecodable(
    "DNG with floating-point numbers (merged exposures)",
    "sample format 3 in the raw directory",
    "Merge to whole numbers, or match the single exposures it was made from.",
)
HIGH_EFFICIENCY = Undecodable(
    "High-efficiency compression (HE, HE* of NEF files)",
    "LibRaw names the format as unsupported when it decodes it",
    "Set the camera to lossless compression next time; convert these files to lossless DNG, or set them by hand.",
)
OTHER = Undecodable(
    "a RAW format that LibRaw does not know, or a damaged file",
    "LibRaw names it as unsupported",
    "If the file opens elsewhere, convert it to a lossless or uncompressed DNG or set this frame by hand; if not, copy"
    " it again from the card or the backup.",
)
ALL = (JPEG_XL, VC5, FLOATING_POINT, HIGH_EFFICIENCY, OTHER)

_BY_COMPRESSION = {52546.0: JPEG_XL, 9.0: VC5}


def undecodable(raw: tiff.Tags, make: str = "") -> Undecodable:
    """The entry that explains why LibRaw calls a file unsupported."""
    if tiff.number(raw, _SAMPLE_FORMAT) == _FLOATING_POINT:
        return FLOATING_POINT
    by_compression = _BY_COMPRESSION.get(tiff.number(raw, tiff.COMPRESSION))
    if by_compression is not None:
        return by_compression
    return HIGH_EFFICIENCY if make.casefold().startswith("nikon") else OTHER


def known_undecodable(raw: tiff.Tags) -> Undecodable | None:
    """The entry of a format that its tags alone give away, before anything is decoded."""
    found = undecodable(raw)
    return None if found is OTHER else found
