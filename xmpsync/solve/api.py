"""From a request to a solution: the stages in order.

references -> table -> moments -> light groups -> roster -> joint solve (groups found again) -> answers -> strength and
neutrals -> limits -> figures and findings. Nothing here decides anything; every stage has its module.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.errors import WrongUsage
from xmpsync.solve import by_skin, closed_form, evidence, gloss, groups, labels, reference, strength
from xmpsync.solve.answers import answers
from xmpsync.solve.field_limits import limited
from xmpsync.solve.fit import Fit, fit
from xmpsync.solve.given import Lights, given, lights_of
from xmpsync.solve.moments import moments
from xmpsync.solve.problem import Request
from xmpsync.solve.results import Solved, checked, solution
from xmpsync.solve.roster import alike_shared, roster
from xmpsync.solve.settings import DEFAULT, SolveSettings
from xmpsync.solve.solution import Solution
from xmpsync.solve.tables import IntArray, Table, build, medians


def solve(
    request: Request, settings: SolveSettings = DEFAULT, told_lights: Mapping[str, int] | None = None
) -> Solution:
    """A correction or a reason for every frame of the request, in its order.

    `told_lights`: light number by frame, where somebody knows (benches); else they are found.
    WrongUsage where a reference is impossible (no face, clipped skin, unknown baseline, not a frame): the message names
    the nearest usable frames.
    """
    return answered(request, solved(request, settings, told_lights), settings)


def solved(request: Request, settings: SolveSettings = DEFAULT, told_lights: Mapping[str, int] | None = None) -> Solved:
    """The slow part of `solve`: who is who, which light is which, and each frame's answer before anything is asked for
    beside exact skin. It depends on frames and references alone."""
    return _solved(request, settings, told_lights)


def answered(request: Request, solved: Solved, settings: SolveSettings = DEFAULT) -> Solution:
    """The quick part of `solve`: strength, marked neutrals, nudges, limits, figures and findings.

    `request` may differ from the one that was solved in these and in the tolerance; frames and references are the same.
    """
    by_id = {frame.frame_id: frame for frame in request.frames}
    table = replace(solved.table, frames=tuple(by_id[frame.frame_id] for frame in solved.table.frames))
    solved = replace(solved, table=table)
    found, group = solved.found, solved.lights.of_frame
    part, notes = strength.group_strengths(request, table, group)
    moved = strength.with_strength(table, group, found.theta, part)
    whites = strength.neutral_whites(table)
    moved = strength.with_neutrals(table, group, moved, whites, request.neutral_weight, ~table.fixed)
    light = found.light + (moved - found.theta)
    nudge, more_notes = strength.nudges(table, group, request.nudges)
    written = limited(table, group, moved, light, nudge, settings)
    return solution(request, solved, written, part, (*notes, *more_notes), settings)


def check(request: Request, settings: SolveSettings = DEFAULT) -> Solution:
    """How the skin matches as the sidecars stand now: the same persons and groups, no correction.

    `delta_e00_before` and `_after` are the same, at each frame's baseline.
    """
    return checked(request, _solved(request, settings, None), settings)


def _solved(request: Request, settings: SolveSettings, told_lights: Mapping[str, int] | None) -> Solved:
    if not request.frames:
        raise WrongUsage("There is no frame to solve.", next_step="Give a folder that holds RAW files.")
    chosen = reference.choices(request)
    fixed = frozenset(c.frame_id for c in chosen)
    table = build(request, fixed, settings)
    targets = reference.targets(request, chosen, table)
    people = reference.usual_colour(targets)
    asked = closed_form.wanted(table, people)
    lost = closed_form.beyond(table, asked, people, settings) & ~table.fixed[table.face_frame]
    beyond = frozenset(
        (table.frames[table.face_frame[i]].frame_id, table.faces[i].face_id) for i in np.flatnonzero(lost)
    )
    if beyond:
        table = build(request, fixed, settings, without=beyond)
        targets = reference.targets(request, chosen, table)
        asked = asked[~lost]
    moment = moments(table, settings.moments)
    lights = _lights(table, asked, moment, settings, False, told_lights)
    who, r = by_skin.founded(table, lights, roster(table, targets, moment, settings.priors), people, settings)
    told = evidence.told(who, settings.priors)
    table = gloss.doubted(table, targets, r)
    regroupings = settings.regroupings if told_lights is None else 0
    for left in range(regroupings, -1, -1):
        passes = settings.rough_passes if left else settings.passes
        start = given(table, lights, who, targets, people, told, settings)
        x = fit(start, r, _start(table, lights, asked), settings, passes)
        if not left:
            break
        # Now that it is known who is who, a face asks for its own person's colour: lights are told apart far better.
        asked, r = _asked_as_known(table, x, asked), x.r
        again = _lights(table, asked, moment, settings, True, None)
        if np.array_equal(again.of_frame, lights.of_frame) and np.array_equal(again.place, lights.place):
            x = fit(start, r, x.theta, settings, before=x)
            break
        lights = again
    called = labels.labels(table, lights, who, x, told, people, settings)
    for _ in range(settings.relabellings):
        again_r = labels.relabelled(table, lights, x, called)
        if np.abs(again_r - x.r).max(initial=0.0) < 0.5:
            break
        before, x = x, fit(start, again_r, x.theta, settings)
        called = labels.labels(table, lights, who, x, told, people, settings)
        if np.abs(x.r - before.r).max() < 0.5:
            break  # the passes took all of it back, and would do so again
    unsure = by_skin.doubtful(table, lights, x, settings)[table.face_frame]
    probability = alike_shared(
        who, labels.probabilities(table, lights, x, called), by_skin.apart(x, who.referenced), unsure
    )
    found = answers(table, lights, x, targets, probability, settings)
    return Solved(table, targets, people, who, told, lights, x, probability, found, beyond)


def _lights(
    table: Table, asked: FloatArray, moment: IntArray, s: SolveSettings, known: bool, told: Mapping[str, int] | None
) -> Lights:  # fmt: skip
    if told is not None:
        place = np.array([told[f.frame_id] for f in table.frames], dtype=np.intp)
        place = np.unique(place, return_inverse=True)[1].reshape(-1)
        pair = place * (int(table.body.max(initial=0)) + 1) + table.body
        return lights_of(table, np.unique(pair, return_inverse=True)[1].reshape(-1), place, moment)
    found = groups.find(table, closed_form.frame_means(table, asked), moment, s.groups, known)
    return lights_of(table, found.group, found.place, moment)


def _start(table: Table, lights: Lights, asked: FloatArray) -> FloatArray:
    """First whites (G, 2): of fixed frames, else the middle of what the faces ask for, else as-shot."""
    per_frame = closed_form.frame_means(table, asked)[:, :2]
    out = medians(table.as_shot[:, :2], lights.of_frame, np.ones(table.n_frames, dtype=bool), lights.n)
    for values, use in ((per_frame, np.isfinite(per_frame[:, 0])), (table.baseline[:, :2], table.fixed)):
        found = medians(values, lights.of_frame, use, lights.n)
        out = np.where(np.isfinite(found), found, out)
    return closed_form.inside(out)


def _asked_as_known(table: Table, x: Fit, before: FloatArray) -> FloatArray:
    """What each face asks for (N, 3) with its most probable person as target; NaN for `someone else`."""
    if not table.n_faces or x.r.shape[1] < 2:
        return np.full((table.n_faces, 3), np.nan)
    best = x.r[:, :-1].argmax(axis=1)
    known = x.r[np.arange(len(best)), best] >= 0.5
    return np.where(known[:, None], closed_form.wanted(table, x.persons_z[best]), np.nan)
