"""Broken packets from good ones: random bytes, cuts, repetitions, splices and words that matter to XML and RDF."""

from __future__ import annotations

import random
from pathlib import Path

CORPUS = Path(__file__).resolve().parents[2] / "tests" / "xmp" / "packets"

WORDS = tuple(
    word.encode()
    for word in (
        "<", ">", "/>", "</", "<!--", "-->", "<![CDATA[", "]]>", "<?", "?>", "<!DOCTYPE a [", "]>", "&", "&#0;",
        "&#x41;", "&lt;", "&a;", '"', "'", "=", "\0", "\ufeff", "\uffff", "\r", "\n", "\t", " ", "rdf:about='x'",
        "rdf:ID='x'", "rdf:value='1'", "rdf:parseType='Resource'", "rdf:parseType='Literal'",
        "rdf:resource='u'", "xml:lang='en'",
        "xmlns:crs='x'", "xmlns='http://www.w3.org/1999/02/22-rdf-syntax-ns#'", "xmlns:rdf=''", "crs:Temperature='1'",
        "crs:Temperature=\"NaN\"", "<crs:Tint>7</crs:Tint>", "<crs:Tint/>", "<rdf:Description/>", "<rdf:Bag/>",
        "<rdf:li/>", "<rdf:RDF/>", "<x:xmpmeta/>", "</rdf:Description>", "</rdf:RDF>", "crs:Exposure2012='0.00'",
        "crs:ProcessVersion='5.7'", "<dc:subject/>", "<?xpacket end='w'?>", "<?xml version='1.1'?>", "é", "🦊",
    )
)  # fmt: skip


def corpus() -> list[bytes]:
    """The good and odd packets that the mutations start from."""
    found = [path.read_bytes() for folder in ("valid", "odd") for path in sorted((CORPUS / folder).glob("hm_*"))]
    if not found:
        raise FileNotFoundError(f"no packets in {CORPUS}")
    # most of a packet is padding, which would soak up the mutations
    return [packet.replace(b" " * 99, b" ") if len(packet) < 20_000 else packet for packet in found]


def mutated(packets: list[bytes], rng: random.Random) -> bytes:
    """One packet with 1 to 6 random mutations."""
    data = bytearray(rng.choice(packets))
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        at = rng.randrange(len(data) + 1)
        length = rng.choice((1, 2, 4, 16, 64, 512))
        match rng.randrange(8):
            case 0 if data:
                data[at % len(data)] = rng.randrange(256)
            case 1 if data:
                data[at % len(data)] ^= 1 << rng.randrange(8)
            case 2:
                del data[at : at + length]
            case 3:
                data[at:at] = data[at : at + length] * rng.choice((1, 2, 20))
            case 4:
                del data[at:]
            case 5:
                other = rng.choice(packets)
                start = rng.randrange(len(other))
                data[at : at + length] = other[start : start + length]
            case _:
                place = _token_place(data, at, rng)
                data[place:place] = b" " + rng.choice(WORDS) + rng.choice((b"", b" "))
    return bytes(data)


def _token_place(data: bytearray, at: int, rng: random.Random) -> int:
    """Mostly a place behind a `>` or a quote, where a word may well be legal."""
    if rng.random() < 0.3:
        return at
    return data.find(rng.choice((b">", b'"', b"'")), at) + 1 or at
