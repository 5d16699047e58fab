"""What the photographer said about faces is kept inside the state folder, whatever lies there."""

from __future__ import annotations

from pathlib import Path

import pytest

from xmpsync.errors import DiskNeedsAttention
from xmpsync.shoot.answers import Answer, read_answers, write_answers


def test_answers_never_leave_the_state_folder_through_a_link(tmp_path: Path) -> None:
    outside = tmp_path / "outside.json"
    outside.write_text("somebody's")
    state = tmp_path / "shoot" / ".xmpsync"
    state.mkdir(parents=True)
    (state / "people.json").symlink_to(outside)
    with pytest.raises(DiskNeedsAttention):
        read_answers(state)
    write_answers(state, [Answer("K1.dng", 0.5, 0.5, "Ida")])
    assert outside.read_text() == "somebody's"
    assert read_answers(state) == (Answer("K1.dng", 0.5, 0.5, "Ida"),)
    write_answers(state, [])
    assert read_answers(state) == ()
    assert sorted(p.name for p in state.iterdir()) == []
