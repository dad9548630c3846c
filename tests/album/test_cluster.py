"""A scheduler and two workers for real, on this machine, at loudness that a gain alone reaches."""

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from autochain.album.cluster import do_there
from autochain.album.job import HeardMix, Job
from autochain.audio.files import write_wav
from autochain.config import read_config
from autochain.demo import make_demo
from autochain.search.request import versions
from autochain.solve.decisions import Decisions

distributed = pytest.importorskip("distributed", reason="the extra `cluster` is not installed")

RATE = 44100
ASKED = ("--levels", "relations", "--lufs", -18, "--no-log")
ONE_THREAD = {f"{name}_NUM_THREADS": "1" for name in ("OMP", "OPENBLAS", "MKL")}


@pytest.fixture(scope="module")
def mixes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("mixes")
    song = make_demo("dense_rock", RATE, 10.0, 1)
    for place in range(4):
        write_wav(folder / f"{place}.wav", (1.0 - 0.1 * place) * song[place * RATE : (place + 5) * RATE], RATE, 1)
    return folder


@pytest.fixture(scope="module")
def local(mixes: Path, tmp_path_factory: pytest.TempPathFactory, command: Callable[..., Any]) -> dict[str, bytes]:
    out = tmp_path_factory.mktemp("local")
    assert command("album", mixes, "-o", out, *ASKED, "--jobs", 1).code == 0
    return contents(out)


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if not path.name.startswith(".")}


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Scheduler with two workers, started by the commands of docs/several_machines.md."""
    folder = tmp_path_factory.mktemp("cluster")
    told = folder / "scheduler.json"
    dask = [sys.executable, "-m", "dask"]
    here = {
        "cwd": folder,  # a path that starts from the working folder means something else to a worker
        "env": {**os.environ, **ONE_THREAD, "PYTHONPATH": str(Path(__file__).parents[2])},
        "stdout": subprocess.DEVNULL,
        "stderr": subprocess.DEVNULL,
    }
    start = [*dask, "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", str(told)]
    running = [subprocess.Popen(start, **here)]
    try:
        end = time.monotonic() + 60.0
        while not told.exists() and time.monotonic() < end:
            time.sleep(0.1)
        found = str(json.loads(told.read_text())["address"])
        start = [*dask, "worker", found, "--nthreads", "1", "--no-nanny", "--no-dashboard"]
        running += [subprocess.Popen(start, **here) for _ in range(2)]
        with distributed.Client(found, set_as_default=False) as client:
            client.wait_for_workers(2, timeout=60.0)
        yield found
    finally:
        for one in reversed(running):
            one.kill()
            one.wait()


def test_where_workers_see_no_mix_it_is_sent_and_gives_the_same_bytes(
    address: str, mixes: Path, local: dict[str, bytes], tmp_path: Path, command: Callable[..., Any],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    if not Path("/proc/self/cwd").exists():
        pytest.skip("no /proc")
    monkeypatch.chdir(mixes)
    # Measured in this process: others have a working folder of their own.
    ran = command("album", "/proc/self/cwd", "-o", tmp_path, *ASKED, "--jobs", 1, "--scheduler", address)
    assert ran.code == 0, ran.out + ran.err
    assert contents(tmp_path) == local


def test_a_worker_is_killed_and_nothing_is_lost(
    address: str, mixes: Path, local: dict[str, bytes], tmp_path: Path, command: Callable[..., Any]
) -> None:
    killed: list[str] = []

    def kill() -> None:
        with distributed.Client(address, set_as_default=False) as client:
            pids = client.run(os.getpid)
            end = time.monotonic() + 60.0
            while not killed and time.monotonic() < end:
                busy = [worker for worker, tasks in client.processing().items() if tasks]
                if busy:
                    os.kill(pids[busy[0]], 9)
                    killed.append(busy[0])
                time.sleep(0.01)

    killer = threading.Thread(target=kill)
    killer.start()
    ran = command("album", mixes, "-o", tmp_path, *ASKED, "--scheduler", address)
    killer.join()
    assert killed
    assert ran.code == 0, ran.out + ran.err
    assert "4 of 4 tracks searched" in ran.err
    assert contents(tmp_path) == local
    with distributed.Client(address, set_as_default=False) as client:
        assert len(client.nthreads()) == 1


def test_a_scheduler_that_does_not_answer_is_told_in_one_line(
    mixes: Path, tmp_path: Path, command: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("autochain.album.cluster._ANSWER_S", 0.5)
    ran = command("album", mixes, "-o", tmp_path, *ASKED, "--scheduler", "tcp://127.0.0.1:9")
    assert ran.code == 1
    assert "No scheduler answers at tcp://127.0.0.1:9" in ran.err.splitlines()[-1]
    ran = command("album", mixes, "-o", tmp_path, *ASKED, "--scheduler", "nowhere")
    assert ran.code == 1
    assert "No scheduler answers at nowhere" in ran.err.splitlines()[-1]


def test_without_the_extra_it_is_named(
    mixes: Path, tmp_path: Path, command: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    ran = command("album", mixes, "-o", tmp_path, *ASKED, "--scheduler", "tcp://127.0.0.1:9")
    assert ran.code == 2
    assert "pip install '.[cluster]'" in ran.err.splitlines()[-1]
    assert ran.err.count("\n") == 1  # said before anything is compiled or read


def test_a_worker_does_no_track_with_other_versions_and_none_whose_mix_it_does_not_see(tmp_path: Path) -> None:
    heard = HeardMix(sha256="0" * 64, lufs=-20.0, duration_s=10.0)
    job = Job(
        paths=(tmp_path / "a.wav",), heard=heard, titles=("a",), stem="01-a", plan=read_config(), decisions=Decisions(),
        request="",
    )
    assert do_there(job, versions()) is None
    job.paths[0].write_bytes(b"another mix of that name")
    assert do_there(job, versions()) is None
    assert "numpy" in str(do_there(job, {**versions(), "numpy": "0"}))
    assert "a.wav" in str(do_there(job, versions(), [b"no sound"]))
