"""A small chart as inline SVG: how far skin is off, frame by frame, before and after."""

from __future__ import annotations

from collections.abc import Sequence

WIDTH, HEIGHT, LEFT, BOTTOM, TOP = 1100, 200, 40, 24, 10
TOLERANCE_DE00 = 2.0


def difference_chart(points: Sequence[tuple[int, float, float]], n_frames: int) -> str:
    """SVG of (frame index, dE00 before, dE00 after): rings before, dots after, the tolerance as a line."""
    top = max(5.0, *(max(before, after) for _, before, after in points)) * 1.05

    def x(index: int) -> float:
        return LEFT + (index + 0.5) / n_frames * (WIDTH - LEFT)

    def y(value: float) -> float:
        return TOP + (1 - value / top) * (HEIGHT - TOP - BOTTOM)

    parts = [f'<line x1="{LEFT}" x2="{WIDTH}" y1="{y(0):.1f}" y2="{y(0):.1f}" stroke="#888"/>']
    parts.append(
        f'<line x1="{LEFT}" x2="{WIDTH}" y1="{y(TOLERANCE_DE00):.1f}" y2="{y(TOLERANCE_DE00):.1f}" '
        f'stroke="#888" stroke-dasharray="4 4"/><text x="4" y="{y(TOLERANCE_DE00) + 4:.1f}">2 ΔE</text>'
    )
    parts.append(f'<text x="4" y="{y(top) + 12:.1f}">{top:.0f} ΔE</text>')
    for index, before, after in points:
        parts.append(f'<circle cx="{x(index):.1f}" cy="{y(before):.1f}" r="3" fill="none" stroke="#777"/>')
        parts.append(f'<circle cx="{x(index):.1f}" cy="{y(after):.1f}" r="3" fill="#222"/>')
    parts.append(f'<text x="{LEFT}" y="{HEIGHT - 6}">frames in order of time; rings before, dots after</text>')
    return (
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" width="100%" role="img" aria-label="difference of skin before and after">'
        + "".join(parts)
        + "</svg>"
    )
