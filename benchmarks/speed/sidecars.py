"""Sidecars as editors leave them: several layouts, 2 to 30 kB, with face regions, local adjustments and padding."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from xmpsync.records import Box

CRS = "http://ns.adobe.com/camera-raw-settings/1.0/"
NAMESPACES = (
    ("xmp", "http://ns.adobe.com/xap/1.0/"),
    ("tiff", "http://ns.adobe.com/tiff/1.0/"),
    ("exif", "http://ns.adobe.com/exif/1.0/"),
    ("aux", "http://ns.adobe.com/exif/1.0/aux/"),
    ("dc", "http://purl.org/dc/elements/1.1/"),
    ("xmpMM", "http://ns.adobe.com/xap/1.0/mm/"),
    ("stEvt", "http://ns.adobe.com/xap/1.0/sType/ResourceEvent#"),
    ("mwg-rs", "http://www.metadataworkinggroup.com/schemas/regions/"),
    ("stDim", "http://ns.adobe.com/xap/1.0/sType/Dimensions#"),
    ("stArea", "http://ns.adobe.com/xmp/sType/Area#"),
    ("crs", CRS),
)
"""Schemas of XMP part 2 and of the MWG guidelines 2.0."""

LAYOUTS = ("attributes", "elements", "apart", "flat")
"""Settings as attributes; as elements; a Description for each schema; everything on one line."""
SIZES = (2_000, 4_000, 6_000, 6_000, 8_000, 8_000, 10_000, 14_000, 20_000, 30_000)
"""Bytes: most sidecars hold plain settings, a few hold many local adjustments."""
PADDED = 5
"""Every fifth packet has a wrapper and padding for edits in place (XMP part 1, 7.3.2)."""
HISTORY = "2026-06-13T15:%02d:%02d"


@dataclass(frozen=True, slots=True)
class Holds:
    """What one sidecar says: white balance with numbers, exposure, and the faces' names and boxes."""

    white_balance: str
    temperature_k: int
    tint: int
    exposure_ev: float
    faces: Sequence[tuple[str | None, Box]]


def sidecar(number: int, holds: Holds) -> bytes:
    """The sidecar of the `number`-th frame; layout and size follow from the number."""
    layout = LAYOUTS[number % len(LAYOUTS)]
    size = SIZES[number % len(SIZES)]
    simple = _simple(number, holds)
    nested = _regions(holds.faces) + _history(number) + _keywords(number)
    fixed = sum(len(name) + len(text) + 16 for name, text in simple) + len(nested) + 1200
    more = size - fixed
    if more > 5_000:  # a large sidecar is mostly local adjustments
        nested += _adjustments(number, more - 3_000)
        more = 3_000
    simple += _more_settings(number, more)
    text = _document(layout, simple, nested)
    if layout == "flat":
        text = "".join(line.lstrip() if line.lstrip().startswith("<") else " " + line.lstrip() for line in _lines(text))
    if number % PADDED == 0:
        padding = "\n".join([" " * 99] * 20)
        text = f'<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n{text}{padding}\n<?xpacket end="w"?>'
    return text.encode("utf-8")


def _lines(text: str) -> list[str]:
    return text.split("\n")


def _simple(number: int, holds: Holds) -> list[tuple[str, str]]:
    return [
        ("xmp:Rating", str(number % 6)),
        ("xmp:ModifyDate", HISTORY % (number % 60, number // 60 % 60)),
        ("tiff:Make", "Bench"),
        ("tiff:Model", "Body"),
        ("exif:ExposureTime", "1/160"),
        ("exif:FNumber", "28/10"),
        ("aux:Lens", "35.0-70.0 mm f/2.8"),
        ("xmpMM:DocumentID", f"xmp.did:{number:032x}"),
        ("crs:Version", "11.0"),
        ("crs:ProcessVersion", "11.0"),
        ("crs:WhiteBalance", holds.white_balance),
        ("crs:Temperature", str(holds.temperature_k)),
        ("crs:Tint", f"{holds.tint:+d}" if holds.tint else "0"),
        ("crs:Exposure2012", f"{holds.exposure_ev:+.2f}" if holds.exposure_ev else "0.00"),
        ("crs:HasSettings", "True"),
    ]


def _more_settings(number: int, size: int) -> list[tuple[str, str]]:
    found, length = [], 0
    while length < size:
        found.append((f"crs:Setting{len(found):03d}", f"{(number * 7 + len(found)) % 201 - 100:+d}"))
        length += 28
    return found


def _regions(faces: Sequence[tuple[str | None, Box]]) -> str:
    if not faces:
        return ""
    items = "".join(
        "      <rdf:li>\n"
        f'       <rdf:Description{f""" mwg-rs:Name="{name}" """ if name else " "}mwg-rs:Type="Face">\n'
        f'        <mwg-rs:Area stArea:x="{box.centre[0]:.6f}" stArea:y="{box.centre[1]:.6f}" '
        f'stArea:w="{box.width:.6f}" stArea:h="{box.height:.6f}" stArea:unit="normalized"/>\n'
        "       </rdf:Description>\n"
        "      </rdf:li>\n"
        for name, box in faces
    )
    return (
        '   <mwg-rs:Regions rdf:parseType="Resource">\n'
        '    <mwg-rs:AppliedToDimensions stDim:w="6000" stDim:h="4000" stDim:unit="pixel"/>\n'
        f"    <mwg-rs:RegionList>\n     <rdf:Bag>\n{items}     </rdf:Bag>\n    </mwg-rs:RegionList>\n"
        "   </mwg-rs:Regions>\n"
    )


def _history(number: int) -> str:
    items = "".join(
        f'      <rdf:li stEvt:action="saved" stEvt:instanceID="xmp.iid:{number * 8 + k:032x}" '
        f'stEvt:when="{HISTORY % (k, number % 60)}" stEvt:changed="/metadata"/>\n'
        for k in range(1 + number % 4)
    )
    return f"   <xmpMM:History>\n    <rdf:Seq>\n{items}    </rdf:Seq>\n   </xmpMM:History>\n"


def _keywords(number: int) -> str:
    if number % 3:
        return ""
    return "   <dc:subject>\n    <rdf:Bag>\n     <rdf:li>wedding</rdf:li>\n    </rdf:Bag>\n   </dc:subject>\n"


def _adjustments(number: int, size: int) -> str:
    """A list of structures with many fields each, some holding lists of strokes."""
    items, length = [], 0
    while length < size:
        k = len(items)
        fields = " ".join(f'crs:Local{name}="{(k * 13 + i) % 100 / 100:.6f}"' for i, name in enumerate(_LOCAL))
        strokes = "".join(f"          <rdf:li>d {0.3 + k / 97:.6f} {0.4 + i / 89:.6f}</rdf:li>\n" for i in range(12))
        items.append(
            f'      <rdf:li>\n       <rdf:Description crs:What="Correction" crs:Amount="1.000000" {fields}>\n'
            '        <crs:Masks>\n         <rdf:Seq>\n          <rdf:li crs:What="Mask" crs:Value="1"/>\n'
            "         </rdf:Seq>\n        </crs:Masks>\n        <crs:Dabs>\n         <rdf:Seq>\n"
            f"{strokes}         </rdf:Seq>\n        </crs:Dabs>\n"
            "       </rdf:Description>\n      </rdf:li>\n"
        )
        length += len(items[-1])
    return f"   <crs:Adjustments>\n    <rdf:Seq>\n{''.join(items)}    </rdf:Seq>\n   </crs:Adjustments>\n"


_LOCAL = (
    "Exposure", "Contrast", "Saturation", "Clarity", "Sharpness", "Brightness", "Hue", "Temperature", "Tint",
    "Highlights", "Shadows", "Whites", "Blacks", "Noise", "Moire", "Defringe",
)  # fmt: skip


def _document(layout: str, simple: list[tuple[str, str]], nested: str) -> str:
    def declared(prefixes: set[str] | None = None) -> str:
        return "".join(f'\n    xmlns:{p}="{uri}"' for p, uri in NAMESPACES if prefixes is None or p in prefixes)

    if layout == "elements":
        body = "".join(f"   <{name}>{text}</{name}>\n" for name, text in simple) + nested
        inside = f'  <rdf:Description rdf:about=""{declared()}>\n{body}  </rdf:Description>\n'
    elif layout == "apart":
        inside = ""
        for prefix, _ in NAMESPACES:
            own = [(name, text) for name, text in simple if name.startswith(prefix + ":")]
            if own:
                texts = "".join(f'\n   {name}="{text}"' for name, text in own)
                inside += f'  <rdf:Description rdf:about=""{declared({prefix})}{texts}/>\n'
        inside += f'  <rdf:Description rdf:about=""{declared()}>\n{nested}  </rdf:Description>\n'
    else:
        texts = "".join(f'\n   {name}="{text}"' for name, text in simple)
        inside = f'  <rdf:Description rdf:about=""{declared()}{texts}>\n{nested}  </rdf:Description>\n'
    return (
        '<x:xmpmeta xmlns:x="adobe:ns:meta/" x:xmptk="Bench 1.0">\n'
        f' <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">\n{inside} </rdf:RDF>\n</x:xmpmeta>\n'
    )
