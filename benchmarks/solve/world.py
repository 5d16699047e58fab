"""The worlds of the bench: what may be true of a shoot, as numbers. None of them is handed to the solver.

The truth about real weddings is not known, so every number that a solver could be tuned on is varied here: one world
changes one thing of the usual world, the last ones change several. Units: `de` = CIEDE2000 of skin at equal luminance.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

Range = tuple[int, int]
"""Smallest and largest of an evenly drawn whole number."""


@dataclass(frozen=True, slots=True)
class World:
    """One kind of shoot. Each draw of the same world and seed is the same shoot."""

    people: int = 4
    lights: int = 9
    """Visits of a light: each is one run of frames."""
    compositions: Range = (3, 7)
    """Of one visit."""
    burst: Range = (1, 1)
    """Frames of one composition: its persons, settings, as-shot white and poses are shared, its noise is new."""
    most_faces: int = 3
    no_face: float = 0.12
    """Part of the compositions without a face."""
    strangers: float = 0.05
    """Part of the faces that belong to a guest who is no reference and seldom returns."""
    clipped: float = 0.02
    """Part of the faces whose skin is clipped."""

    state_de: float = 0.5
    """Skin state of one face in one composition: blush and tan, root mean square."""
    person_light_de: float = 0.5
    """What one person looks like in one light beyond what the spectra give (bounce, make-up), root mean square."""
    uneven_de: float = 1.0
    """The own colour of a face's regions around its mean, root mean square; the same in every frame."""
    side_ev: float = 0.3
    """How much brighter one half of a face is; which one flips from composition to composition. Standard deviation."""
    pose_ev: float = 0.10
    """How a face is turned to the light: real, and to be corrected. Standard deviation."""
    gather_de: float = 0.25
    gather_ev: float = 0.03
    """Error of measuring one face in one composition beyond noise (which cells count as lit skin); not told."""
    iso: float = 400.0
    cells: tuple[float, float] = (80.0, 4000.0)
    """Cells of a face, evenly drawn in ln."""
    wander_mired: float = 1.5
    """Real change of a light from composition to composition, as a tilt of its spectrum."""

    who: str = "identity"
    """"names", "identity", "names and identity" or "none"."""
    wrong_names: float = 0.0
    alike: bool = False
    """Each second person is a sibling of the one before: nearly the same skin, hardly apart in identity."""

    references: str = "one frame"
    """"one frame" (a group of up to four), "one of several" (a portrait of one person), "all" (a frame for everybody),
    "several for one" (three portraits of one person)."""
    as_shot_error: float = 0.03
    """ln units of R and B against G, of one composition."""
    as_shot_wild: float = 0.0
    """Part of the compositions whose as-shot white is that of any other light (a preset left over)."""
    manual: float = 0.4
    """Part of the visits whose white was set by hand: one error for all of them."""
    meter_ev: float = 0.35
    flash: float = 0.1
    """Part of the visits with flash (of one frame, its power is unknown)."""
    misfire: float = 0.0
    """Part of flash compositions of which the flash did not fire."""
    bodies: int = 1
    clock_s: float = 0.0
    """What the clock of the second body is slow by."""
    drift: float = 0.0
    """How far a visit's light goes towards dusk by its end: part of a clear sky in it, and as many EV down."""
    returning: bool = False
    """Lights come back later in the day."""
    mixed_pairs: float = 0.0
    """Part of the compositions with several faces of which one stands in a second light."""
    mixed_sides: float = 0.0
    """Part of the faces one side of which is lit by a second light."""
    # Not in the repr, by which shoots are drawn: worlds that do not use these stay as they were.
    lamps: bool = field(default=False, repr=False)
    """All lights but the first are coloured or discharge lamps."""
    walk_s: tuple[float, float] | None = field(default=None, repr=False)
    """Seconds between two visits; None: now and then at once, mostly a walk."""
    crowd: Range = field(default=(0, 0), repr=False)
    """Guests beside the persons of a composition."""
    apart: bool = field(default=False, repr=False)
    """The first person, who has the reference, is never in one light with the others."""
    portraits: int = field(default=0, repr=False)
    """Persons share the features of so many portraits and differ by skin alone; 0: all have features of their own."""


USUAL = World()

WORLDS: dict[str, World] = {
    "usual": USUAL,
    "state 0, person x light 0": replace(USUAL, state_de=0.0, person_light_de=0.0),
    "state 0, person x light 0.5": replace(USUAL, state_de=0.0),
    "state 0, person x light 1.5": replace(USUAL, state_de=0.0, person_light_de=1.5),
    "state 0.5, person x light 0": replace(USUAL, person_light_de=0.0),
    "state 0.5, person x light 1.5": replace(USUAL, person_light_de=1.5),
    "state 1, person x light 0": replace(USUAL, state_de=1.0, person_light_de=0.0),
    "state 1, person x light 0.5": replace(USUAL, state_de=1.0),
    "state 1, person x light 1.5": replace(USUAL, state_de=1.0, person_light_de=1.5),
    "even faces": replace(USUAL, uneven_de=0.0, side_ev=0.0),
    "uneven faces, flipping side light": replace(USUAL, uneven_de=2.0, side_ev=0.8),
    "very uneven faces, flipping side light": replace(USUAL, uneven_de=3.0, side_ev=0.8),
    "relit portraits": replace(
        USUAL, state_de=0.0, person_light_de=0.0, uneven_de=2.0, side_ev=0.8, compositions=(3, 5), who="none",
        strangers=0.0, no_face=0.05, most_faces=2, people=3,
    ),
    "one person": replace(USUAL, people=1, most_faces=1),
    "two people": replace(USUAL, people=2, most_faces=2),
    "six people": replace(USUAL, people=6),
    "siblings": replace(USUAL, people=6, alike=True),
    "look-alikes of other colour": replace(USUAL, people=6, portraits=2, compositions=(6, 12)),
    "siblings, names": replace(USUAL, people=6, alike=True, who="names and identity", wrong_names=0.1),
    "few frames a light": replace(USUAL, compositions=(1, 5), lights=12),
    "200 frames a light": replace(USUAL, compositions=(200, 200), lights=3),
    "bursts of eight": replace(USUAL, burst=(8, 8), compositions=(3, 5)),
    "bursts of 2 to 30": replace(USUAL, burst=(2, 30), compositions=(1, 3)),
    "bursts, state 0, uneven": replace(
        USUAL, burst=(8, 8), compositions=(3, 5), state_de=0.0, uneven_de=2.0, side_ev=0.8
    ),
    "names, 10 % wrong": replace(USUAL, who="names", wrong_names=0.1, people=6),
    "names and identity, 10 % wrong": replace(USUAL, who="names and identity", wrong_names=0.1, people=6),
    "nobody tells, no identity": replace(USUAL, who="none"),
    "nobody tells, no identity, six people": replace(USUAL, who="none", people=6, compositions=(8, 16)),
    "identity of small and blurred faces": replace(USUAL, cells=(30.0, 200.0), people=6),
    "noise": replace(USUAL, iso=6400.0, cells=(40.0, 600.0)),
    "many strangers": replace(USUAL, strangers=0.35, no_face=0.15),
    "half without faces": replace(USUAL, no_face=0.5, compositions=(4, 9)),
    "reference for all": replace(USUAL, references="all"),
    "reference for one of several": replace(USUAL, references="one of several"),
    "several references for one": replace(USUAL, references="several for one"),
    "several references for one, state 1": replace(USUAL, references="several for one", state_de=1.0),
    "as-shot far off": replace(USUAL, as_shot_error=0.15, as_shot_wild=0.3, manual=0.0),
    "flash that misfires": replace(USUAL, flash=0.7, misfire=0.12),
    "two bodies, one 90 s slow": replace(USUAL, bodies=2, clock_s=90.0, compositions=(5, 10)),
    "dusk": replace(USUAL, drift=0.4, compositions=(10, 20), lights=5),
    "lights come back": replace(USUAL, returning=True),
    "mixed light between faces": replace(USUAL, mixed_pairs=0.3),
    "mixed light on one face": replace(USUAL, mixed_sides=0.12),
    "mixed light, uneven faces": replace(USUAL, mixed_pairs=0.2, mixed_sides=0.08, uneven_de=2.0, side_ev=0.8),
    "dance floor": replace(USUAL, lights=20, compositions=(2, 4), lamps=True, walk_s=(1.0, 15.0), returning=True),
    "groups of eight to ten, two recur": replace(USUAL, people=2, most_faces=2, crowd=(6, 8), strangers=0.0),
    "reference never with the others": replace(USUAL, references="one of several", apart=True),
    "sunset over 600 frames": replace(USUAL, drift=0.9, lights=2, compositions=(300, 300)),
    "two bodies, clocks 25 min apart": replace(USUAL, bodies=2, clock_s=1500.0, compositions=(5, 10)),
    "everything at once": replace(
        USUAL, people=5, state_de=0.7, person_light_de=1.0, uneven_de=2.0, side_ev=0.6, burst=(1, 6),
        who="names and identity", wrong_names=0.1, bodies=2, clock_s=90.0, misfire=0.08, flash=0.25, drift=0.2,
        returning=True, mixed_pairs=0.1, mixed_sides=0.04, strangers=0.1, as_shot_wild=0.05,
    ),
}  # fmt: skip
