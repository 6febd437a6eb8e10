"""Workers for a sweep: processes of this machine, or those of a cluster that is already there; one code path."""

from __future__ import annotations

import contextlib
import logging
import os
import secrets
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sim.quantities.errors import HalfstopError, quoted
from sim.render.engine import engine_in_use, threads_allowed
from sim.sweep.cluster_access import ClusterAccess
from sim.sweep.variations import maker

if TYPE_CHECKING:
    from distributed import Client, Security

# Memory of a worker: what it takes before any picture, and per pixel of a layer (colour, variance, cleaned, copies).
WORKER_BYTES, LAYER_BYTES_PER_PIXEL, LAUNCH_BYTES = 900 << 20, 120, 400 << 20
ANSWER_S = 30.0
# A task that was on more workers than this when they ended is a suspect.
ALLOWED_FAILURES = 1
SETTINGS = {
    "distributed.scheduler.allowed-failures": ALLOWED_FAILURES,
    # Traced light is small beside the renderer: keep it in memory.
    "distributed.worker.memory.target": False,
    "distributed.worker.memory.spill": False,
    "distributed.worker.memory.pause": 0.9,
    "distributed.worker.memory.terminate": 0.97,
    "distributed.comm.timeouts.connect": f"{ANSWER_S:.0f}s",
}


@dataclass(frozen=True)
class Workers:
    """Workers that a client reaches; `dashboard` address or "", `count` when it was asked, `maker` they all share."""

    client: Client
    dashboard: str
    count: int
    maker: tuple[str, ...]


def workers_wanted(asked: int | None, size: tuple[int, int], lights: int) -> int:
    """How many workers this machine bears: one for each core allowed, as far as memory reaches."""
    if asked is not None:
        return asked
    return max(1, min(threads_allowed(), _memory_bytes() // worker_bytes(size, lights)))


def worker_bytes(size: tuple[int, int], lights: int) -> int:
    """Memory that one worker may come to take."""
    return WORKER_BYTES + LAUNCH_BYTES + LAYER_BYTES_PER_PIXEL * size[0] * size[1] * (lights + 2)


def _memory_bytes() -> int:
    from distributed.system import MEMORY_LIMIT

    return int(MEMORY_LIMIT * 0.8)


@contextmanager
def workers_here(count: int, *, dashboard: bool = False) -> Iterator[Workers]:
    """Worker processes of this machine, each with its own engine and its part of the threads.

    They and their scheduler are reached by this user alone (`sim.sweep.private_sockets`). `dashboard` opens the task
    engine's page on loopback, at a path that cannot be guessed.
    """
    # The task engine's own settings come with its import: load it before any is changed for a while.
    import dask.config
    from distributed import Client, SpecCluster

    from sim.sweep.private_sockets import PrivateNanny, PrivateScheduler, private_folder

    threads = max(1, threads_allowed() // count)
    limits = {name: str(threads) for name in ("HALFSTOP_THREADS", "OIDN_NUM_THREADS", "OMP_NUM_THREADS")}
    token = secrets.token_urlsafe(24) if dashboard else ""
    settings = {
        **SETTINGS,
        "distributed.nanny.pre-spawn-environ": {**dask.config.get("distributed.nanny.pre-spawn-environ"), **limits},
        "distributed.dashboard.link": f"http://127.0.0.1:{{port}}/{token}/status",
    }
    with ExitStack() as stack:
        place = stack.enter_context(private_folder())
        stack.enter_context(dask.config.set(settings))
        stack.enter_context(_quiet())
        scheduler = {"host": place, "protocol": "private://", "token": token}
        worker = {
            "host": place, "protocol": "private://", "nthreads": 1, "memory_limit": 0,
            "silence_logs": logging.CRITICAL,
        }  # fmt: skip
        cluster = stack.enter_context(
            SpecCluster(
                workers={number: {"cls": PrivateNanny, "options": worker} for number in range(count)},
                scheduler={"cls": PrivateScheduler, "options": scheduler},
                silence_logs=logging.CRITICAL,
            )
        )
        client = stack.enter_context(Client(cluster))
        yield Workers(client, cluster.dashboard_link if dashboard else "", count, maker(engine_in_use().variant))


@contextmanager
def workers_at(access: ClusterAccess) -> Iterator[Workers]:
    """Workers of a cluster; they must run this very version, one thread each."""
    import dask.config
    from distributed import Client

    what = f"--cluster {quoted(access.address)}"
    with dask.config.set(SETTINGS), _quiet():
        try:
            client = Client(access.address, timeout=ANSWER_S, security=_security(access))
        except (OSError, TimeoutError, ValueError):
            raise HalfstopError(
                f"{what}: no scheduler answers there, or its certificate is not known; start one with "
                '`dask scheduler`, and write its address, such as "tls://192.168.1.20:8786"'
            ) from None
        with client:
            with contextlib.suppress(TimeoutError):
                client.wait_for_workers(1, timeout=ANSWER_S)
            threads_by_worker = client.nthreads()
            if not threads_by_worker:
                raise HalfstopError(
                    f"{what}: the scheduler has no workers; start some with `dask worker {access.address} --nthreads 1`"
                )
            wide = [name for name, threads in threads_by_worker.items() if threads != 1]
            if wide:
                raise HalfstopError(
                    f"{what}: the worker {wide[0]} does several tasks at once, "
                    "and the renderer takes one; start workers with --nthreads 1"
                )
            count = len(threads_by_worker)
            yield Workers(client, client.dashboard_link or "", count, _common_maker(client, access.address))


def _security(access: ClusterAccess) -> Security:
    """What a client shows and asks for when it connects."""
    from distributed import Security

    if access.tls is None:
        return Security()
    return Security(
        require_encryption=True, tls_ca_file=str(access.tls.ca), tls_client_cert=str(access.tls.cert),
        tls_client_key=str(access.tls.key),
    )  # fmt: skip


def _common_maker(client: Client, address: str) -> tuple[str, ...]:
    """What all workers are made by; refuses workers whose results would not match."""
    try:
        by_worker = client.run(maker_of_worker)
    except Exception as error:
        raise HalfstopError(
            f"--cluster {quoted(address)}: a worker cannot load halfstop ({type(error).__name__}: {error}); "
            "install the same version for every worker"
        ) from None
    makers: set[tuple[str, ...]] = set(by_worker.values())
    if len(makers) > 1:
        one, other = sorted(makers)[:2]
        differ = next((f"{a} and {b}" for a, b in zip(one, other, strict=False) if a != b), "")
        raise HalfstopError(
            f"--cluster {quoted(address)}: workers differ ({differ}), so their results would; give all the same"
        )
    return makers.pop()


def maker_of_worker() -> tuple[str, ...]:
    """What a worker makes variations with."""
    return maker(engine_in_use().variant)


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the task engine's own remarks off the terminal: what matters is said in plain lines."""
    names = ("distributed", "distributed.nanny", "distributed.worker", "distributed.scheduler", "distributed.comm",
             "distributed.core", "tornado.application", "asyncio")  # fmt: skip
    before = {name: logging.getLogger(name).level for name in names}
    if not os.environ.get("HALFSTOP_DEBUG"):
        for name in names:
            logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        for name, level in before.items():
            logging.getLogger(name).setLevel(level)
