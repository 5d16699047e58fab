"""What the user asked for. The remembered part is kept in a run's manifest and reused by later commands."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import msgspec

from xmpsync.errors import WrongUsage


@dataclass(frozen=True, slots=True)
class Options:
    """Everything that decides what is proposed; the texts are as typed, so that they mean the same later."""

    references: tuple[str, ...] = ()
    frames: tuple[str, ...] = ()
    min_rating: int | None = None
    include_rejected: bool = False
    only: Literal["wb", "exposure"] | None = None
    strength: float = 1.0
    strength_at: tuple[str, ...] = ()
    neutral: tuple[str, ...] = ()
    neutral_weight: float = 0.0
    keep: tuple[str, ...] = ()
    keep_custom: bool = False
    skin: tuple[str, ...] = ()
    tag: str | None = None
    tolerance_de00: float = 2.0
    tolerance_ev: float = 0.25
    clock: tuple[str, ...] = ()
    camera_profiles: tuple[str, ...] = ()
    scale: str | None = None
    embed_dng: bool = False
    metadata_date: bool = False

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


@dataclass(frozen=True, slots=True)
class Machine:
    """How to work, not what to propose: never remembered."""

    state: Path | None = None
    use_store: bool = True
    remeasure: bool = False
    n_workers: int = 1
    timeout_s: float = 180.0
    people: bool = True
