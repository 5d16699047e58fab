"""From a request to a solution: the stages in order.

references -> table -> closed form -> light groups -> first answer -> joint solve -> strength and neutrals -> limits ->
figures and findings. Nothing here decides anything; every stage has its module.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.errors import WrongUsage
from xmpsync.solve import groups, lights, links, mood, persons, reference, register, starting
from xmpsync.solve.answer import Solved, checked, solution
from xmpsync.solve.arrow import State
from xmpsync.solve.joint import Answer, solve_joint
from xmpsync.solve.limits import limited
from xmpsync.solve.problem import Request
from xmpsync.solve.settings import DEFAULT, SolveSettings
from xmpsync.solve.solution import Solution
from xmpsync.solve.tables import IntArray, Table, build


def solve(request: Request, settings: SolveSettings = DEFAULT) -> Solution:
    """A correction or a reason for every frame of the request, in its order.

    WrongUsage where a reference is impossible (no face, clipped skin, unknown baseline, not a frame): the message names
    the nearest usable frames.
    """
    solved = _solved(request, settings)
    table, answer = solved.table, solved.answer
    strength, notes = mood.group_strengths(request, table, solved.group)
    theta = np.where(table.fixed[:, None], table.baseline, answer.theta)
    light = answer.light
    moved = mood.with_strength(table, solved.group, theta, strength)
    whites = mood.neutral_whites(table)
    moved = mood.with_neutrals(table, solved.group, moved, whites, request.neutral_weight, ~table.fixed)
    light = light + (moved - theta)
    written = limited(table, solved.group, moved, light, settings)
    return solution(request, solved, written, strength, whites, notes, settings)


def check(request: Request, settings: SolveSettings = DEFAULT) -> Solution:
    """How the skin matches as the sidecars stand now: the same persons and groups, no correction.

    `delta_e00_before` and `_after` are the same, at each frame's baseline. Without any reference every person is
    compared with the middle of their own faces at the baselines.
    """
    return checked(request, _solved(request, settings), settings)


def _solved(request: Request, settings: SolveSettings) -> Solved:
    if not request.frames:
        raise WrongUsage("There is no frame to solve.", next_step="Give a folder that holds RAW files.")
    chosen = reference.choices(request)
    fixed = frozenset(c.frame_id for c in chosen)
    table = build(request, fixed, settings)
    targets = reference.targets(request, chosen, table)
    people = persons.population(targets, settings.persons)
    aim = np.mean([t.z for t in targets], axis=0) if targets else people.mean

    asked = starting.wanted(table, aim)
    lost = starting.beyond(table, asked, aim, settings) & ~table.fixed[table.face_frame]
    beyond = frozenset(
        (table.frames[table.face_frame[i]].frame_id, table.faces[i].face_id) for i in np.flatnonzero(lost)
    )
    if beyond:
        table = build(request, fixed, settings, without=beyond)
        targets = reference.targets(request, chosen, table)
        asked = asked[~lost]
    roster = persons.roster(table, targets, people, settings.persons)
    found = groups.find(table, starting.frame_means(table, asked), settings, settings.groups.first_skin)
    p = settings.persons
    start = _start(table, found.place, asked, (roster,), (p.state_z_sd, p.state_ev_sd), people, settings)
    answer = _joint(table, found, start, people, replace(settings, iterations=settings.first_iterations))
    for _ in range(settings.regroupings):
        # Now that it is known who is who, a face asks for its own person's colour: lights are told apart far better.
        asked = _asked_as_known(table, answer)
        found = groups.find(table, starting.frame_means(table, asked), settings, settings.groups.known_skin)
        start = _start(table, found.place, asked, (answer.roster, roster), answer.widths.state_sd, people, settings)
        answer = _joint(table, found, start, people, settings)
    return Solved(table=table, targets=targets, people=people, group=found.group, answer=answer, beyond=beyond)


def _start(
    table: Table,
    place: IntArray,
    asked: FloatArray,
    rosters: tuple[persons.Roster, ...],
    state_sd: tuple[float, float],
    people: persons.Population,
    settings: SolveSettings,
) -> register.Start:
    """A start from one white per place (all bodies), each body moved by its own constant."""
    means = starting.frame_means(table, asked)
    theta = starting.group_whites(
        table, place, means, links.constants(table, place, means, settings.links).body[table.body]
    )
    if persons.told(rosters[0]) >= settings.told_share:
        return register.Start(theta, rosters[0])
    return register.register(table, place, theta, rosters, state_sd, people, settings)


def _asked_as_known(table: Table, answer: Answer) -> FloatArray:
    """What each face asks for (N, 3) with its most probable person as target; NaN for `someone else`."""
    if not table.n_faces or not answer.roster.n:
        return np.full((table.n_faces, 3), np.nan)
    best = answer.r[:, :-1].argmax(axis=1)
    known = answer.r[:, -1] < 0.5
    return np.where(known[:, None], starting.wanted(table, answer.persons_z[best]), np.nan)


def _joint(
    table: Table, found: groups.Found, start: register.Start, people: persons.Population, settings: SolveSettings
) -> Answer:
    light = lights.lights(table, found.group, start.theta, settings.light)
    p = settings.persons
    state = State(
        theta=np.where(table.fixed[:, None], table.baseline, start.theta),
        points=light.start,
        roster=start.roster,
        widths=lights.starting_widths(light, settings.light, p.state_z_sd, p.state_ev_sd),
        r=np.zeros((table.n_faces, start.roster.n + 1)),
    )
    return solve_joint(table, light, found.place, state, people, settings)
