"""What the user asked for. The remembered part is kept in a run's manifest and reused by later commands."""

from __future__ import annotations

import shlex
from dataclasses import dataclass, fields, replace
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from xmpsync.errors import WrongUsage

_TYPED = {"references": "--reference", "camera_profiles": "--camera-profile", "tolerance_de00": "--tolerance"}
"""Options whose name on the command line is not that of the field."""

SHARE, RATING, TOLERANCE = (0.0, 1.0), (0, 5), (0.01, 1000.0)
RANGES = (
    ("--strength", "strength", *SHARE),
    ("--neutral-weight", "neutral_weight", *SHARE),
    ("--min-rating", "min_rating", *RATING),
    ("--tolerance", "tolerance_de00", *TOLERANCE),
    ("--tolerance", "tolerance_ev", *TOLERANCE),
)
"""The range of every option that is a number: option, field of `Options`, least, most.

Checked when options are read among the frames (`wishes`), and when they come from a manifest, which may be anybody's.
"""
Share = Annotated[float, Meta(ge=SHARE[0], le=SHARE[1])]
Tolerance = Annotated[float, Meta(ge=TOLERANCE[0], le=TOLERANCE[1])]
Texts = Annotated[tuple[str, ...], Meta(max_length=10_000)]


@dataclass(frozen=True, slots=True)
class Options:
    """Everything that decides what is proposed; the texts are as typed, so that they mean the same later."""

    references: Texts = ()
    frames: Texts = ()
    min_rating: Annotated[int, Meta(ge=RATING[0], le=RATING[1])] | None = None
    include_rejected: bool = False
    only: Literal["wb", "exposure"] | None = None
    strength: Share = 1.0
    strength_at: Texts = ()
    neutral: Texts = ()
    neutral_weight: Share = 0.0
    nudge: Texts = ()
    nudge_light: Texts = ()
    keep: Texts = ()
    keep_custom: bool = False
    leave_out: Texts = ()
    skin: Texts = ()
    tag: str | None = None
    tolerance_de00: Tolerance = 2.0
    tolerance_ev: Tolerance = 0.25
    clock: Texts = ()
    body: Texts = ()
    camera_profiles: Texts = ()
    scale: str | None = None
    embed_dng: bool = False
    write_regions: bool = False
    metadata_date: bool = False

    def only_widens(self) -> bool:
        """Whether nothing is given beside what would write more: then the rest may come from an earlier run."""
        return self.narrowed() == Options()

    def narrowed(self) -> Options:
        """The same without what would write more: what is remembered never widens what may be written."""
        return replace(self, embed_dng=False, write_regions=False, tag=None, metadata_date=False)

    def as_typed(self, beside: Options | None = None) -> str:
        """The options as on a command line, quoted for a shell; those equal to `beside` left out."""
        usual = beside or Options()
        words: list[str] = []
        for one in fields(self):
            value, name = getattr(self, one.name), _TYPED.get(one.name, "--" + one.name.replace("_", "-"))
            if one.name.startswith("tolerance"):
                value = (self.tolerance_de00, self.tolerance_ev)
                if one.name == "tolerance_ev" or value == (usual.tolerance_de00, usual.tolerance_ev):
                    continue
                words += [name, f"{self.tolerance_de00:g}", f"{self.tolerance_ev:g}"]
            elif value == getattr(usual, one.name):
                continue
            elif value is True:
                words.append(name)
            else:
                for item in value if isinstance(value, tuple) else (value,):
                    words += [name, f"{item:g}" if isinstance(item, float) else str(item)]
        return shlex.join(words)

    def to_manifest(self) -> dict[str, Any]:
        """As plain JSON values."""
        plain: dict[str, Any] = msgspec.to_builtins(self)
        return plain

    @staticmethod
    def from_manifest(plain: dict[str, Any]) -> Options:
        """Back from JSON values; unknown keys of another version are ignored."""
        try:
            return msgspec.convert(plain, type=Options)
        except msgspec.ValidationError as error:
            raise WrongUsage(
                f"The options remembered by the newest run cannot be read ({error}).",
                next_step="Give the options again.",
            ) from error
