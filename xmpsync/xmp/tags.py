"""Where the attributes of a start tag stand, byte by byte.

Used only on tags that the parser has already read, so that the pattern need not judge anything. The parser's list of
attributes is in the order of the document, without namespace declarations: the n-th is the n-th found here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import NamedTuple

from xmpsync.xmp.scan import Element, start_tag_end

_NAME = re.compile(rb"<[^\s/>]+")
_ATTRIBUTE = re.compile(rb"\s+([^\s=/>]+)\s*=\s*(\"[^\"]*\"|'[^']*')")


class Attribute(NamedTuple):
    """An attribute's bytes: `start` is where the white space before it begins, `name_start` its name, `value_start`
    and `value_end` the value between the quotes, `end` the byte after the closing quote."""

    name: bytes
    start: int
    name_start: int
    value_start: int
    value_end: int

    @property
    def end(self) -> int:
        return self.value_end + 1

    @property
    def declares(self) -> str | None:
        """The prefix that this attribute declares (empty: the default namespace), None if it declares none."""
        if self.name == b"xmlns":
            return ""
        return self.name[6:].decode("utf-8") if self.name.startswith(b"xmlns:") else None


@dataclass(frozen=True, slots=True)
class StartTag:
    """`name_end` is the byte after the element's name, `end` the byte after the tag; `properties` are the attributes by
    expanded name, namespace declarations left out."""

    name: bytes
    name_end: int
    end: int
    attributes: tuple[Attribute, ...]
    properties: dict[str, Attribute]


def start_tag(utf8: bytes, element: Element) -> StartTag:
    """The start tag of an element, taken apart."""
    if isinstance(element.tag, StartTag):
        return element.tag
    end = start_tag_end(utf8, element)
    name = _NAME.match(utf8, element.start)
    assert name is not None  # expat has read this tag
    found = tuple(
        Attribute(match[1], match.start(), match.start(1), match.start(2) + 1, match.end() - 1)
        for match in _ATTRIBUTE.finditer(utf8, name.end(), end)
    )
    own = [attribute for attribute in found if not attribute.name.startswith(b"xmlns") or attribute.declares is None]
    properties = dict(zip(element.attributes, own, strict=True))
    element.tag = result = StartTag(name[0][1:], name.end(), end, found, properties)
    return result
