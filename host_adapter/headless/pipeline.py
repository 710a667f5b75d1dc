"""Reader, kernel and writer on threads of their own, a few frames between them, and one way out when anything fails."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Generic, TypeVar

QUEUED = 4
"""Items between two stages; the whole job's memory is a small multiple of this many pictures."""

A = TypeVar("A")
B = TypeVar("B")


class _Ended(Exception):  # noqa: N818  (the job is over; nobody sees it)
    """The other side has gone."""


class _Channel(Generic[A]):
    """A bounded queue that both sides can end."""

    def __init__(self, room: int) -> None:
        self._room = room
        self._items: deque[A] = deque()
        self._changed = threading.Condition()
        self._closed = False
        self._broken = False

    def put(self, item: A) -> None:
        with self._changed:
            while len(self._items) >= self._room and not self._broken:
                self._changed.wait()
            if self._broken:
                raise _Ended
            self._items.append(item)
            self._changed.notify_all()

    def __iter__(self) -> Iterator[A]:
        while True:
            with self._changed:
                while not self._items and not self._closed and not self._broken:
                    self._changed.wait()
                if self._broken:
                    raise _Ended
                if not self._items:
                    return
                item = self._items.popleft()
                self._changed.notify_all()
            yield item

    def close(self) -> None:
        """Nothing more will be put."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def break_off(self) -> None:
        """The job is over: whoever waits stops waiting, what is queued is let go."""
        with self._changed:
            self._broken = True
            self._items.clear()
            self._changed.notify_all()


def run_pipeline(
    read: Callable[[], Iterator[A]],
    work: Callable[[A], B],
    write: Callable[[B], bool],
    *,
    workers: int = 1,
) -> None:
    """Every item of `read` through `work` to `write`, in order; `write` runs on the calling thread.

    read : called on the reader's thread; its iterator is closed there too
    work : called on the kernel's thread, one item after another in order; with several workers on several at once
    write : returns False to end the job early
    The first exception of any stage ends all of them and is raised here; no thread is left behind.
    """
    sources: _Channel[A] = _Channel(QUEUED)
    results: _Channel[B] = _Channel(QUEUED)
    failures: list[BaseException] = []

    def stage(body: Callable[[], None], outlet: _Channel[A] | _Channel[B]) -> Callable[[], None]:
        def run() -> None:
            try:
                body()
            except _Ended:
                pass
            except BaseException as failure:
                failures.append(failure)
                sources.break_off()
                results.break_off()
            finally:
                outlet.close()

        return run

    def reading() -> None:
        items = read()
        try:
            for item in items:
                sources.put(item)
        finally:
            close = getattr(items, "close", None)
            if close is not None:
                close()

    def working() -> None:
        if workers == 1:
            for item in sources:
                results.put(work(item))
            return
        with ThreadPoolExecutor(workers, "footroom-kernel") as pool:
            pending: deque[Future[B]] = deque()
            try:
                for item in sources:
                    pending.append(pool.submit(work, item))
                    if len(pending) >= workers:
                        results.put(pending.popleft().result())
                while pending:
                    results.put(pending.popleft().result())
            finally:
                for future in pending:
                    future.cancel()

    threads = [
        threading.Thread(target=stage(reading, sources), name="footroom-reader", daemon=True),
        threading.Thread(target=stage(working, results), name="footroom-kernel", daemon=True),
    ]
    for thread in threads:
        thread.start()
    try:
        for result in results:
            if not write(result):
                break
    except _Ended:
        pass
    finally:
        sources.break_off()
        results.break_off()
        for thread in threads:
            thread.join()
    if failures:
        raise failures[0]
