"""Bytes of a packet to UTF-8, and places in them for a person.

XMP part 1, 7.1: UTF-8, UTF-16 or UTF-32 in either byte order; a leading U+FEFF is honoured, and not needed. Every
further step works on a UTF-8 copy, because the standard library's parser gives exact byte offsets there and reads no
UTF-32 at all. Decoding is strict and therefore reversible: the same text gives the same bytes again.
"""

from __future__ import annotations

import codecs
from dataclasses import dataclass

from xmpsync.errors import SidecarMalformed

BOM = "\ufeff"
_MARKS = (
    # UTF-32 first: its little-endian mark begins with UTF-16's
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_DECLARED = {
    "utf-8": {"UTF-8", "UTF8"},
    "utf-16-le": {"UTF-16", "UTF-16LE"},
    "utf-16-be": {"UTF-16", "UTF-16BE"},
    "utf-32-le": {"UTF-32", "UTF-32LE", "ISO-10646-UCS-4"},
    "utf-32-be": {"UTF-32", "UTF-32BE", "ISO-10646-UCS-4"},
}

NEXT_STEP = "Look at the file in a text editor, or let the program that wrote it save it again; it stays as it is."


@dataclass(frozen=True, slots=True)
class Encoded:
    """A packet's UTF-8 copy without a byte order mark, and what is needed to get the original bytes back."""

    codec: str
    mark: bytes
    utf8: bytes

    def back(self, utf8: bytes) -> bytes:
        """`utf8` in the packet's own encoding, with its byte order mark."""
        return self.mark + self.part_back(utf8)

    def part_back(self, utf8: bytes) -> bytes:
        """A piece of the UTF-8 copy in the packet's own encoding."""
        return utf8 if self.codec == "utf-8" else utf8.decode("utf-8").encode(self.codec)

    def agrees_with(self, declared: str) -> bool:
        """Whether an XML declaration's encoding name is the one the bytes are in."""
        return declared.upper() in _DECLARED[self.codec]


def decode(data: bytes) -> Encoded:
    """The UTF-8 copy of a packet. Raises `SidecarMalformed` for bytes that are no Unicode text."""
    codec, mark = _detect(data)
    body = data[len(mark) :]
    if not body.strip(b" \t\r\n\0"):
        raise SidecarMalformed("The packet is empty", next_step=NEXT_STEP)
    try:
        text = body.decode(codec)
    except UnicodeDecodeError as error:
        good = body[: error.start].decode(codec, "replace").encode("utf-8")
        line, column = place(good, len(good))
        raise SidecarMalformed(
            f"The packet is no valid {codec.upper()} text: {error.reason}",
            line=line,
            column=column,
            next_step=NEXT_STEP,
        ) from None
    if text.startswith(BOM):
        raise SidecarMalformed("The packet has two byte order marks", line=1, column=1, next_step=NEXT_STEP)
    return Encoded(codec, mark, body if codec == "utf-8" else text.encode("utf-8"))


def place(utf8: bytes, offset: int) -> tuple[int, int]:
    """(line, column) of a byte offset in a UTF-8 copy, both from 1; columns count characters."""
    ends = utf8.count(b"\n", 0, offset) + utf8.count(b"\r", 0, offset) - utf8.count(b"\r\n", 0, offset)
    start = max(utf8.rfind(b"\n", 0, offset), utf8.rfind(b"\r", 0, offset)) + 1
    return ends + 1, len(utf8[start:offset].decode("utf-8", "replace")) + 1


def _detect(data: bytes) -> tuple[str, bytes]:
    """Codec and byte order mark; without a mark by the zero bytes around the first character, which is ASCII."""
    for mark, codec in _MARKS:
        if data.startswith(mark):
            return codec, mark
    match [byte == 0 for byte in data[:4]]:
        case [True, True, True, False]:
            return "utf-32-be", b""
        case [False, True, True, True]:
            return "utf-32-le", b""
        case [True, False, *_]:
            return "utf-16-be", b""
        case [False, True, *_]:
            return "utf-16-le", b""
    return "utf-8", b""
