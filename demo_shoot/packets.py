"""Sidecars as an editor would leave them: other edits, ratings, keywords and face regions. All values are invented."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr


@dataclass(frozen=True)
class Look:
    """White balance and exposure of a sidecar; None leaves the fields out (as shot)."""

    temperature_k: int
    tint: int
    exposure_ev: float


@dataclass(frozen=True)
class FaceRegion:
    """A face region: box as fractions (left, top, width, height) of the upright picture, and a name."""

    name: str
    box: tuple[float, float, float, float]


@dataclass(frozen=True)
class Edits:
    """Edits that the tool must keep: an even and an odd set are written in different XML styles."""

    look: Look | None = None
    as_shot: tuple[int, int] | None = None
    """The editor's own temperature and tint for the as-shot white, beside no look of its own."""
    rating: int | None = None
    keywords: Sequence[str] = ()
    crop: tuple[float, float, float, float] | None = None
    contrast: int | None = None
    regions: Sequence[FaceRegion] = ()
    as_elements: bool = False


def packet(edits: Edits, *, width: int, height: int, raw_name: str, wrapper: bool = False) -> bytes:
    """UTF-8 bytes of one packet; `wrapper` adds the xpacket processing instructions and padding of an embedded one."""
    simple: list[tuple[str, str]] = [("crs:Version", "15.0"), ("crs:ProcessVersion", "11.0")]
    if edits.rating is not None:
        simple.append(("xmp:Rating", str(edits.rating)))
    if edits.look is not None:
        simple += [
            ("crs:WhiteBalance", "Custom"),
            ("crs:Temperature", str(edits.look.temperature_k)),
            ("crs:Tint", f"{edits.look.tint:+d}"),
            ("crs:Exposure2012", f"{edits.look.exposure_ev:+.2f}"),
        ]
    else:
        simple.append(("crs:WhiteBalance", "As Shot"))
        if edits.as_shot is not None:
            simple += [("crs:Temperature", str(edits.as_shot[0])), ("crs:Tint", f"{edits.as_shot[1]:+d}")]
    if edits.contrast is not None:
        simple += [("crs:Contrast2012", f"{edits.contrast:+d}"), ("crs:Clarity2012", "+8")]
    simple.append(("crs:HasCrop", "True" if edits.crop else "False"))
    if edits.crop:
        simple += [
            (f"crs:Crop{side}", f"{value:.6f}")
            for side, value in zip(("Left", "Top", "Right", "Bottom"), edits.crop, strict=True)
        ]
    simple += [("crs:HasSettings", "True"), ("crs:RawFileName", raw_name)]
    if edits.as_elements:
        attributes = ""
        body = "".join(f"   <{name}>{escape(value)}</{name}>\n" for name, value in simple)
    else:
        attributes = "".join(f"\n   {name}={quoteattr(value)}" for name, value in simple)
        body = ""
    body += _keywords(edits.keywords) + _regions(edits.regions, width, height)
    text = (
        '<x:xmpmeta xmlns:x="adobe:ns:meta/" x:xmptk="choir archive 1.4">\n'
        ' <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">\n'
        '  <rdf:Description rdf:about=""\n'
        '    xmlns:xmp="http://ns.adobe.com/xap/1.0/"\n'
        '    xmlns:dc="http://purl.org/dc/elements/1.1/"\n'
        '    xmlns:crs="http://ns.adobe.com/camera-raw-settings/1.0/"\n'
        '    xmlns:mwg-rs="http://www.metadataworkinggroup.com/schemas/regions/"\n'
        '    xmlns:stDim="http://ns.adobe.com/xap/1.0/sType/Dimensions#"\n'
        '    xmlns:stArea="http://ns.adobe.com/xmp/sType/Area#"'
        f"{attributes}>\n{body}  </rdf:Description>\n </rdf:RDF>\n</x:xmpmeta>\n"
    )
    if wrapper:
        padding = (" " * 100 + "\n") * 8
        text = f'<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n{text}{padding}<?xpacket end="w"?>'
    return text.encode("utf-8")


def rounded_look(temperature_k: float, tint: float, exposure_ev: float) -> Look:
    """The numbers as a sidecar holds them: whole kelvin and tint, hundredths of EV, within the fields' ranges."""
    return Look(
        int(min(max(round(temperature_k), 2000), 50000)),
        int(min(max(round(tint), -150), 150)),
        float(min(max(round(exposure_ev, 2), -4.0), 4.0)),
    )


def _keywords(words: Sequence[str]) -> str:
    if not words:
        return ""
    items = "".join(f"     <rdf:li>{escape(word)}</rdf:li>\n" for word in words)
    return f"   <dc:subject>\n    <rdf:Bag>\n{items}    </rdf:Bag>\n   </dc:subject>\n"


def _regions(regions: Sequence[FaceRegion], width: int, height: int) -> str:
    """Face regions after the Metadata Working Group's guidelines 2.0: x and y are the centre."""
    if not regions:
        return ""
    items = ""
    for region in regions:
        left, top, w, h = region.box
        items += (
            '      <rdf:li>\n       <rdf:Description mwg-rs:Type="Face"'
            f" mwg-rs:Name={quoteattr(region.name)}>\n"
            f'        <mwg-rs:Area stArea:x="{left + w / 2:.5f}" stArea:y="{top + h / 2:.5f}" stArea:w="{w:.5f}"'
            f' stArea:h="{h:.5f}" stArea:unit="normalized"/>\n'
            "       </rdf:Description>\n      </rdf:li>\n"
        )
    return (
        '   <mwg-rs:Regions rdf:parseType="Resource">\n'
        f'    <mwg-rs:AppliedToDimensions stDim:w="{width}" stDim:h="{height}" stDim:unit="pixel"/>\n'
        f"    <mwg-rs:RegionList>\n     <rdf:Bag>\n{items}     </rdf:Bag>\n    </mwg-rs:RegionList>\n"
        "   </mwg-rs:Regions>\n"
    )
