"""Reading a packet that lies inside a RAW file, where NUL bytes may fill up its space."""

from __future__ import annotations

from xmpsync.xmp.packet import Packet
from xmpsync.xmp.splice import trailing_nuls


def embedded_packet(data: bytes) -> Packet:
    """The parsed packet, without the NUL bytes after it. Raises `SidecarMalformed`."""
    return Packet.parse(data[: len(data) - trailing_nuls(data)])
