"""Running tasks of jobs, each in a process of its own, some at a time, with limits on time and memory."""

from __future__ import annotations

import heapq
import itertools
import logging
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable
from multiprocessing import connection
from multiprocessing.process import BaseProcess
from typing import Any

from ..threads import keep_to_one_thread
from .files import read_json
from .jobs import Job, JobStore, Task
from .settings import Limits
from .worker import Order, run

__all__ = ["Runner"]

_LOG = logging.getLogger(__name__)
_TRIES = 2
_FIRST = {"read": 0, "pdf": 1, "analyse": 1}
_METHOD = "forkserver" if os.name == "posix" else "spawn"


class Runner:
    """Takes tasks one after the other and watches over the processes that do them.

    Parameters
    ----------
    store : JobStore
        The jobs.
    limits : Limits
        Caps.
    make_order : callable
        Returns what a worker is to do for a job's task.
    finished : callable
        Called with job and task when a worker did what it should.
    """

    def __init__(
        self,
        store: JobStore,
        limits: Limits,
        make_order: Callable[[Job, Task], Order],
        finished: Callable[[Job, Task], None],
    ) -> None:
        self._store, self._limits = store, limits
        self._make_order, self._finished = make_order, finished
        self._context: Any = multiprocessing.get_context(_METHOD)
        if _METHOD == "forkserver":
            self._context.set_forkserver_preload(["flightproc.web.warm"])
        self._waiting: list[tuple[int, int, str]] = []
        self._numbers = itertools.count()
        self._changed = threading.Condition()
        self._children = threading.Lock()
        self._stopping = False
        self._cancelled: set[tuple[str, int]] = set()
        self._threads: list[threading.Thread] = []
        self.warm: threading.Event = threading.Event()

    # ------------------------------------------------------------------------------------- what others call

    def start(self) -> None:
        """Begin, with the tasks that an earlier server left undone."""
        # Small matrices are slower on many threads, and every worker inherits this.
        keep_to_one_thread()
        for job in sorted(self._store.all(), key=lambda job: job.task.queued if job.task else 0.0):
            if job.task is not None:
                self._take_up(job, job.task)
        self._threads = [threading.Thread(target=self._warm_up, daemon=True, name="warm")]
        self._threads += [
            threading.Thread(target=self._work, daemon=True, name=f"runner {number}")
            for number in range(self._limits.workers)
        ]
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """End all workers; their tasks are taken up by the next server."""
        with self._changed:
            self._stopping = True
            self._changed.notify_all()
        for thread in self._threads:
            thread.join(timeout=10.0)

    @property
    def waiting(self) -> int:
        """Number of tasks that wait."""
        with self._changed:
            return len(self._waiting)

    def ahead(self, job: Job) -> int:
        """Return how many tasks come before that of a job."""
        with self._changed:
            mine = [item for item in self._waiting if item[2] == job.id]
            return sum(item < mine[0] for item in self._waiting) if mine else 0

    def submit(self, job: Job) -> None:
        """Queue the task of a job."""
        assert job.task is not None
        with self._changed:
            heapq.heappush(self._waiting, (_FIRST[job.task.kind], next(self._numbers), job.id))
            self._changed.notify()

    def cancel(self, job: Job) -> None:
        """Stop a job's task, whether it waits or runs."""
        with job.lock:
            task = job.task
            if task is None:
                return
            with self._changed:
                before = len(self._waiting)
                self._waiting = [item for item in self._waiting if item[2] != job.id]
                heapq.heapify(self._waiting)
                waited = len(self._waiting) < before
                if not waited:
                    self._cancelled.add((job.id, task.run))
                self._changed.notify_all()
            if waited:
                self._end(job, "cancelled", "Cancelled before it began.")

    def wait_idle(self, job: Job, seconds: float) -> bool:
        """Wait until nothing is done for a job; return whether that came about."""
        until = time.monotonic() + seconds
        while job.busy and time.monotonic() < until:
            time.sleep(0.02)
        return not job.busy

    # ------------------------------------------------------------------------------------------ the threads

    def _take_up(self, job: Job, task: Task) -> None:
        if task.tries >= _TRIES:
            self._end(job, "failed", f"It was begun {task.tries} times and each time the server stopped.")
            return
        self.submit(job)

    def _warm_up(self) -> None:
        self._start(process := self._context.Process(target=_nothing))
        connection.wait([process.sentinel])
        self._code_of(process)
        self.warm.set()

    def _start(self, process: BaseProcess) -> None:
        """Start a worker.

        Starting one takes the exit codes of all that have ended, and whoever comes second for a code gets a
        wrong one; so no two threads may do either at once.
        """
        with self._children:
            process.start()

    def _code_of(self, process: BaseProcess) -> int | None:
        """Return the exit code of a worker that has ended."""
        with self._children:
            process.join()
            code = process.exitcode
            process.close()
            return code

    def _next(self) -> Job | None:
        with self._changed:
            while not self._stopping:
                while self._waiting:
                    _, _, job_id = heapq.heappop(self._waiting)
                    job = self._store.get(job_id)
                    if job is not None and job.task is not None:
                        return job
                self._changed.wait()
        return None

    def _work(self) -> None:
        while (job := self._next()) is not None:
            self._do(job)

    def _do(self, job: Job) -> None:
        with job.lock:
            task = job.task
            if task is None:
                return
            task.started, task.tries = time.time(), task.tries + 1
            self._store.save(job)
            outcome = job.run_folder(task.run) / "outcome.json"
            outcome.unlink(missing_ok=True)
            order = self._make_order(job, task)
        process = self._context.Process(target=run, args=(order,), name=f"{task.kind} {job.id}", daemon=True)
        self._start(process)
        how = self._watch(process, job, task)
        connection.wait([process.sentinel])
        code = self._code_of(process)
        with job.lock:
            if how == "stopping":
                return  # the task stays, and the next server takes it up
            if self._store.get(job.id) is not job or job.task is not task:
                return
            if how:
                words = {
                    "cancelled": "Cancelled.",
                    "late": f"It took longer than {self._limits.job_seconds:.0f} s, which is all it may.",
                }[how]
                self._end(job, "cancelled" if how == "cancelled" else "failed", words)
                return
            self._conclude(job, task, code, read_json(outcome))

    def _watch(self, process: BaseProcess, job: Job, task: Task) -> str:
        """Wait for a worker to end; return why it was stopped, or nothing where it ended by itself."""
        until = time.monotonic() + self._limits.job_seconds
        while not connection.wait([process.sentinel], timeout=0.1):
            how = ""
            if (job.id, task.run) in self._cancelled or self._store.get(job.id) is not job:
                how = "cancelled"
            elif self._stopping:
                how = "stopping"
            elif time.monotonic() > until:
                how = "late"
            if how:
                _kill(process)
                self._cancelled.discard((job.id, task.run))
                return how
        self._cancelled.discard((job.id, task.run))
        return ""

    def _conclude(self, job: Job, task: Task, code: int | None, outcome: Any) -> None:
        if code == 0 and isinstance(outcome, dict) and outcome.get("ok"):
            job.task = None
            job.words, job.faults = "", []
            self._finished(job, task)
            self._store.save(job)
        elif code == 0 and isinstance(outcome, dict):
            self._end(job, "failed", str(outcome.get("words", "")), outcome.get("faults", []))
        elif code is not None and code < 0 and -code == getattr(signal, "SIGXCPU", 24):
            self._end(job, "failed", "It used up the processor time that it may have.")
        elif code is not None and code < 0:
            self._end(job, "failed", f"Its process was ended from outside (signal {-code}).")
        else:
            _LOG.warning("the worker of job %s, run %d, ended with code %s", job.id, task.run, code)
            if task.tries < _TRIES:
                self._store.save(job)
                self.submit(job)  # what failed by chance does not fail twice
                return
            self._end(
                job,
                "failed",
                "It failed in a way that was not foreseen. The server goes on; the log of what happened is "
                f"kept with the sortie (run {task.run}, worker.log).",
            )

    def _end(self, job: Job, state: str, words: str, faults: list[dict[str, str]] | None = None) -> None:
        """End a job's task without its product. A result from before stays."""
        with job.lock:
            task, job.task = job.task, None
            if task is not None and task.kind == "pdf":
                job.words = words
            else:
                job.state, job.words, job.faults = state, words, faults or []
            self._store.save(job)


def _kill(process: BaseProcess) -> None:
    """End a worker with all it may have begun."""
    if os.name == "posix" and process.pid is not None:
        try:
            if os.getpgid(process.pid) == process.pid:
                os.killpg(process.pid, signal.SIGKILL)
        except ProcessLookupError:
            return
    process.kill()


def _nothing() -> None:
    """Be a worker that does nothing: the first one makes the others quick to start."""
