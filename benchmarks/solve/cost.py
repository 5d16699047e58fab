"""What a solve costs: CPU seconds by number of frames, two faces in each on average."""

from __future__ import annotations

import time
from dataclasses import replace

from benchmarks.skin.cameras import Camera
from benchmarks.skin.spectra import SkinSpectrum
from benchmarks.solve.request import request_of
from benchmarks.solve.shoot import shoot_of
from benchmarks.solve.world import USUAL, World
from xmpsync.solve import solve
from xmpsync.solve.problem import Request

SHOOTS = {500: 5, 2000: 5, 20000: 2}
"""Frames, and runs of which the best counts."""
USUAL_FRAMES = 2000
FRAMES_A_LIGHT = 50


def world_of(n_frames: int, who: str) -> World:
    """A long day of six people: as many lights as its frames need."""
    lights = max(2, round(n_frames / FRAMES_A_LIGHT))
    each = n_frames // lights
    return replace(
        USUAL, people=6, lights=lights, compositions=(each, each), no_face=0.0, who=who, returning=True, bodies=2
    )


def request_of_size(n_frames: int, who: str, bodies: list[Camera], skins: list[SkinSpectrum], seed: int) -> Request:
    """`n_frames` frames (to a multiple of the lights), twice as many faces."""
    shoot = shoot_of(world_of(n_frames, who), seed, bodies, skins)
    return request_of(shoot, seed)


def cost(bodies: list[Camera], skins: list[SkinSpectrum], who: str, seed: int, most: int) -> dict[str, float]:
    """CPU seconds by number of frames up to `most`, printed as they come, and the ratio that shows linearity.

    The best of a few runs counts, after one that loads the modules. The ratio: microseconds per frame of the largest
    shoot over those of 2,000 frames (1 where cost is proportional to frames).
    """
    out: dict[str, float] = {}
    per_frame: dict[int, float] = {}
    for n, runs in SHOOTS.items():
        if n > most:
            break
        request = request_of_size(n, who, bodies, skins, seed)
        if not out:
            solve(request)
        seconds = min(_cpu_s(request) for _ in range(runs))
        frames, faces = len(request.frames), sum(len(f.faces) for f in request.frames)
        out[f"solve_cpu_s_{n}_frames"] = seconds
        per_frame[n] = 1e6 * seconds / frames
        print(
            f"{who}: {frames:6d} frames, {faces:6d} faces: {seconds:6.2f} s CPU, {per_frame[n]:4.0f} us a frame",
            flush=True,
        )
    largest, usual = max(per_frame), min(max(per_frame), USUAL_FRAMES)
    out["solve_cost_ratio"] = per_frame[largest] / per_frame[usual]
    print(f"us per frame, {largest} frames over {usual}: {out['solve_cost_ratio']:.2f}", flush=True)
    return out


def _cpu_s(request: Request) -> float:
    start = time.process_time()
    solve(request)
    return time.process_time() - start
