"""What the photographer said about faces is kept inside the state folder, whatever lies there."""

from __future__ import annotations

from pathlib import Path

import pytest

from xmpsync.disk.files import RealFileSystem
from xmpsync.errors import DiskNeedsAttention, Refused
from xmpsync.faces.matching import MatchSettings, marked_face
from xmpsync.measurement import BY_HAND, Face
from xmpsync.records import Box
from xmpsync.shoot.names_given import Answer, change_answers, face_at, read_answers, write_answers
from xmpsync.write.lock import held


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


def test_an_answer_made_while_a_run_is_at_work_is_refused_and_nothing_is_kept(tmp_path: Path) -> None:
    with held(tmp_path, RealFileSystem.around(tmp_path)), pytest.raises(Refused, match="at work"):
        change_answers(tmp_path, lambda kept: [*kept, Answer("K1.dng", 0.5, 0.5, "Ida")])
    assert read_answers(tmp_path) == ()


def test_answers_kept_meanwhile_are_not_lost(tmp_path: Path) -> None:
    ida, ben = Answer("K1.dng", 0.5, 0.5, "Ida"), Answer("K2.dng", 0.5, 0.5, "Ben")
    change_answers(tmp_path, lambda kept: [*kept, ida])
    change_answers(tmp_path, lambda kept: [*kept, ben])
    assert read_answers(tmp_path) == (ida, ben)


def test_a_place_means_the_face_that_a_mark_there_picks_when_the_frame_is_measured() -> None:
    """Beside a face there is no second patch: the worker gives the place to the face, and so must everybody else."""
    left, right = Face("f1", Box(0.2, 0.3, 0.1, 0.2)), Face("f2", Box(0.32, 0.3, 0.1, 0.2))
    patch = Face("h1", Box(0.9, 0.9, 0.02, 0.02), origin=BY_HAND)
    faces = [left, right, patch]
    settings = MatchSettings()
    for x, y in ((0.25, 0.4), (0.25, 0.52), (0.19, 0.3), (0.31, 0.35), (0.315, 0.35), (0.6, 0.6), (0.92, 0.93)):
        picked = marked_face(x, y, [left.box, right.box], settings)
        assert face_at(faces, x, y) is (None if picked is None else faces[picked]), (x, y)
    assert face_at(faces, 0.25, 0.52) is left  # just below its box
    assert face_at(faces, 0.91, 0.91) is patch
