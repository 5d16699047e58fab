"""The wishes held against the measured frames: what goes into the solver's question, or every reason why it cannot.

An option that would do nothing is an error: a strength for a frame that is left out, an unknown camera, a mark for skin
on something that is not skin.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.colour.camera import render
from xmpsync.colour.cielab import lab_from_xyz_d50
from xmpsync.errors import Trouble, WrongOptions, WrongUsage
from xmpsync.measurement import Face
from xmpsync.plan.standing import Standing
from xmpsync.shoot.names_given import face_at
from xmpsync.shoot.pointers import LabNumbers, Pointer
from xmpsync.shoot.request import Stand
from xmpsync.shoot.wishes import Bound, Wishes
from xmpsync.skin.records import FaceSkin
from xmpsync.solve.problem import Reference

LOCUS_AB = ((6.4, 8.0), (31.4, 37.0))
LOCUS_RADIUS = 14.0
"""Where skin lies in CIELAB a, b at Y = 0.3: around the segment between these points, from little to much pigment.

Fitted to the two-layer skin model of `benchmarks.skin.spectra` under A, D55, D65, D75. 99 % of 180
measured skins (Lu et al. 2025) pass at the right white and 94 % at whites up to 40 mired and 15 of tint off; of other
measured materials 13 % of the 190 patches and 17 % of the 99 samples of CIE 224:2017 in colour-science. Wood, sand and
brick are among them: three channels cannot tell these from skin, so every mark is named in the output.
"""
LEAST_CHROMA = 5.0
"""Greys lie within the radius of the palest skin, whose own chroma is 8 and more."""
LUMINANCE = 0.3
"""Lightness does not count: a dark patch has the hue of a bright one, but less chroma."""


def bind(wishes: Wishes, stand: Stand, troubles: Sequence[Trouble]) -> Bound:
    """The wishes among frames that can be used.

    `troubles`: why frames are missing. Raises WrongOptions with everything that cannot be done.
    """
    wrong: list[WrongUsage] = []
    references = []
    for meant in wishes.references:
        try:
            references.append(_reference(meant, stand, troubles))
        except WrongUsage as error:
            wrong.append(error)
    clocks, unknown = _by_body(wishes.clocks, stand)
    wrong += [*unknown, *_absent(wishes, stand), *_skin(wishes, stand), *_neutral(wishes, stand)]
    if wrong:
        raise WrongOptions(wrong)
    return Bound(tuple(references), wishes.keep, wishes.leave_out, wishes.strengths, wishes.nudges, clocks)


def by_hand_notes(wishes: Wishes) -> tuple[str, ...]:
    """A sentence about the places that count as skin because the options mark them."""
    if not wishes.skin:
        return ()
    places = ", ".join(pointer.text for pointer in wishes.skin)
    return (f"Skin by --skin: {places}. Wood, sand or brick can have that colour: look at these places.",)


def _reference(meant: Pointer | LabNumbers, stand: Stand, troubles: Sequence[Trouble]) -> Reference:
    if isinstance(meant, LabNumbers):
        return Reference(person=meant.person, lab_d50=meant.lab)
    standing = stand.frames.get(meant.frame_id)
    if standing is None:
        why = [t.sentence for t in troubles if t.frame_id == meant.frame_id]
        raise WrongUsage(
            f"The reference {meant.frame_id} cannot be used. {' '.join(why)}".strip(),
            next_step="Choose another frame as reference.",
        )
    face_id = None
    if meant.place is not None:
        x, y = meant.place
        face = face_at(standing.measurement.faces, x, y)
        if face is None:
            raise WrongUsage(
                f"The reference {meant.text!r}: no face and no skin at {x:g},{y:g}.",
                next_step="Give another place, in fractions of the upright picture.",
            )
        face_id = face.face_id
    return Reference(person=meant.person, frame_id=meant.frame_id, face_id=face_id)


def _by_body(given: Mapping[str, float], stand: Stand) -> tuple[dict[str, float], list[WrongUsage]]:
    """Clock corrections by body, from names of a body, a model or a serial number; and names that are wrong."""
    captures = {s.measurement.capture.body: s.measurement.capture for s in stand.frames.values()}
    shifts: dict[str, float] = {}
    wrong = []
    for name, seconds in given.items():
        bodies = sorted(body for body, c in captures.items() if name in (body, c.model, c.serial))
        if len(bodies) == 1:
            shifts[bodies[0]] = seconds
        elif bodies:
            wrong.append(
                WrongUsage(f"--clock {name!r} fits {len(bodies)} cameras.", next_step=f"Name one: {', '.join(bodies)}.")
            )
        else:
            here = ", ".join(sorted(captures))
            wrong.append(WrongUsage(f"--clock {name!r}: no such camera.", next_step=f"Cameras here: {here}."))
    return shifts, wrong


def _absent(wishes: Wishes, stand: Stand) -> list[WrongUsage]:
    """Strengths and nudges for frames that are not worked on."""
    named = [("--strength-at", one.frame_id) for one in wishes.strengths]
    named += [("--nudge-light" if one.whole_light else "--nudge", one.frame_id) for one in wishes.nudges]
    return [
        WrongUsage(
            f"{option}: {frame_id} is left out by --frames or --min-rating, or unreadable.",
            next_step="Name another frame, or leave the option out.",
        )
        for option, frame_id in named
        if frame_id not in stand.frames
    ]


def _skin(wishes: Wishes, stand: Stand) -> list[WrongUsage]:
    wrong = []
    marked = [("--skin", pointer) for pointer in wishes.skin]
    marked += [("--reference", pointer) for pointer in wishes.references if isinstance(pointer, Pointer)]
    for option, pointer in marked:
        standing = stand.frames.get(pointer.frame_id)
        if standing is None or pointer.place is None:
            continue
        x, y = pointer.place
        faces = standing.measurement.faces
        hit = [face for face in faces if face.box.contains(x, y)] or [f for f in [face_at(faces, x, y)] if f]
        if not hit and option == "--reference":
            continue  # reported where references are read
        if not any(not face.by_hand or could_be_skin(face, standing) for face in hit):
            wrong.append(
                WrongUsage(
                    f"{option} {pointer.text!r} does not point at skin: the colour there is not a skin colour.",
                    next_step="Point at bare, lit skin, or leave it out.",
                )
            )
    return wrong


def _neutral(wishes: Wishes, stand: Stand) -> list[WrongUsage]:
    wrong = []
    for pointer in wishes.neutral:
        standing = stand.frames.get(pointer.frame_id)
        if standing is not None and pointer.place not in {(n.x, n.y) for n in standing.measurement.neutrals}:
            wrong.append(
                WrongUsage(
                    f"--neutral {pointer.text!r}: nothing can be measured there (clipped, dark, or too few pixels).",
                    next_step="Point at another place, or leave it out.",
                )
            )
    return wrong


def could_be_skin(face: Face, standing: Standing) -> bool:
    """Whether a patch marked by hand has a colour that skin can have at the as-shot white."""
    if not isinstance(face.skin, FaceSkin):
        return False
    white = standing.as_shot
    return skin_like(render(standing.profile, np.array(face.skin.camera), white.temperature_k, white.tint, 0.0))


def skin_like(xyz_d50: FloatArray) -> bool:
    """Whether a colour (3,), XYZ with the D50 white at any level, lies where skin does."""
    a, b = lab_from_xyz_d50(xyz_d50 / max(float(xyz_d50[1]), 1e-9) * LUMINANCE)[1:]
    start, end = np.array(LOCUS_AB)
    along, place = end - start, np.array([a, b])
    nearest = start + np.clip((place - start) @ along / (along @ along), 0.0, 1.0) * along
    return bool(np.hypot(a, b) >= LEAST_CHROMA and np.hypot(*(place - nearest)) <= LOCUS_RADIUS)
