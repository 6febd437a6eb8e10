"""Who can hand a sweep's scheduler and workers code to run: this user, or holders of the certificates; nobody else."""

from __future__ import annotations

import asyncio
import os
import shutil
import socket
import stat
import subprocess
import sys
import tempfile
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import psutil
import pytest
from sweep_faults import distances, quick_work, write_study
from test_sweep_run import HERE, ROOT, _require_whole, _wait_for

from sim.cli.app import run
from sim.quantities.errors import HalfstopError
from sim.sweep.cluster import workers_here
from sim.sweep.cluster_access import ClusterAccess, access_from_options
from sim.sweep.private_sockets import FOLDER_PREFIX, private_folder
from sim.sweep.run import SweepRequest, run_sweep

NOBODY = 65534


def _listening_ports() -> list[int]:
    """TCP ports that this process or one below it listens on."""
    ours = psutil.Process()
    return [
        connection.laddr.port
        for process in (ours, *ours.children(recursive=True))
        for connection in process.net_connections("tcp")
        if connection.status == psutil.CONN_LISTEN
    ]


def _folder_of(address: str) -> Path:
    return Path(address.removeprefix("private://").rpartition(":")[0])


def test_workers_here_listen_on_no_port_and_show_no_page() -> None:
    before = _listening_ports()
    with workers_here(2) as workers:
        assert workers.client.submit(os.getpid).result(timeout=60) != os.getpid()
        assert _listening_ports() == before
        assert workers.dashboard == ""
        places = [workers.client.scheduler.address, *workers.client.nthreads()]
        # Scheduler and workers alike, in one folder that is closed to others.
        assert len(places) == 3 and len({_folder_of(place) for place in places}) == 1
        folder = _folder_of(places[0])
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700 and folder.stat().st_uid == os.getuid()
        sockets = list(folder.iterdir())
        assert len(sockets) >= 3 and all(stat.S_IMODE(path.stat().st_mode) == 0o600 for path in sockets)
    assert not folder.exists()


def test_another_user_cannot_reach_the_scheduler() -> None:
    if os.getuid() != 0:
        pytest.skip("only root can act as another user")
    with workers_here(1) as workers:
        address = workers.client.scheduler.address
        path = str(_folder_of(address) / address.rpartition(":")[2])
        with socket.socket(socket.AF_UNIX) as ours:
            ours.connect(path)
        attempt = (
            f"import os, socket\nos.setgid({NOBODY})\nos.setuid({NOBODY})\n"
            f"try:\n    socket.socket(socket.AF_UNIX).connect({path!r})\n"
            "except PermissionError:\n    print('refused')\n"
        )
        done = subprocess.run([sys.executable, "-c", attempt], capture_output=True, text=True, timeout=60)
    assert done.stdout == "refused\n", done.stderr


def test_folders_of_killed_runs_are_removed_and_others_stay(monkeypatch: pytest.MonkeyPatch) -> None:
    # A socket's path must be short, and the tests' own folders are not.
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        monkeypatch.setattr(tempfile, "tempdir", name)
        with private_folder() as address:
            used = Path(address.removeprefix("private://"))
            (left := place / f"{FOLDER_PREFIX}left").mkdir(mode=0o700)
            (left / "7").touch()
            (young := place / f"{FOLDER_PREFIX}young").mkdir(mode=0o700)
            (target := place / "mine").mkdir()
            (place / f"{FOLDER_PREFIX}link").symlink_to(target)
            for path in (used, left, target):
                os.utime(path, (0, 0))
            with private_folder():
                assert used.is_dir() and young.is_dir() and target.is_dir() and not left.exists()
        assert not used.exists()


def test_a_place_too_long_for_sockets_is_refused_in_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (deep := tmp_path / ("x" * 90)).mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(deep))
    with pytest.raises(HalfstopError, match="set TMPDIR to a shorter one"), private_folder():
        pass
    assert not list(deep.iterdir())


def test_a_client_without_the_address_finds_nothing_on_any_port(tmp_path: Path) -> None:
    """While a sweep runs, the task engine's own client gets no scheduler out of any port it opened."""
    study, ports = write_study(tmp_path, distances(2)), []
    before = set(_listening_ports())

    def on_line(line: str) -> None:
        ports.extend(set(_listening_ports()) - before)

    def on_progress(step: str, part: float) -> None:
        ports.extend(set(_listening_ports()) - before)

    made = run_sweep(study, SweepRequest(tmp_path / "out", 1), on_progress, on_line, quick_work(wait_s=0.1))
    assert made.failed == 0 and ports == []


def test_the_page_on_the_workers_is_on_loopback_below_a_path_that_cannot_be_guessed() -> None:
    before = _listening_ports()
    with workers_here(1, dashboard=True) as workers:
        place = urlsplit(workers.dashboard)
        token, page = place.path.strip("/").split("/")
        assert page == "status" and len(token) >= 32 and place.hostname == "127.0.0.1"
        assert sorted(_listening_ports()) == sorted([*before, place.port])
        with urllib.request.urlopen(workers.dashboard, timeout=30) as answer:
            assert answer.status == 200
        known = ("", "status", "sitemap.json", "info/main/workers.html", "json/counts.json", "metrics", "health")
        for path in (*known, f"x{token}/status", token, f"//{token[:-1]}/status"):
            with pytest.raises(urllib.error.HTTPError) as caught:
                urllib.request.urlopen(f"http://127.0.0.1:{place.port}/{path}", timeout=30)
            assert caught.value.code == 404
            caught.value.close()


# -- clusters ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("address", "more", "message"),
    [
        ("tcp://192.168.1.20:8786", [], "--insecure-cluster"),
        ("192.168.1.20:8786", [], "--insecure-cluster"),
        ("tcp://studio.example:8786", [], "--insecure-cluster"),
        ("tcp://0.0.0.0:8786", [], "--insecure-cluster"),
        ("tcp://[2001:db8::1]:8786", [], "--insecure-cluster"),
        ("tls://192.168.1.20:8786", [], "--cluster-security FILE"),
        ("tls://192.168.1.20:8786", ["--insecure-cluster"], "--cluster-security FILE"),
        ("ws://127.0.0.1:8786", [], "expected tls://"),
        ("tcp://127.0.0.1:8786", ["--cluster-security", "tls.yaml"], "goes with a tls:// address"),
    ],
)
def test_an_address_that_others_could_use_is_refused_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], address: str, more: list[str], message: str
) -> None:
    study = write_study(tmp_path, distances(2))
    code = run(["sweep", str(study), "--out", str(tmp_path / "out"), "--cluster", address, *more])
    printed = capsys.readouterr()
    assert code == 2 and printed.out == ""
    assert printed.err.count("\n") == 1 and message in printed.err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:8786", "127.9.0.1:8786", "tcp://[::1]:8786", "localhost:8786"])
def test_a_plain_address_of_this_machine_is_taken(address: str) -> None:
    assert access_from_options(address, None, insecure=False) == ClusterAccess(address, None)


def test_a_plain_address_elsewhere_is_taken_when_it_is_asked_for() -> None:
    assert access_from_options("tcp://192.168.1.20:8786", None, insecure=True).tls is None


@pytest.mark.parametrize("option", [["--cluster-security", "tls.yaml"], ["--insecure-cluster"]])
def test_options_of_a_cluster_go_with_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], option: list[str]
) -> None:
    assert run(["sweep", str(write_study(tmp_path, distances(2))), "--out", str(tmp_path / "out"), *option]) == 2
    assert f"{option[0]} goes with --cluster" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (b"ca: ca.pem\n", "expected ca, cert and key"),
        (b"[1, 2]", "expected ca, cert and key"),
        (b"ca: 1\ncert: 2\nkey: 3\n", "expected ca, cert and key"),
        (b"\xff\xfe", "no YAML"),
        (b"{", "no YAML"),
        (b"ca: ca.pem\ncert: cert.pem\nkey: key.pem\n", "a file that it names cannot be read"),
        (b"ca: tls.yaml\ncert: tls.yaml\nkey: tls.yaml\n", "do not fit together"),
    ],
)
def test_a_security_file_that_is_none_is_refused_in_one_line(tmp_path: Path, text: bytes, message: str) -> None:
    path = tmp_path / "tls.yaml"
    path.write_bytes(text)
    with pytest.raises(HalfstopError, match=message) as caught:
        access_from_options("tls://127.0.0.1:8786", path, insecure=False)
    assert "\n" not in str(caught.value)


def _certificates(folder: Path) -> Path:
    """An authority of its own and one certificate from it; returns the security file."""
    tool = shutil.which("openssl")
    if tool is None:
        pytest.skip("certificates are made with the openssl tool")
    folder.mkdir()

    def openssl(*words: str) -> None:
        subprocess.run([tool, *words], cwd=folder, check=True, capture_output=True)

    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    openssl("req", "-x509", *curve, "-keyout", "ca-key.pem", "-out", "ca.pem", "-days", "2", "-subj", "/CN=studio")
    openssl("req", *curve, "-keyout", "key.pem", "-out", "ask.pem", "-subj", "/CN=worker")
    openssl("x509", "-req", "-in", "ask.pem", "-CA", "ca.pem", "-CAkey", "ca-key.pem", "-CAcreateserial",
            "-days", "2", "-out", "cert.pem")  # fmt: skip
    (folder / "tls.yaml").write_text("ca: ca.pem\ncert: cert.pem\nkey: key.pem\n", "utf-8")
    return folder / "tls.yaml"


@contextmanager
def _tls_cluster(folder: Path, security: Path) -> Iterator[str]:
    """A scheduler and a worker that take this authority's certificates alone; yields the address."""
    files = [f"--tls-{kind}={security.parent / name}" for kind, name in
             (("ca-file", "ca.pem"), ("cert", "cert.pem"), ("key", "key.pem"))]  # fmt: skip
    environ = {**os.environ, "PYTHONPATH": f"{ROOT}:{HERE}", "HALFSTOP_THREADS": "1"}
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        address = f"tls://127.0.0.1:{probe.getsockname()[1]}"
    told, processes = folder / "scheduler.json", []
    own = ["--host", "tls://127.0.0.1", "--no-dashboard"]
    try:
        for words in (
            ["scheduler", *own, "--port", address.rpartition(":")[2], "--scheduler-file", str(told)],
            ["worker", address, *own, "--nthreads", "1", "--no-nanny"],
        ):
            processes.append(
                subprocess.Popen([sys.executable, "-m", "dask", *words, *files], env=environ, cwd=folder,
                                 stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            )  # fmt: skip
            _wait_for(told.exists, 60)
        yield address
    finally:
        for process in reversed(processes):
            process.kill()
            process.wait()


def test_a_cluster_by_certificates_makes_the_table_and_takes_nobody_elses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ours, theirs = _certificates(tmp_path / "ours"), _certificates(tmp_path / "theirs")
    study, out = write_study(tmp_path, distances(2)), tmp_path / "out"
    with _tls_cluster(tmp_path, ours) as address:
        made = run_sweep(study, SweepRequest(out, cluster=address, cluster_security=ours), work=quick_work())
        assert (made.made, made.failed) == (4, 0)
        _require_whole(out, 4)
        monkeypatch.setattr("sim.sweep.cluster.ANSWER_S", 3.0)
        with pytest.raises(HalfstopError, match="its certificate is not known"):
            run_sweep(study, SweepRequest(tmp_path / "other", cluster=address, cluster_security=theirs))
        # The task engine's own client, without a certificate, is let in by neither.
        asyncio.run(_require_refused(address.replace("tls://", "tcp://")))


async def _require_refused(address: str) -> None:
    from distributed.core import connect

    with pytest.raises(OSError):
        await connect(address, timeout=3)
