"""Tables that fit the window: values are never cut. Names are shortened in the middle, then columns give way."""

from __future__ import annotations

from collections.abc import Collection, Sequence

GAP = 2
MIN_NAME = 12
"""A shortened name keeps at least this many letters: the start and the number at the end of a camera's file name."""


def shortened(name: str, width: int) -> str:
    """The name in at most `width` columns; its start and its end stay, since numbers stand at the end."""
    if len(name) <= width:
        return name
    tail = (width - 1) * 2 // 3
    return f"{name[: width - 1 - tail]}\N{HORIZONTAL ELLIPSIS}{name[len(name) - tail :]}"


def fitted(
    columns: Sequence[str],
    rows: Sequence[Sequence[str]],
    width: int,
    *,
    right: Collection[str] = (),
    names: Collection[str] = (),
    yielding: Sequence[str] = (),
) -> list[str]:
    """The table as lines of at most `width` columns.

    `names`: columns that may be shortened. `yielding`: columns that are left out, in this order, where that is not
    enough. What remains is printed whole, even where it is wider than the window.
    """
    kept = [i for i, name in enumerate(columns) if any(row[i] for row in rows) or not rows]
    while True:
        widths = {i: max(len(columns[i]), *(len(row[i]) for row in rows), 0) for i in kept}
        least = {i: min(w, max(MIN_NAME, len(columns[i]))) if columns[i] in names else w for i, w in widths.items()}
        if sum(least.values()) + GAP * (len(kept) - 1) <= width:
            break
        gone = next((columns.index(name) for name in yielding if columns.index(name) in kept), None)
        if gone is None:
            break
        kept.remove(gone)
    room = width - sum(least.values()) - GAP * (len(kept) - 1)
    for i in kept:
        if columns[i] in names:
            more = min(max(room, 0), widths[i] - least[i])
            least[i] += more
            room -= more
    lines = []
    for row in [columns, *rows]:
        cells = []
        for i in kept:
            text = shortened(row[i], least[i]) if columns[i] in names else row[i]
            cells.append(text.rjust(least[i]) if columns[i] in right else text.ljust(least[i]))
        lines.append((" " * GAP).join(cells).rstrip())
    return lines
