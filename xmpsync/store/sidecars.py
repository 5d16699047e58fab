"""What was read in a sidecar, remembered beside the hash of its bytes: a second try parses only what changed.

A shoot folder may be anybody's, so a record that is not a possible reading counts as none. Nothing is written on its
word: an edit parses the bytes and compares what they say with what was remembered (`plan.edits`).
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import msgspec

from xmpsync.xmp.fields import ROWS, Field
from xmpsync.xmp.looks import Comparable
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.regions import Regions, read_regions
from xmpsync.xmp.settings import DevelopSettings, read_settings

LARGEST_RECORD = 1 << 20
"""Bytes; a sidecar with hundreds of local corrections takes some ten thousand."""
FARTHEST = 1e9
"""Pixels of a picture, and fractions of it: beyond what a reading accepts."""


class Reading(NamedTuple):
    """What a packet says: the settings of its frame, and its face regions."""

    settings: DevelopSettings
    regions: Regions


_DECODER = msgspec.json.Decoder(Reading)


def read(data: bytes) -> Reading:
    """Parse a sidecar. Raises SidecarMalformed."""
    packet = Packet.parse(data)
    return Reading(read_settings(packet), read_regions(packet))


def to_record(reading: Reading) -> bytes:
    """As JSON."""
    return msgspec.json.encode(reading)


def from_record(record: bytes) -> Reading | None:
    """Back from JSON, which may be anybody's; None where it is not a possible reading."""
    if len(record) > LARGEST_RECORD:
        return None
    try:
        settings, regions = _DECODER.decode(record)
        look = settings.look
        look = replace(look, held=_comparable(look.held), local=_comparable(look.local))
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None
    return Reading(replace(settings, look=look), regions) if _possible(settings, regions) else None


def _comparable(values: dict[str, Comparable]) -> dict[str, Comparable]:
    """JSON has lists where a reading has tuples."""
    return {name: _tuples(value) if isinstance(value, tuple) else value for name, value in values.items()}


def _tuples(value: object) -> Comparable:
    return tuple(map(_tuples, value)) if isinstance(value, tuple | list) else value  # type: ignore[return-value]


def _possible(settings: DevelopSettings, regions: Regions) -> bool:
    exposure = Field.EXPOSURE2012
    numbers = (
        (settings.temperature_k, Field.TEMPERATURE), (settings.tint, Field.TINT), (settings.exposure_ev, exposure),
    )  # fmt: skip
    boxes = [n for face in regions.faces for n in (face.box.left, face.box.top, face.box.width, face.box.height)]
    return (
        all(n is None or ROWS[field].read_lowest <= n <= ROWS[field].read_highest for n, field in numbers)
        and (settings.rating is None or -1 <= settings.rating <= 5)
        and all(abs(n) < FARTHEST for n in (*boxes, *(regions.applied_to or ())))
        and all(face.box.width > 0 and face.box.height > 0 for face in regions.faces)
    )
