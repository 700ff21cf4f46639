"""Moving pairs in the order of danger, on all the cores that the caller lends.

A pair is a job of its own, and its answer does not depend on who computes it or when. Pairs with the scan stay in
this process: the scan is large, and what is near a body is cut out of it here. The others go to processes; this
one takes the least dangerous of them when its own work is done.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.scanned import check_scanned_moving
from fitcheck.checks.swept import MovingPair, check_moving
from fitcheck.geometry.distance import box_gaps
from fitcheck.geometry.solids import Solid
from fitcheck.result import Clearance
from fitcheck.vehicle.moving import MovingBody

Floats = NDArray[np.float64]
Job = tuple[MovingBody, MovingPair]
Told = Callable[[int, Clearance], None]

WORTH_A_CREW = 24
"""So many pairs take longer than it takes to start processes (measured: some 2 s against 0.6 s)."""

_MOST_PROCESSES = 8


def check_job(job: Job) -> Clearance:
    """The row of one moving pair."""
    body, pair = job
    return check_moving(body, pair) if pair.evidence is None else check_scanned_moving(body, pair, pair.evidence)


def check_jobs(jobs: Sequence[Job], told: Told, cores: int = 1) -> None:
    """Judge every job, the most dangerous first; each row is told with its job's number when it is there."""
    order = sorted(range(len(jobs)), key=lambda k: (danger_mm(jobs[k]), k))
    cores = min(cores or os.cpu_count() or 1, _MOST_PROCESSES)
    away = [k for k in order if jobs[k][1].evidence is None]
    if cores < 2 or len(away) < WORTH_A_CREW:
        for k in order:
            told(k, check_job(jobs[k]))
        return
    _with_processes(jobs, order, told, cores)


def _with_processes(jobs: Sequence[Job], order: list[int], told: Told, cores: int) -> None:
    """The others take from the dangerous end, this process the scan's pairs and then from the other end."""
    import multiprocessing

    here = [k for k in order if jobs[k][1].evidence is not None]
    away = deque(k for k in order if jobs[k][1].evidence is None)
    out: dict[int, Future[Clearance]] = {}
    pool = ProcessPoolExecutor(cores - 1, mp_context=multiprocessing.get_context("spawn"))
    try:
        while away or here or out:
            while away and len(out) < 2 * cores:
                k = away.popleft()
                out[k] = pool.submit(check_job, jobs[k])
            if here or away:
                k = here.pop(0) if here else away.pop()
                told(k, check_job(jobs[k]))
            else:
                wait(out.values(), return_when=FIRST_COMPLETED)
            for k in [k for k, future in out.items() if future.done()]:
                told(k, out[k].result())
                del out[k]
    except BrokenProcessPool:  # a process was killed, or could not start: all that is not there yet is computed here
        for k in (*out, *away, *here):
            told(k, check_job(jobs[k]))
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def danger_mm(job: Job) -> float:
    """How much room the boxes round both leave over the rule, as scanned: the least is looked at first."""
    body, pair = job
    there = pair.shapes if pair.other is None else pair.other.solids(pair.other.space.scan_pose)
    if any(not isinstance(shape, Solid) for shape in there):
        return -np.inf  # the scan: always near
    one, two = _box(body.solids(body.space.scan_pose)), _box([shape for shape in there if isinstance(shape, Solid)])
    return float(box_gaps(one[None, 0], one[None, 1], two[0], two[1])[0]) - pair.clear_mm


def _box(solids: Sequence[Solid]) -> Floats:
    boxes = np.array([solid.extents() for solid in solids])
    return np.array([boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)])
