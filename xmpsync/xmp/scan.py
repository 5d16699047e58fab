"""The element tree of an XML document with the byte offset of every tag.

The standard library's expat gives exact offsets for tags when it is fed UTF-8 in one call; it neither opens a file nor
the network. Every document type declaration is refused, which ends entity bombs, external entities and default
attributes at once. Depth and amount of markup are bounded before and while parsing.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import NoReturn
from xml.parsers import expat

from xmpsync.errors import SidecarMalformed
from xmpsync.xmp.encoding import NEXT_STEP, Encoded, place
from xmpsync.xmp.names import SEPARATOR

XML_SPACE = " \t\r\n"


@dataclass(frozen=True, slots=True)
class ScanLimits:
    """What a packet may cost. Real ones are a few kilobytes; many local adjustments make a few megabytes."""

    max_bytes: int = 8 * 2**20
    """Bytes of the packet in its own encoding."""
    max_depth: int = 128
    """Nested elements. Packets seen in the wild stay below 20."""
    max_tags: int = 100_000
    """`<` characters; an element costs about 400 bytes and 5 microseconds."""
    max_attributes: int = 100_000
    """`=` characters, a cheap upper bound of the attributes."""
    max_attributes_of_one: int = 2_000
    """Attributes of one element; the second reader needs time with their square. Seen in the wild: below 300."""


LIMITS = ScanLimits()


class Element:
    """One element. Offsets count bytes of the UTF-8 copy: `start` is the `<` of the start tag, `inner_end` the `<` of
    the end tag, `end` the byte after the whole element (both known once the element is closed).

    `attributes` are the values by name without namespace declarations, in the order of the document; `declared` the
    declarations; `content` texts, elements and `Aside`s; `elements` the child elements alone. `has_text`: some own
    text is more than white space. Nothing of it is changed after the scan.
    """

    __slots__ = (
        "attributes", "content", "declared", "elements", "empty_tag", "end", "has_text", "inner_end", "name", "parent",
        "start", "tag",
    )  # fmt: skip

    inner_end: int
    end: int
    empty_tag: bool

    def __init__(
        self, name: str, attributes: dict[str, str], declared: dict[str, str], start: int, parent: Element | None
    ) -> None:
        self.name = name
        self.attributes = attributes
        self.declared = declared
        self.start = start
        self.parent = parent
        self.content: list[Content] = []
        self.elements: list[Element] = []
        self.has_text = False
        self.tag: object = None
        """The start tag taken apart, once somebody asked (`xmpsync.xmp.tags`)."""

    @property
    def text(self) -> str:
        """Own text, comments left out."""
        return "".join([item for item in self.content if isinstance(item, str)])

    def attribute(self, name: str) -> str | None:
        return self.attributes.get(name)

    def uri_of(self, prefix: str) -> str | None:
        """The namespace a prefix is bound to here (the empty prefix: the default namespace), None if to none."""
        node: Element | None = self
        while node is not None:
            if prefix in node.declared:
                return node.declared[prefix] or None
            node = node.parent
        return None

    def prefixes_of(self, uri: str) -> list[str]:
        """The prefixes bound to a namespace here, the nearest declaration first."""
        found: list[str] = []
        node: Element | None = self
        while node is not None:
            found += [p for p, u in node.declared.items() if u == uri and p not in found and self.uri_of(p) == uri]
            node = node.parent
        return found


@dataclass(frozen=True, slots=True)
class Aside:
    """A comment (`target` None) or a processing instruction: kept, never read. `start` is the offset of its `<`."""

    target: str | None
    text: str
    start: int = field(compare=False)


Content = str | Element | Aside


@dataclass(frozen=True, slots=True)
class Document:
    """A scanned document; `elements` are all of them in document order, `asides` those outside the root element."""

    encoded: Encoded
    root: Element
    elements: list[Element]
    asides: tuple[Aside, ...]

    def refuse(self, what: str, offset: int) -> NoReturn:
        """Raises `SidecarMalformed` with the place of a byte offset."""
        line, column = place(self.encoded.utf8, offset)
        raise SidecarMalformed(what, line=line, column=column, next_step=NEXT_STEP)


_TAG_END = re.compile(rb"<(?:[^>\"']++|\"[^\"]*+\"|'[^']*+')*+>")
_SPACES = re.compile(rb"[ \t\r\n]*")


def start_tag_end(utf8: bytes, element: Element) -> int:
    """The byte after the start tag."""
    match = _TAG_END.match(utf8, element.start)
    assert match is not None  # expat has read this tag
    return match.end()


def stray_text(utf8: bytes, parent: Element) -> int | None:
    """The offset of the first text in `parent` that is not white space, None if there is none."""
    if not parent.has_text:
        return None
    before = None
    for item in parent.content:
        if isinstance(item, Element):
            before = item
        elif isinstance(item, str) and item.strip(XML_SPACE):
            start = start_tag_end(utf8, parent) if before is None else before.end
            space = _SPACES.match(utf8, start)
            return start if space is None else space.end()
    return None


def scan(encoded: Encoded, limits: ScanLimits = LIMITS) -> Document:
    """The tree of a document. Raises `SidecarMalformed` where it is no well-formed XML 1.0 with namespaces, has a
    document type declaration, declares another encoding than it has, or is larger or deeper than `limits`."""
    utf8 = encoded.utf8
    for sign, limit, what in ((b"<", limits.max_tags, "tags"), (b"=", limits.max_attributes, "attributes")):
        if utf8.count(sign) > limit:
            raise SidecarMalformed(f"The packet has more than {limit} {what}", next_step=NEXT_STEP)
    return _Scanner(encoded, limits).run()


_NOTHING: dict[str, str] = {}
_LARGEST_BUFFER = 2**18


class _Scanner:
    def __init__(self, encoded: Encoded, limits: ScanLimits) -> None:
        self.encoded = encoded
        self.limits = limits
        self.parser = expat.ParserCreate("UTF-8", SEPARATOR)
        self.elements: list[Element] = []
        self.open: list[Element] = []
        self.declared: dict[str, str] = {}
        self.asides: list[Aside] = []

    def run(self) -> Document:
        parser = self.parser
        parser.buffer_text = True  # offsets of texts are not used
        parser.buffer_size = min(_LARGEST_BUFFER, len(self.encoded.utf8))  # few pieces, since joining them costs
        parser.ordered_attributes = True
        self._handle_content()
        parser.CommentHandler = self._comment
        parser.ProcessingInstructionHandler = self._instruction
        parser.StartNamespaceDeclHandler = self._namespace
        parser.StartDoctypeDeclHandler = self._doctype
        parser.XmlDeclHandler = self._declaration
        try:
            parser.Parse(self.encoded.utf8, True)
        except expat.ExpatError as error:
            self._refuse(f"The packet is not well-formed XML: {self._why(error.code)}", parser.ErrorByteIndex)
        # expat refuses a document without an element
        return Document(self.encoded, self.elements[0], self.elements, tuple(self.asides))

    def _handle_content(self) -> None:
        """Handlers of tags and texts. They run hundreds of times for each sidecar, so they are closures over local
        names, which Python reads faster than attributes."""
        parser, utf8, elements, opened = self.parser, self.encoded.utf8, self.elements, self.open
        most_attributes, max_depth = 2 * self.limits.max_attributes_of_one, self.limits.max_depth

        def start(name: str, flat: list[str]) -> None:
            attributes = declared = _NOTHING
            if flat:
                pairs = iter(flat)
                attributes = dict(zip(pairs, pairs, strict=True))
            if self.declared:
                declared, self.declared = self.declared, {}
            parent = opened[-1] if opened else None
            element = Element(name, attributes, declared, parser.CurrentByteIndex, parent)
            if len(flat) > most_attributes:
                self._refuse(f"An element has more than {self.limits.max_attributes_of_one} attributes", element.start)
            if parent is not None:
                parent.content.append(element)
                parent.elements.append(element)
                if len(opened) >= max_depth:
                    self._refuse(f"The packet is nested deeper than {max_depth} elements", element.start)
            elements.append(element)
            opened.append(element)

        def end(_name: str) -> None:
            element = opened.pop()
            element.inner_end = offset = parser.CurrentByteIndex
            # for <a/> the parser reports the byte after the tag; a start tag ends in "/>" only if it is an empty one
            element.empty_tag = empty = not element.content and utf8[offset - 2 : offset] == b"/>"
            element.end = offset if empty else utf8.index(b">", offset) + 1

        def text(piece: str) -> None:
            element = opened[-1]
            content = element.content
            if content and isinstance(content[-1], str):
                content[-1] += piece
            else:
                content.append(piece)
            if piece.strip(XML_SPACE):
                element.has_text = True

        parser.StartElementHandler = start
        parser.EndElementHandler = end
        parser.CharacterDataHandler = text

    def _why(self, code: int) -> str:
        if not self.encoded.utf8[self.parser.ErrorByteIndex :].strip(b"\0"):
            return "NUL bytes or nothing follow"
        reason = expat.ErrorString(code)
        return "unexpected character" if reason == expat.errors.XML_ERROR_INVALID_TOKEN else reason

    def _refuse(self, what: str, offset: int) -> NoReturn:
        line, column = place(self.encoded.utf8, offset)
        raise SidecarMalformed(what, line=line, column=column, next_step=NEXT_STEP)

    def _aside(self, aside: Aside) -> None:
        if self.open:
            self.open[-1].content.append(aside)
        else:
            self.asides.append(aside)

    def _comment(self, text: str) -> None:
        self._aside(Aside(None, text, self.parser.CurrentByteIndex))

    def _instruction(self, target: str, text: str) -> None:
        self._aside(Aside(target, text, self.parser.CurrentByteIndex))

    def _namespace(self, prefix: str | None, uri: str | None) -> None:
        self.declared[prefix or ""] = uri or ""

    def _doctype(self, *_args: object) -> None:
        # the parser stands somewhere behind the declaration's first word
        offset = self.encoded.utf8.rfind(b"<!DOCTYPE", 0, self.parser.CurrentByteIndex + len(b"<!DOCTYPE"))
        self._refuse("The packet has a document type declaration", offset)

    def _declaration(self, version: str, declared: str | None, _standalone: int) -> None:
        if version != "1.0":
            self._refuse(f"The packet is XML {version}, not 1.0", 0)
        if declared is not None and not self.encoded.agrees_with(declared):
            self._refuse(f"The packet declares {declared} but is {self.encoded.codec.upper()}", 0)
