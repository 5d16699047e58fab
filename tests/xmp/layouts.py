"""Random layouts of packets, written by a serialiser of their own, so that it can say what an edit must give.

A layout is a recipe; `render(values, edited)` turns it into bytes with other texts for our fields. For fields in
`edited` the text is written plainly, as an edit does it: without the CDATA sections and character references that the
original may have had, and before a comment inside the value.
"""

from __future__ import annotations

from dataclasses import dataclass

from hypothesis import strategies as st
from hypothesis.strategies import DrawFn

RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
CRS = "http://ns.adobe.com/camera-raw-settings/1.0/"
DC = "http://purl.org/dc/elements/1.1/"
XMP = "http://ns.adobe.com/xap/1.0/"
META = "adobe:ns:meta/"
OTHER = "http://example.org/other/"

FIELDS = ("Temperature", "Tint", "WhiteBalance", "Exposure2012")
FORMS = ("attribute", "element", "cdata", "two cdata", "reference", "comment", "language", "resource", "node", "short")
ENCODINGS = (
    ("utf-8", b""), ("utf-8", b""), ("utf-8", b"\xef\xbb\xbf"), ("utf-16-le", b"\xff\xfe"), ("utf-16-be", b"\xfe\xff"),
    ("utf-16-le", b""), ("utf-16-be", b""), ("utf-32-le", b"\xff\xfe\0\0"), ("utf-32-be", b"\0\0\xfe\xff"),
    ("utf-32-le", b""), ("utf-32-be", b""),
)  # fmt: skip


@dataclass
class Layout:
    codec: str
    mark: bytes
    line: str
    quote: str
    rdf: str
    crs: str
    values: dict[str, str]
    forms: dict[str, str]
    places: dict[str, int]
    descriptions: int
    order: list[str]
    about: list[str]
    wrapper: str
    packet: str
    padding: int
    rating: str
    keywords: list[str] | None
    label: str
    decoys: list[str]
    declaration: bool
    declare: str

    def render(
        self, values: dict[str, str] | None = None, edited: frozenset[str] = frozenset(), rating: str | None = None
    ) -> bytes:
        """The packet's bytes; `values` replace those of the layout's own fields."""
        used = {**self.values, **(values or {})}
        text = self._document(used, edited, self.rating if rating is None else rating)
        return self.mark + text.encode(self.codec)

    def _document(self, values: dict[str, str], edited: frozenset[str], rating: str) -> str:
        q, n = self.quote, self.line
        parts: list[str] = []
        if self.declaration:
            parts.append(f"<?xml version={q}1.0{q}?>{n}")
        declared = "".join(" " + item for item in self._declarations()) if self.declare == "rdf" else ""
        rdf = f"<{self.rdf}:RDF xmlns:{self.rdf}={q}{RDF}{q}{declared}>{n}"
        for index in range(self.descriptions):
            rdf += self._description(index, values, edited, rating)
        rdf += f"</{self.rdf}:RDF>{n}"
        if self.wrapper in ("xmpmeta", "xapmeta"):
            rdf = f"<x:{self.wrapper} xmlns:x={q}{META}{q}>{n}{rdf}</x:{self.wrapper}>{n}"
        elif self.wrapper == "foreign":
            inner = f"<x:xmpmeta xmlns:x={q}{META}{q}>{rdf}</x:xmpmeta>"
            rdf = (
                f"<doc a={q}crs:Tint=1{q}>crs:Temperature <crs:Tint xmlns:crs={q}{CRS}{q}>1</crs:Tint>{inner}</doc>{n}"
            )
        if self.packet:
            parts.append(f"<?xpacket begin={q}{self.packet}{q} id={q}W5M0MpCehiHzreSzNTczkc9d{q}?>{n}")
        parts.append(rdf)
        if self.packet:
            parts.append((" " * self.padding + n) + f"<?xpacket end={q}w{q}?>")
        return "".join(parts)

    def _description(self, index: int, values: dict[str, str], edited: frozenset[str], rating: str) -> str:
        q, n, crs = self.quote, self.line, self.crs
        space = n + "   " if n else " "
        attributes = [f"{self.rdf}:about={q}{self.about[index]}{q}"]
        declarations = self._declarations()
        if self.declare == "description":
            attributes += declarations
        elif self.declare == "property":
            # attributes need theirs here; elements bring their own
            attributes += [item for item in declarations if item.startswith((f"xmlns:{crs}=", "xmlns:dc")) is False]
            if any(self.forms[name] == "attribute" and self.places[name] == index for name in values):
                attributes.append(f"xmlns:{crs}={q}{CRS}{q}")
        elements: list[str] = []
        if "element" in self.decoys and index == 0:
            elements.append(f"<o:Temperature>1</o:Temperature><!-- <{crs}:Tint>9</{crs}:Tint> -->")
        for name in self.order:
            if name in values and self.places[name] == index:
                form = self.forms[name]
                if form == "attribute":
                    other = "'" if q == '"' else '"'
                    mark = other if name == "Tint" else q
                    attributes.append(f"{crs}:{name}={mark}{values[name]}{mark}")
                else:
                    elements.append(self._element(name, values[name], form, name in edited))
        if index == 0:
            attributes.append(f"xmp:Rating={q}{rating}{q}")
            attributes.append(f"xmp:Label={q}{self.label}{q}")
            if "structure" in self.decoys:
                elements.append(
                    f"<o:s {self.rdf}:parseType={q}Resource{q} xmlns:{crs}={q}{CRS}{q}>"
                    f"<{crs}:Temperature>1</{crs}:Temperature>"
                    f"<{crs}:Tint>{self.label}</{crs}:Tint></o:s>"
                )
            if "cdata" in self.decoys:
                elements.append(f"<o:t><![CDATA[<{crs}:Temperature>1</{crs}:Temperature> & ]]></o:t>")
        if self.keywords is not None and index == self.descriptions - 1:
            words = "".join(f"{n}    <{self.rdf}:li>{word}</{self.rdf}:li>" for word in self.keywords)
            own = f" xmlns:dc={q}{DC}{q}" if self.declare == "property" else ""
            elements.append(f"<dc:subject{own}><{self.rdf}:Bag>{words}{n}</{self.rdf}:Bag></dc:subject>")
        if "instruction" in self.decoys:
            elements.append(f"<?note {crs}:Tint={q}1{q}?>")
        start = f"  <{self.rdf}:Description " + space.join(attributes)
        if not elements:
            return start + f"/>{n}"
        return start + ">" + n + "".join(f"   {item}{n}" for item in elements) + f"  </{self.rdf}:Description>{n}"

    def _declarations(self) -> list[str]:
        q = self.quote
        return [
            f"xmlns:{self.crs}={q}{CRS}{q}", f"xmlns:xmp={q}{XMP}{q}", f"xmlns:dc={q}{DC}{q}", f"xmlns:o={q}{OTHER}{q}",
        ]  # fmt: skip

    def _element(self, name: str, text: str, form: str, edited: bool) -> str:
        q, rdf, end = self.quote, self.rdf, f"{self.crs}:{name}"
        own = self.declare == "property"
        tag = f"{end} xmlns:{self.crs}={q}{CRS}{q}" if own else end
        plain = text
        if form == "cdata" and not edited:
            plain = f"<![CDATA[{text}]]>"
        elif form == "two cdata" and not edited:
            plain = f"<![CDATA[{text[:1]}]]><![CDATA[{text[1:]}]]>"
        elif form == "reference" and not edited:
            plain = "".join(f"&#{ord(sign)};" if index % 2 else f"&#x{ord(sign):X};" for index, sign in enumerate(text))
        elif form == "comment":
            plain = f"{text}<!-- {name} -->" if edited else f"{text[:1]}<!-- {name} -->{text[1:]}"
        if form == "language":
            return f"<{tag} xml:lang={q}en{q}>{plain}</{end}>"
        if form == "resource":
            return f"<{tag} {rdf}:parseType={q}Resource{q}><o:q>x</o:q> <{rdf}:value>{plain}</{rdf}:value></{end}>"
        if form == "node":
            return f"<{tag}><{rdf}:Description {rdf}:value={q}{plain}{q} o:q={q}y{q}/></{end}>"
        if form == "short":
            return f"<{tag} o:q={q}z{q} {rdf}:value={q}{plain}{q}/>"
        return f"<{tag}>{plain}</{end}>"


_WORDS = st.text(st.sampled_from("abcäß漢🦊 -_0"), min_size=1, max_size=8).map(str.strip).filter(bool)


@st.composite
def layouts(draw: DrawFn) -> Layout:
    """Random layouts with any subset of our fields."""
    codec, mark = draw(st.sampled_from(ENCODINGS))
    descriptions = draw(st.integers(1, 3))
    present = draw(st.lists(st.sampled_from(FIELDS), unique=True))
    values = {
        "Temperature": str(draw(st.integers(2000, 50000))),
        "Tint": draw(st.integers(-150, 150).map(lambda n: f"{n:+d}")),
        "WhiteBalance": draw(st.sampled_from(("As Shot", "Custom", "Daylight", "Auto"))),
        "Exposure2012": f"{draw(st.integers(-400, 400)) / 100:+.2f}",
    }
    quote = draw(st.sampled_from("\"'"))
    return Layout(
        codec=codec,
        mark=mark,
        line=draw(st.sampled_from(("\n", "\r\n", "\r", ""))),
        quote=quote,
        rdf=draw(st.sampled_from(("rdf", "r", "RDF-1", "ü"))),
        crs=draw(st.sampled_from(("crs", "c", "c2", "_x", "ö.1"))),
        values={name: values[name] for name in present},
        forms={name: draw(st.sampled_from(FORMS)) for name in FIELDS},
        places={name: draw(st.integers(0, descriptions - 1)) for name in FIELDS},
        descriptions=descriptions,
        order=draw(st.permutations(FIELDS)),
        about=[""] * descriptions,
        wrapper=draw(st.sampled_from(("xmpmeta", "xapmeta", "none", "foreign"))),
        packet=draw(st.sampled_from(("", "\ufeff"))),
        padding=draw(st.integers(0, 300)),
        rating=draw(st.sampled_from(("-1", "0", "3", "5"))),
        keywords=draw(st.none() | st.lists(_WORDS, unique=True, max_size=4)),
        label=draw(st.sampled_from(("Rot &amp; Grün", "crs:Tint=&quot;1&quot; >", "&#x1F98A;", ""))),
        decoys=draw(st.lists(st.sampled_from(("element", "structure", "cdata", "instruction")), unique=True)),
        declaration=draw(st.booleans()),
        declare=draw(st.sampled_from(("description", "rdf", "property"))),
    )
