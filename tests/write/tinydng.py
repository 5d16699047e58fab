"""The smallest files with a DNG's structure, made byte by byte: header, image data, first directory, packet."""

from __future__ import annotations

import struct

XMP_TAG = 700
SHORT, LONG, BYTE, ASCII = 3, 4, 1, 2


def tiny_dng(
    order: str = "<", packet: bytes | None = b"<x/>" * 8, *, width: int = 8, height: int = 4, odd: int = 0
) -> bytes:
    """A TIFF of one 8-bit strip. `packet` None: no XMP tag. `odd` bytes at the end make its length odd or even."""
    image = bytes((7 * k + 3) % 251 for k in range(width * height))
    make = b"Tin Box\0"
    at_image, at_make = 8, 8 + len(image)
    at_packet = at_make + len(make)
    at_directory = at_packet + len(packet or b"")
    at_directory += at_directory % 2
    tags = [
        (254, LONG, 1, struct.pack(order + "I", 0)),
        (256, SHORT, 1, struct.pack(order + "HH", width, 0)),
        (257, SHORT, 1, struct.pack(order + "HH", height, 0)),
        (258, SHORT, 1, struct.pack(order + "HH", 8, 0)),
        (259, SHORT, 1, struct.pack(order + "HH", 1, 0)),
        (262, SHORT, 1, struct.pack(order + "HH", 1, 0)),
        (271, ASCII, len(make), struct.pack(order + "I", at_make)),
        (273, LONG, 1, struct.pack(order + "I", at_image)),
        (277, SHORT, 1, struct.pack(order + "HH", 1, 0)),
        (278, SHORT, 1, struct.pack(order + "HH", height, 0)),
        (279, LONG, 1, struct.pack(order + "I", len(image))),
    ]
    if packet is not None:
        tags.append((XMP_TAG, BYTE, len(packet), struct.pack(order + "I", at_packet)))
    tags.append((50706, BYTE, 4, bytes((1, 4, 0, 0))))
    head = {"<": b"II", ">": b"MM"}[order] + struct.pack(order + "HI", 42, at_directory)
    data = head + image + make + (packet or b"")
    data += bytes(at_directory - len(data)) + struct.pack(order + "H", len(tags))
    data += b"".join(struct.pack(order + "HHI", tag, kind, count) + value for tag, kind, count, value in tags)
    return data + struct.pack(order + "I", 0) + bytes(odd)
