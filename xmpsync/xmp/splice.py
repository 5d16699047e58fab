"""Pieces of bytes: replacements in the UTF-8 copy, and the same in the packet's own encoding."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from xmpsync.xmp.encoding import Encoded
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.rdf import Value
from xmpsync.xmp.scan import Element, start_tag_end
from xmpsync.xmp.tags import start_tag

_MARKUP = re.compile(rb"<!--.*?-->|<\?.*?\?>|<!\[CDATA\[.*?\]\]>", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Splice:
    """Bytes `start` to `end` of the UTF-8 copy become `new`."""

    start: int
    end: int
    new: bytes


def in_order(edits: Iterable[Splice]) -> list[Splice]:
    """Edits by place; insertions at one place keep their order."""
    return sorted(edits, key=lambda edit: (edit.start, edit.end))


def spliced(utf8: bytes, edits: Iterable[Splice]) -> bytes:
    """The UTF-8 copy with all edits made. They may touch but not overlap."""
    pieces: list[bytes] = []
    at = 0
    for edit in in_order(edits):
        if edit.start < at:
            raise ValueError("edits overlap")
        pieces += [utf8[at : edit.start], edit.new]
        at = edit.end
    pieces.append(utf8[at:])
    return b"".join(pieces)


def apply_edits(encoded: Encoded, edits: Iterable[Splice]) -> bytes:
    """The packet in its own encoding with all edits made."""
    return encoded.back(spliced(encoded.utf8, edits))


def escaped(text: str) -> str:
    """Text for use between tags or between quotes of either kind. Raises ValueError for what XML 1.0 cannot hold."""
    if any(sign < " " and sign not in "\t\n\r" for sign in text) or any(
        "\ud800" <= sign <= "\udfff" or sign in "\ufffe\uffff" for sign in text
    ):
        raise ValueError(f"XML cannot hold the text {text!r}")
    for sign, reference in (
        ("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ('"', "&quot;"), ("'", "&apos;"),
        ("\t", "&#9;"), ("\n", "&#10;"), ("\r", "&#13;"),
    ):  # fmt: skip
        text = text.replace(sign, reference)
    return text


def trailing_nuls(data: bytes) -> int:
    """How many bytes at the end are NUL characters in the packet's encoding (8, 16 or 32 bits each)."""
    text = data.rstrip(b"\0")
    head = data[:4]
    if head[:2] == b"\0\0" or head[2:] == b"\0\0":
        unit = 4
    elif head[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE) or 0 in head[:2]:
        unit = 2
    else:
        unit = 1
    # the last character may itself end in zero bytes
    kept = -(-len(text) // unit) * unit
    return max(0, len(data) - kept)


def replace_value(packet: Packet, value: Value, text: str) -> list[Splice]:
    """The edits that make a simple value's text another one. Quotes, comments and qualifiers around it stay."""
    return replace_raw_value(packet, value, escaped(text).encode("utf-8"))


def replace_raw_value(packet: Packet, value: Value, raw: bytes) -> list[Splice]:
    """The same with the text as it stands in the bytes (escaped)."""
    utf8 = packet.encoded.utf8
    if value.attribute is not None:
        place = start_tag(utf8, value.holder).properties[value.attribute]
        return [Splice(place.value_start, place.value_end, raw)]
    holder = value.holder
    if holder.empty_tag:
        name = start_tag(utf8, holder).name
        return [Splice(holder.end - 2, holder.end, b">" + raw + b"</" + name + b">")]
    runs = text_runs(utf8, holder)
    first, *others = runs or [(start_tag_end(utf8, holder),) * 2]
    return [Splice(*first, raw), *(Splice(start, end, b"") for start, end in others)]


def text_runs(utf8: bytes, holder: Element) -> list[tuple[int, int]]:
    """Where an element without child elements holds text (CDATA sections included) between comments."""
    runs: list[tuple[int, int]] = []
    at = start_tag_end(utf8, holder)
    for aside in _asides(utf8, at, holder.inner_end):
        if aside[0] > at:
            runs.append((at, aside[0]))
        at = aside[1]
    if holder.inner_end > at:
        runs.append((at, holder.inner_end))
    return runs


def _asides(utf8: bytes, start: int, end: int) -> Iterator[tuple[int, int]]:
    for match in _MARKUP.finditer(utf8, start, end):
        if not match[0].startswith(b"<!["):
            yield match.span()


def raw_value(packet: Packet, value: Value) -> bytes:
    """A simple value's text as it stands in the bytes; text on both sides of a comment is joined."""
    utf8 = packet.encoded.utf8
    if value.attribute is not None:
        place = start_tag(utf8, value.holder).properties[value.attribute]
        return utf8[place.value_start : place.value_end]
    if value.holder.empty_tag:
        return b""
    return b"".join(utf8[start:end] for start, end in text_runs(utf8, value.holder))


def space_before(utf8: bytes, offset: int) -> bytes:
    """The white space that ends at an offset."""
    start = offset
    while start and utf8[start - 1] in b" \t\r\n":
        start -= 1
    return utf8[start:offset]
