"""The element tree of an XML document with the byte offset of every tag.

The standard library's expat gives exact offsets for tags when it is fed UTF-8 in one call; it neither opens a file nor
the network. Every document type declaration is refused, which ends entity bombs, external entities and default
attributes at once. Depth and amount of markup are bounded before and while parsing.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NoReturn
from xml.parsers import expat

from xmpsync.errors import SidecarMalformed
from xmpsync.xmp.encoding import NEXT_STEP, Encoded, place
from xmpsync.xmp.names import SEPARATOR

XML_SPACE = " \t\r\n"


@dataclass(frozen=True, slots=True)
class Limits:
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


LIMITS = Limits()


class Element:
    """One element. Offsets count bytes of the UTF-8 copy: `start` is the `<` of the start tag, `inner_end` the `<` of
    the end tag, `end` the byte after the whole element. `attributes` are (name, value) without namespace
    declarations, in the order of the document; `declared` the declarations; `content` texts, elements and `Aside`s.
    """

    __slots__ = ("attributes", "content", "declared", "empty_tag", "end", "inner_end", "name", "parent", "start", "tag")

    def __init__(
        self,
        name: str,
        attributes: list[tuple[str, str]],
        declared: dict[str, str],
        start: int,
        parent: Element | None,
    ) -> None:
        self.name = name
        self.attributes = attributes
        self.declared = declared
        self.start = start
        self.parent = parent
        self.content: list[str | Element | Aside] = []
        self.inner_end = -1
        self.end = -1
        self.empty_tag = False
        self.tag: object = None
        """The start tag taken apart, once somebody asked (`xmpsync.xmp.tags`)."""

    @property
    def elements(self) -> list[Element]:
        """Child elements."""
        return [item for item in self.content if isinstance(item, Element)]

    @property
    def text(self) -> str:
        """Own text, comments left out."""
        return "".join(item for item in self.content if isinstance(item, str))

    def attribute(self, name: str) -> str | None:
        return next((value for key, value in self.attributes if key == name), None)

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

    def walk(self) -> Iterator[Element]:
        """This element and all below it, in document order."""
        stack = [self]
        while stack:
            node = stack.pop()
            yield node
            stack.extend(reversed(node.elements))


@dataclass(frozen=True, slots=True)
class Aside:
    """A comment (`target` None) or a processing instruction: kept, never read. `start` is the offset of its `<`."""

    target: str | None
    text: str
    start: int = field(compare=False)


@dataclass(frozen=True, slots=True)
class Document:
    """A scanned document; `asides` are those outside the root element."""

    encoded: Encoded
    root: Element
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
    before = None
    for item in parent.content:
        if isinstance(item, Element):
            before = item
        elif isinstance(item, str) and item.strip(XML_SPACE):
            start = start_tag_end(utf8, parent) if before is None else before.end
            space = _SPACES.match(utf8, start)
            return start if space is None else space.end()
    return None


def scan(encoded: Encoded, limits: Limits = LIMITS) -> Document:
    """The tree of a document. Raises `SidecarMalformed` where it is no well-formed XML 1.0 with namespaces, has a
    document type declaration, declares another encoding than it has, or is larger or deeper than `limits`."""
    utf8 = encoded.utf8
    for sign, limit, what in ((b"<", limits.max_tags, "tags"), (b"=", limits.max_attributes, "attributes")):
        if utf8.count(sign) > limit:
            raise SidecarMalformed(f"The packet has more than {limit} {what}", next_step=NEXT_STEP)
    return _Scanner(encoded, limits).run()


class _Scanner:
    def __init__(self, encoded: Encoded, limits: Limits) -> None:
        self.encoded = encoded
        self.limits = limits
        self.parser = expat.ParserCreate("UTF-8", SEPARATOR)
        self.root: Element | None = None
        self.open: list[Element] = []
        self.declared: dict[str, str] = {}
        self.asides: list[Aside] = []

    def run(self) -> Document:
        parser = self.parser
        parser.buffer_text = True  # offsets of texts are not used
        parser.buffer_size = 2**18  # few pieces, since joining them costs
        parser.ordered_attributes = True
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._text
        parser.CommentHandler = self._comment
        parser.ProcessingInstructionHandler = self._instruction
        parser.StartNamespaceDeclHandler = self._namespace
        parser.StartDoctypeDeclHandler = self._doctype
        parser.XmlDeclHandler = self._declaration
        try:
            parser.Parse(self.encoded.utf8, True)
        except expat.ExpatError as error:
            self._refuse(f"The packet is not well-formed XML: {self._why(error.code)}", parser.ErrorByteIndex)
        assert self.root is not None  # expat refuses a document without an element
        return Document(self.encoded, self.root, tuple(self.asides))

    def _why(self, code: int) -> str:
        if not self.encoded.utf8[self.parser.ErrorByteIndex :].strip(b"\0"):
            return "NUL bytes or nothing follow"
        reason = expat.ErrorString(code)
        return "unexpected character" if reason == expat.errors.XML_ERROR_INVALID_TOKEN else reason

    def _refuse(self, what: str, offset: int) -> NoReturn:
        line, column = place(self.encoded.utf8, offset)
        raise SidecarMalformed(what, line=line, column=column, next_step=NEXT_STEP)

    def _start(self, name: str, flat: list[str]) -> None:
        parent = self.open[-1] if self.open else None
        declared, self.declared = self.declared, {}
        attributes = list(zip(flat[::2], flat[1::2], strict=True))
        element = Element(name, attributes, declared, self.parser.CurrentByteIndex, parent)
        if len(flat) > 2 * self.limits.max_attributes_of_one:
            self._refuse(f"An element has more than {self.limits.max_attributes_of_one} attributes", element.start)
        if parent is None:
            self.root = element
        else:
            parent.content.append(element)
            if len(self.open) >= self.limits.max_depth:
                self._refuse(f"The packet is nested deeper than {self.limits.max_depth} elements", element.start)
        self.open.append(element)

    def _end(self, _name: str) -> None:
        element = self.open.pop()
        offset = self.parser.CurrentByteIndex
        utf8 = self.encoded.utf8
        element.inner_end = offset
        # for <a/> the parser reports the byte after the tag; a start tag ends in "/>" only if it is an empty one
        if not element.content and utf8[offset - 2 : offset] == b"/>":
            element.empty_tag = True
            element.end = offset
        else:
            element.end = utf8.index(b">", offset) + 1

    def _text(self, text: str) -> None:
        content = self.open[-1].content
        if content and isinstance(content[-1], str):
            content[-1] += text
        else:
            content.append(text)

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
