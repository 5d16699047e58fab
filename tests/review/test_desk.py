"""Choices on the desk: what each means, what it costs, how it is undone, and that none is lost."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from tests.cli.conftest import REFERENCE
from xmpsync.errors import NoReference, WrongUsage, XmpsyncError
from xmpsync.events import Silent
from xmpsync.measuring.machine import Machine
from xmpsync.plan.options import Options
from xmpsync.review.choice import Choice, options_after, wish_of
from xmpsync.review.view import view
from xmpsync.shoot.choices import CHOICES_NAME, MAX_BYTES, Step, carried, keep_steps, read_steps
from xmpsync.shoot.names_given import Answer, change_answers, read_answers
from xmpsync.shoot.review import Review
from xmpsync.solve.problem import Frame
from xmpsync.solve.solution import Basis

Open = Callable[..., Review]


@pytest.fixture
def desk(shoot: Path) -> Open:
    def _open(*references: str, **options: object) -> Review:
        return Review(shoot, Options(references=references, **options), Machine(n_workers=1), Silent())  # type: ignore[arg-type]

    return _open


def _frame(review: Review, stem: str) -> Frame:
    return next(f for f in review.now.proposal.request.frames if f.frame_id.startswith(stem))


def _choose(review: Review, frame: Frame | None = None, **choice: object) -> None:
    asked = Choice(**choice)  # type: ignore[arg-type]
    wish = wish_of(asked, frame, review.now)
    if wish is not None:
        review.say(wish)
    else:
        review.change(options_after(review.options, asked, frame, review.now))


def _values(review: Review) -> dict[str, object]:
    return {row.frame_id: (row.after, row.result.basis, row.result.faces) for row in review.now.proposal.rows}


def test_every_choice_can_be_undone_and_redone_to_the_very_values(desk: Open) -> None:
    review = desk(REFERENCE)
    seven = _frame(review, "jubilee_0007")
    face = seven.faces[0].face_id
    named = _frame(review, "jubilee_0003").faces[0].face_id
    choices = [
        (seven, {"do": "nudge", "warmer": 5.0, "ev": 0.1}),
        (seven, {"do": "nudge-light", "tint": 2.0}),
        (seven, {"do": "strength", "value": 0.4}),
        (seven, {"do": "neutral", "x": 0.05, "y": 0.05}),
        (None, {"do": "neutral-weight", "value": 0.5}),
        (seven, {"do": "hold"}),
        (_frame(review, "jubilee_0009"), {"do": "leave-out"}),
        (seven, {"do": "name-face", "face": face, "person": "Nora"}),
        (_frame(review, "jubilee_0003"), {"do": "reference-face", "face": named, "person": "Ida"}),
        (None, {"do": "name-person", "other": "Ravi", "person": "Ravi B"}),
    ]
    steps = [_values(review)]
    said = [read_answers(review.state)]
    for frame, choice in choices:
        if choice["do"] == "hold":
            _choose(review, frame, do="nudge", value=-1.0)  # a held frame takes no nudge
            steps.append(_values(review))
            said.append(read_answers(review.state))
        _choose(review, frame, **choice)
        steps.append(_values(review))
        said.append(read_answers(review.state))
    solves = review._desk.n_solved
    for at in reversed(range(len(steps) - 1)):
        review.step(-1)
        assert _values(review) == steps[at], at
        assert read_answers(review.state) == said[at], at
    assert not review.can_undo
    for at in range(1, len(steps)):
        review.step(1)
        assert _values(review) == steps[at], at
        assert read_answers(review.state) == said[at], at
    assert review._desk.n_solved <= solves + 4  # the newest solves are kept


def test_strength_neutrals_and_nudges_ask_for_no_new_solve_and_another_reference_does(desk: Open) -> None:
    review = desk(REFERENCE)
    seven, before = _frame(review, "jubilee_0007"), review._desk.n_solved
    _choose(review, seven, do="nudge", warmer=5.0)
    _choose(review, seven, do="nudge", warmer=5.0)
    _choose(review, seven, do="strength", value=0.4)
    _choose(review, seven, do="neutral", x=0.05, y=0.05)
    assert review.options.nudge == (f"{seven.frame_id}=+10,0,0",)
    assert review._desk.n_solved == before
    _choose(review, _frame(review, "jubilee_0003"), do="reference-frame")
    assert review._desk.n_solved == before + 1


def test_quick_answers_are_those_of_a_command_that_starts_from_nothing(desk: Open, shoot: Path) -> None:
    review = desk(REFERENCE)
    three, seven = _frame(review, "jubilee_0003"), _frame(review, "jubilee_0007")
    _choose(review, three, do="reference-face", face=three.faces[0].face_id, person="Ida")
    _choose(review, seven, do="nudge", warmer=5.0, tint=-2.0, ev=0.1)
    _choose(review, seven, do="neutral", x=0.05, y=0.05)
    _choose(review, do="neutral-weight", value=0.3)
    _choose(review, _frame(review, "jubilee_0009"), do="leave-out")
    fresh = Review(shoot, replace(review.options), Machine(n_workers=1), Silent())
    assert not fresh.from_kept
    assert {k: v[0] for k, v in _values(fresh).items()} == {k: v[0] for k, v in _values(review).items()}  # type: ignore[index]
    planned = review.plan().correction
    assert {row.frame_id: row.after for row in planned.proposal.rows} == {k: v[0] for k, v in _values(review).items()}  # type: ignore[index]


def test_a_skin_chosen_for_one_person_leaves_the_others_their_reference(desk: Open) -> None:
    review = desk(REFERENCE)
    three = _frame(review, "jubilee_0003")
    assert [f.name for f in three.faces][:1] == ["Ida"]
    _choose(review, three, do="reference-face", face=three.faces[0].face_id, person="Ida")
    whose = sorted(text.partition("=")[0] for text in review.options.references)
    assert whose == ["Amara", "Ida", "Jun", "Ravi", "Selma", "Tomas"]
    (ida,) = [text for text in review.options.references if text.startswith("Ida=")]
    assert "jubilee_0003" in ida
    _choose(review, do="drop", text=ida)
    assert len(review.options.references) == 5


def test_skin_at_a_place_without_a_face_becomes_the_reference_and_a_wall_does_not(desk: Open) -> None:
    review = desk(REFERENCE)
    nine = _frame(review, "jubilee_0009")
    (face,) = nine.faces
    neck = (face.box.left + face.box.width / 2, face.box.top + face.box.height * 1.2)
    _choose(review, nine, do="reference-place", x=neck[0], y=neck[1], person="Ida")
    (ida,) = [text for text in review.options.references if text.startswith("Ida=")]
    assert "jubilee_0009" in ida
    now = next(f for f in review.now.proposal.solution.frames if f.frame_id == nine.frame_id)
    assert now.basis is Basis.REFERENCE and len(_frame(review, "jubilee_0009").faces) == 2
    for frame, x, y in ((_frame(review, "jubilee_0001"), 0.5, 0.05), (nine, 1.5, 0.5)):  # a wall; outside
        with pytest.raises(XmpsyncError):
            _choose(review, frame, do="reference-place", x=x, y=y, person="Ida")
    assert ida in review.options.references
    review.step(-1)
    assert len(_frame(review, "jubilee_0009").faces) == 1
    review.close()


def test_a_place_just_outside_a_faces_box_is_that_face_for_page_and_solver(desk: Open) -> None:
    review = desk(REFERENCE)
    nine = _frame(review, "jubilee_0009")
    (face,) = nine.faces
    chin = (face.box.left + face.box.width / 2, face.box.top + face.box.height * 1.08)
    assert not face.box.contains(*chin)
    _choose(review, nine, do="reference-place", x=chin[0], y=chin[1], person="Ida")
    assert [f.face_id for f in _frame(review, "jubilee_0009").faces] == [face.face_id]
    (ida,) = [r for r in review.now.ready.request.references if r.frame_id == nine.frame_id]
    assert ida.face_id == face.face_id and ida.person == "Ida"
    review.close()


def test_a_page_without_a_reference_offers_frames_and_writes_nothing(desk: Open) -> None:
    review = desk()
    found = view(review.now, review.people())
    assert not found["chosen"] and "choose a skin" in found["headline"]
    assert len(found["candidates"]) >= 2 and all(c["reasons"] for c in found["candidates"])
    assert all(row.after is None for row in review.now.proposal.rows)
    with pytest.raises(NoReference):
        review.plan()
    assert review.commands()[-1].startswith("xmpsync references ")
    _choose(review, _frame(review, "jubilee_0002"), do="reference-frame")
    assert any(row.after is not None for row in review.now.proposal.rows)
    review.step(-1)
    assert all(row.after is None for row in review.now.proposal.rows)


def test_invalid_choices_change_nothing(desk: Open) -> None:
    review = desk(REFERENCE)
    two, version = _frame(review, "jubilee_0002"), review.version
    for frame, choice in (
        (two, {"do": "nudge", "warmer": 5.0}),
        (two, {"do": "leave-out"}),
        (None, {"do": "hold"}),
        (two, {"do": "nonsense"}),
        (two, {"do": "name-face", "face": "f1", "person": "  "}),
        (two, {"do": "name-face", "face": "f99", "person": "Nora"}),
        (None, {"do": "join", "other": "Nobody", "person": "Ida"}),
        (None, {"do": "drop", "text": "../../etc/passwd"}),
    ):
        with pytest.raises(XmpsyncError):
            _choose(review, frame, **choice)
    assert review.version == version and not review.can_undo and read_answers(review.state) == ()


def test_undo_leaves_alone_what_a_terminal_said_about_people_in_between(desk: Open) -> None:
    review = desk(REFERENCE)
    seven = _frame(review, "jubilee_0007")
    _choose(review, seven, do="name-face", face=seven.faces[0].face_id, person="Nora")
    terminal = Answer(seven.frame_id, 0.1, 0.1, "Zoe")
    change_answers(review.state, lambda now: (*now, terminal))
    review.step(-1)
    assert read_answers(review.state) == (terminal,)
    assert carried((terminal,), (), (terminal,)) == (terminal,)


def test_kept_steps_stay_readable_however_many_frames_are_held(tmp_path: Path) -> None:
    many = tuple(f"card/a frame with a rather long name {n}.dng" for n in range(2000))
    steps = [Step(Options(references=("r",), keep=many[:-n]), ()) for n in range(1, 120)]
    keep_steps(tmp_path, steps, 100)
    assert (tmp_path / CHOICES_NAME).stat().st_size <= MAX_BYTES
    found = read_steps(tmp_path)
    assert found is not None
    kept, at = found
    assert kept[at] == steps[100] and kept[-1] == steps[-1] and len(kept) > 20
    (tmp_path / CHOICES_NAME).write_text("{}", encoding="utf-8")
    with pytest.raises(XmpsyncError, match="cannot be used"):
        read_steps(tmp_path)


def test_frames_held_by_any_of_their_names_are_the_same_frames_on_the_page(desk: Open) -> None:
    review = desk(REFERENCE, keep=("jubilee_0003",), nudge=("jubilee_0007=+5,0,0",))
    assert review.options.keep == ("jubilee_0003.dng",)
    _choose(review, _frame(review, "jubilee_0003"), do="hold")
    assert review.options.keep == ()
    _choose(review, _frame(review, "jubilee_0007"), do="nudge", warmer=-5.0)
    assert review.options.nudge == ()
    with pytest.raises(WrongUsage):
        review.step(5)


def test_kept_choices_never_widen_what_may_be_written(tmp_path: Path) -> None:
    """The file may be anybody's: RAW files, names in sidecars and dates are written only when asked for now."""
    wide = Options(references=("a",), embed_dng=True, write_regions=True, tag="word", metadata_date=True)
    keep_steps(tmp_path, [Step(wide, ())], 0)
    found = read_steps(tmp_path)
    assert found is not None
    assert found[0][0].options == Options(references=("a",))
