"""The tables of the solver's bench: a row per way, and the rule that the solver is never worse than the plain way."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchmarks.solve.chance import REAL, broken_share
from benchmarks.solve.score import Rows
from benchmarks.solve.ways import ALONE, BASELINES, TOLD

Figures = dict[str, float]
COLUMNS = (
    ("skin_median_de00", "dE50", "5.2f"), ("skin_p95_de00", "dE95", "5.2f"),
    ("level_median_ev", "EV50", "5.3f"), ("level_p95_ev", "EV95", "5.3f"),
    ("follow_median_mired", "mrd50", "5.1f"), ("follow_p95_mired", "mrd95", "5.1f"),
    ("follow_median_tint", "tnt50", "5.1f"),
    ("lights_found", "lights", "6.1f"), ("lights_true", "true", "5.1f"),
    ("known_percent", "known%", "6.1f"), ("known_wrong_percent", "wrong%", "6.2f"),
    ("unknown_percent", "unkn%", "5.1f"), ("judged_percent", "judg%", "5.1f"),
    ("mixed_found_percent", "mix+%", "5.1f"), ("mixed_false_percent", "mix-%", "5.1f"),
    ("sd_mired", "sd mrd", "6.2f"), ("sd_tint", "tint", "5.2f"), ("sd_ev", "EV", "5.2f"),
    ("rms_mired", "rms mrd", "7.2f"), ("rms_tint", "tint", "5.2f"), ("rms_ev", "EV", "5.2f"),
    ("within_two_sd_percent", "<2sd%", "5.1f"),
    ("cpu_s", "CPU s", "6.2f"),
)  # fmt: skip
LEGEND = """\
dE, EV: true skin against the person's reference, median and 95 %. mrd, tnt: frames without a face or with guests
only, against the ideal skin settings of their light. lights: per body, found and true. known, wrong, unkn: faces
called known, of these somebody else, persons' faces left unknown. judg: faces judged of those that can be. mix: frames
in mixed light found, other frames called so. sd: error over the deviation given (1 is right), from the median; rms: the
same as a mean square, in which an answer that is one of several counts; <2sd: share within two (95 is right)."""
RULE = {
    TOLD: {"skin_median_de00": 0.02, "skin_p95_de00": 0.1, "level_median_ev": 0.01},
    ALONE: {"skin_median_de00": 0.1, "skin_p95_de00": 0.2, "level_median_ev": 0.02},
}
"""What a figure may be worse by than the best plain way of the same world."""
LIMITS: dict[str, tuple[float, float, str]] = {
    "known_wrong_percent": (0.0, 0.5, "wrong among faces called known, %"),
    "judged_percent": (95.0, 100.0, "judged of what can be, %"),
    "mixed_found_percent": (95.0, 100.0, "mixed light found, %"),
    "mixed_false_percent": (0.0, 1.0, "false mixed light, %"),
    "sd_mired": (0.8, 1.25, "error over deviation, mired"),
    "sd_tint": (0.8, 1.25, "error over deviation, tint"),
    "sd_ev": (0.8, 1.25, "error over deviation, EV"),
    "follow_median_mired": (0.0, 4.0, "frames without faces, mired"),
    "follow_median_tint": (0.0, 2.0, "frames without faces, tint"),
}
"""What is wanted of the solver, told nothing, in every world."""
SHORT = {"skin_median_de00": "dE50", "skin_p95_de00": "dE95", "level_median_ev": "EV50"}


def table(world: str, frames: float, faces: float, rows: dict[str, Figures]) -> str:
    """One world: its ways as rows."""
    lines = [f"== {world}: {frames:.0f} frames, {faces:.0f} faces a shoot", header()]
    for way, found in rows.items():
        cells = [_cell(found.get(name, math.nan), form) for name, _, form in COLUMNS]
        lines.append(f"{way:20s}" + " ".join(cells))
    return "\n".join(lines)


def header() -> str:
    """The heads of the columns."""
    return " " * 20 + " ".join(f"{head:>{int(form.split('.')[0])}s}" for _, head, form in COLUMNS)


@dataclass(frozen=True, slots=True)
class Breach:
    """A figure that is worse than the best plain way by more than the rule allows; `share`: of the draws of chance."""

    text: str
    share: float

    @property
    def real(self) -> bool:
        return self.share >= REAL

    def __str__(self) -> str:
        return f"{self.text}: {'real' if self.real else 'within noise'} ({100 * self.share:.0f} % of draws)"


def breaches(answer: dict[str, dict[str, Figures]], faces: dict[str, dict[str, list[Rows]]]) -> list[Breach]:
    """Every figure of every world that breaks the rule, and whether that is more than chance; `faces`: all errors."""
    out = []
    for way, limits in RULE.items():
        for world, rows in answer.items():
            plain = [b for b in BASELINES if b in rows]
            if way not in rows or not plain:
                continue
            for name, limit in limits.items():
                best = min(rows[b][name] for b in plain)
                worse = rows[way][name] - best
                if worse > limit:
                    figures = f"{rows[way][name]:.3f}, plain {best:.3f}: worse by {worse:.3f} (allowed {limit})"
                    share = broken_share(faces[world][way], [faces[world][b] for b in plain], name, limit)
                    out.append(Breach(f"{way:13s} {world:42s} {SHORT[name]} {figures}", share))
    return out


def beyond(answer: dict[str, dict[str, Figures]]) -> list[str]:
    """Every figure of the solver, told nothing, that is outside `LIMITS`: one line for each, with the worlds."""
    out = []
    for name, (low, high, words) in LIMITS.items():
        values = {world: rows[ALONE][name] for world, rows in answer.items() if ALONE in rows}
        finite = {world: v for world, v in values.items() if math.isfinite(v)}
        outside = {world: v for world, v in finite.items() if not low <= v <= high}
        if outside:
            worlds = ", ".join(f"{world} {v:.2f}" for world, v in outside.items())
            out.append(f"{words} ({low:g} to {high:g}): {len(outside)} of {len(finite)} worlds: {worlds}")
    return out


def _cell(value: float, form: str) -> str:
    width = int(form.split(".")[0])
    return f"{value:{form}}" if math.isfinite(value) else f"{'-':>{width}s}"
