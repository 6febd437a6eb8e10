"""From a study file to its table: what is finished stays, what is new is made, what is half done does not count."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sim.quantities.errors import HalfstopError
from sim.render.engine import engine_in_use
from sim.reports.preview import QUALITIES
from sim.sweep.chunks import FAILED, PLAN, SweepFolder
from sim.sweep.cluster import Workers, workers_at, workers_here, workers_wanted
from sim.sweep.cluster_access import ClusterAccess, access_from_options
from sim.sweep.groups import groups_of
from sim.sweep.plan import plan_record
from sim.sweep.scheduler import PER_CHUNK, Scheduler, Work
from sim.sweep.setup import METER_RAYS, Group, GroupRequest, Result
from sim.sweep.study import Study, load_study
from sim.sweep.table import write_tables
from sim.sweep.variations import Variation, maker, variations_of
from sim.sweep.writer import Writer

if TYPE_CHECKING:
    import pyarrow as pa

MOST_WORKERS = 256
# Takes what is being done ("lay out", "sweep", "files") and the finished part of it, 0..1.
Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class SweepRequest:
    """Where to and by whom: `out` folder; `workers` here, None for as many as fit; `cluster` a scheduler's address.

    `retry` makes variations again that failed before. `cluster_security` names a file of certificates for a tls://
    address, `insecure_cluster` allows a plain one beyond this machine. `dashboard` shows what workers here do.
    """

    out: Path
    workers: int | None = None
    cluster: str | None = None
    retry: bool = False
    cluster_security: Path | None = None
    insecure_cluster: bool = False
    dashboard: bool = False


@dataclass(frozen=True)
class Sweep:
    """What was made: the `table`, how many contents were `kept` from before, `made` now, and rows `failed` in all."""

    table: pa.Table
    study: Study
    kept: int
    made: int
    failed: int
    page: Path


def run_sweep(
    study_file: Path,
    request: SweepRequest,
    on_progress: Progress | None = None,
    on_line: Callable[[str], None] | None = None,
    work: Work | None = None,
) -> Sweep:
    """Make every variation of a study that is not finished yet, and write the table and its page.

    Arguments: `on_line` is told lines for the user while it runs; `work` what workers do, for tests of faults.
    Raises HalfstopError with one plain line; finished variations stay and count when it is run again.
    """
    from sim.sweep.page import page_from_results

    tell, say = on_progress or (lambda step, part: None), on_line or (lambda line: None)
    access = _access(request)
    study = load_study(study_file)
    home = SweepFolder(request.out)
    home.require_ours()
    with ExitStack() as stack:
        workers = stack.enter_context(workers_at(access)) if access else None
        made_by = workers.maker if workers else maker(engine_in_use().variant)
        making = request_for(study, made_by)
        tell("lay out", 0.0)
        variations = variations_of(study, making, lambda part: tell("lay out", part))
        # Touch the folder only when the study is known to be good.
        stack.enter_context(home.held())
        groups, kept = _left_to_do(home, variations, making, study, request.retry)
        home.write(PLAN, plan_bytes(study, making, variations))
        say(_outlook(study, variations, groups, kept))
        made = 0
        if groups:
            workers = workers or stack.enter_context(
                workers_here(_workers_for(request, making, groups), dashboard=request.dashboard)
            )
            if workers.dashboard:
                say(f"{_counted(workers.count, 'worker')}; what each of them does: {workers.dashboard}")
            made = _make(groups, variations, study, making, workers, home, tell, work)
        tell("files", 0.0)
        table = write_tables(home)
        page = page_from_results(home.path)
        tell("files", 1.0)
    failed = table.column("status").to_pylist().count(FAILED)
    return Sweep(table, study, kept, made, failed, page)


def request_for(study: Study, made_by: tuple[str, ...]) -> GroupRequest:
    """How a study's variations are made."""
    quality = QUALITIES[study.quality]
    return GroupRequest(
        size=study.size, samples=study.samples, seed=study.seed, meter_rays=METER_RAYS[study.quality],
        denoiser=quality.denoiser, keep=tuple(sorted(study.keep)), maker=made_by,
    )  # fmt: skip


def plan_bytes(study: Study, making: GroupRequest, variations: Sequence[Variation]) -> bytes:
    """The plan as it lies in the folder."""
    return (json.dumps(plan_record(study, making, variations), indent=1, ensure_ascii=False) + "\n").encode()


def _access(request: SweepRequest) -> ClusterAccess | None:
    """How the cluster is reached, None for workers here; raises HalfstopError for what cannot be asked for."""
    if request.workers is not None and request.cluster is not None:
        raise HalfstopError("--workers counts processes here and --cluster goes elsewhere; keep one of them")
    if request.workers is not None and not 1 <= request.workers <= MOST_WORKERS:
        raise HalfstopError(f'--workers {request.workers}: expected 1 to {MOST_WORKERS}; write "--workers 2"')
    if request.cluster is not None:
        return access_from_options(request.cluster, request.cluster_security, insecure=request.insecure_cluster)
    for option, value in (
        ("--cluster-security", request.cluster_security), ("--insecure-cluster", request.insecure_cluster)
    ):  # fmt: skip
        if value:
            raise HalfstopError(f"{option} goes with --cluster; add its address, or leave it out")
    return None


def _left_to_do(
    home: SweepFolder, variations: Sequence[Variation], making: GroupRequest, study: Study, retry: bool
) -> tuple[list[Group], int]:
    """Groups of what is not finished, and how many contents are."""
    finished = home.finished()
    if retry:
        failed = {name for name, status in finished.items() if status == FAILED}
        home.forget(failed & {variation.id for variation in variations})
        finished = {name: status for name, status in finished.items() if name not in failed}
    open_ones = [variation for variation in variations if variation.id not in finished]
    kept = len({variation.id for variation in variations if variation.id in finished})
    return groups_of(open_ones, making, study.base.path.name), kept


def _workers_for(request: SweepRequest, making: GroupRequest, groups: Sequence[Group]) -> int:
    """As many workers as are asked for or fit, but no more than there are tasks."""
    tasks = sum(-(-len(group.variations) // PER_CHUNK) for group in groups)
    return min(workers_wanted(request.workers, making.size, len(groups[0].variations[0].emissions)), tasks)


def _make(
    groups: Sequence[Group], variations: Sequence[Variation], study: Study, making: GroupRequest, workers: Workers,
    home: SweepFolder, tell: Progress, work: Work | None,
) -> int:  # fmt: skip
    """Have all groups made, write what comes back, and return how many contents came back."""
    labels = {
        variation.id: {axis.name: value.text for axis, value in zip(study.axes, variation.values, strict=True)}
        for variation in reversed(variations)
    }
    whole_s = sum(group.cost_s for group in groups)
    made, done_s, counting = 0, 0.0, threading.Lock()

    def on_results(results: list[Result], cost_s: float) -> None:
        nonlocal made, done_s
        home.add(results, labels)
        with counting:
            made, done_s = made + len(results), done_s + cost_s
            tell("sweep", min(done_s / whole_s, 0.999))

    tell("sweep", 0.0)
    with Writer(on_results) as writer:
        Scheduler(workers.client, making, writer, work).run(groups)
    tell("sweep", 1.0)
    return made


def _outlook(study: Study, variations: Sequence[Variation], groups: Sequence[Group], kept: int) -> str:
    """What is about to be done, in one line."""
    left = sum(len(group.variations) for group in groups)
    clauses = [f"{study.title}: {_counted(len(variations), 'variation')}"]
    if kept:
        clauses.append(f"{kept} finished before")
    refused = sum(bool(variation.refused) for variation in variations)
    if refused:
        clauses.append(f"{refused} cannot stand")
    clauses.append(f"{left} to make from {_counted(len(groups), 'traced set-up')}" if left else "nothing new to make")
    return ", ".join(clauses)


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"
