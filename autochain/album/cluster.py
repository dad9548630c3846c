"""Tracks done by workers of a Dask cluster, on this and other machines; the extra `cluster` brings what it needs.

A worker that sees exactly this mix at its path reads it there; otherwise the file is sent. The scheduler gives a
track whose worker is lost to another one. It is asked for single tracks, not through joblib's own way to Dask: that
one sends the trials inside a track to all workers, mixes and all, and gives no word of a track that killed its workers.
"""

import logging
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import CancelledError, Future
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from importlib import import_module
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from autochain.album.job import Failure, Finished, Job, carry_out
from autochain.album.joined import joined_sha256
from autochain.album.record import file_sha256
from autochain.album.run import Done, HandOut
from autochain.album.workers import as_they_finish
from autochain.errors import AutochainError, UsageError
from autochain.progress import Progress
from autochain.search.request import versions

_ANSWER_S, _WORKERS_S = 10.0, 30.0

_Answer = Finished | Failure | None  # None: the worker has not the mix at that path


@contextmanager
def cluster(scheduler: str) -> Iterator[HandOut]:
    """Give what hands jobs to the workers of a scheduler.

    Parameters
    ----------
    scheduler
        Its address, `tcp://host:port`.

    Raises
    ------
    UsageError
        Where the extra is not installed.
    AutochainError
        Where the scheduler does not answer, has no workers, or a worker has other versions than this machine.
    """
    try:
        dask, distributed = import_module("dask"), import_module("distributed")
    except ModuleNotFoundError as error:
        raise UsageError(
            f"--scheduler needs {error.name}, which is not installed. In your checkout of this project give: "
            f"pip install '.[cluster]'"
        ) from None
    for name in ("distributed", "distributed.client"):  # what they would log is told in one line here
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        client = distributed.Client(scheduler, timeout=_ANSWER_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise AutochainError(
            f"No scheduler answers at {scheduler} ({_short(error)}). Check --scheduler, and that it runs."
        ) from None
    with client, dask.config.set({"distributed.admin.large-graph-warning-threshold": "1TB"}):  # a mix may be large
        _refuse_workers(client, scheduler)
        yield partial(_hand_out, client, scheduler)


def _refuse_workers(client: Any, scheduler: str) -> None:
    try:
        client.wait_for_workers(1, timeout=_WORKERS_S)
    except TimeoutError:
        raise AutochainError(
            f"The scheduler at {scheduler} has no worker. Start some by `dask worker {scheduler} --nthreads 1`."
        ) from None
    for worker, has in client.run(versions, on_error="return").items():
        if has != versions():
            reason = _short(has) if isinstance(has, Exception) else _difference(has)
            raise AutochainError(f"The worker {worker} differs from this machine: {reason}. Install the same there.")


def _difference(has: Mapping[str, str]) -> str:
    own = versions()
    return ", ".join(f"{name} {has.get(name)} in place of {own[name]}" for name in own if has.get(name) != own[name])


def _short(error: BaseException) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__


def _hand_out(client: Any, scheduler: str, left: Sequence[Job], progress: Progress) -> Done:
    executor, own = client.get_executor(pure=False), versions()
    unseen: list[Job] = []
    done = 0

    def most() -> int:
        # One for each thread, and one that waits beside it.
        return max(1, 2 * sum(map(int, client.nthreads().values())))

    def by_path(job: Job) -> "Future[_Answer]":
        there = replace(job, paths=tuple(path.absolute() for path in job.paths))
        future: Future[_Answer] = executor.submit(do_there, there, own)
        return future

    def by_content(job: Job) -> "Future[_Answer]":
        future: Future[_Answer] = executor.submit(do_there, job, own, _read(job))
        return future

    progress(f"tracks done by {scheduler}", 0.0)
    try:
        for submit, jobs in ((by_path, left), (by_content, unseen)):
            for job, future in as_they_finish(submit, jobs, most):
                found = _answer(job, future)
                if found is None:
                    unseen.append(job)
                    continue
                done += 1
                progress(f"{done} of {len(left)} tracks done", done / len(left))
                yield job, found
    except (CancelledError, OSError, RuntimeError) as error:
        raise AutochainError(
            f"The scheduler at {scheduler} is gone ({_short(error)}). What was done is kept: give the command again "
            f"with --resume."
        ) from None


def _answer(job: Job, future: "Future[_Answer]") -> _Answer:
    try:
        return future.result()
    except (CancelledError, OSError):
        raise
    except Exception as error:  # its workers were lost again and again, or cannot send what they found
        return Failure.of(job.paths, f"Its workers failed: {_short(error)}")


def _read(job: Job) -> list[bytes]:
    try:
        return [path.read_bytes() for path in job.paths]
    except OSError:  # gone since it was heard: the worker finds that these are not its bytes, and says so
        return [b"" for _ in job.paths]


def do_there(job: Job, asked: Mapping[str, str], content: Sequence[bytes] | None = None) -> _Answer:
    """Do a track in a worker; None where it was sent by its path and exactly that mix is not there.

    Parameters
    ----------
    job
        With the paths on the machine that asks.
    asked
        Versions there; a worker with others does nothing, as it would find other numbers.
    content
        Bytes of its mixes, where they are sent by content.
    """
    if versions() != asked:
        return Failure.of(job.paths, f"A worker differs from this machine: {_difference(asked)}.")
    if content is not None:
        with TemporaryDirectory() as folder:
            paths = []
            for place, (path, own) in enumerate(zip(job.paths, content, strict=True)):
                beside = Path(folder) / str(place)  # a folder each, as two may have one name
                beside.mkdir()
                paths.append(beside / path.name)
                paths[-1].write_bytes(own)
            return carry_out(replace(job, paths=tuple(paths)))
    try:
        seen = [file_sha256(path) or "" for path in job.paths]
    except OSError:
        return None
    return carry_out(job) if joined_sha256(seen) == job.heard.sha256 else None
