"""Several pictures read one after the other, or several at a time in processes of their own."""

from __future__ import annotations

import os
import signal
from collections.abc import Generator, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from threading import current_thread, main_thread
from typing import Any

from sharpset.errors import ReadingError, ScanError
from sharpset.pieces import Piece
from sharpset.readings.reader import read_scan
from sharpset.readings.results import ScanReading
from sharpset.scans import ScaleSources
from sharpset.scans.locate import Mirror

__all__ = ["read_scans"]

_MOST_JOBS = 60  # that Windows waits for

_how: dict[str, Any] = {}


def read_scans(
    paths: Iterable[Path | str],
    *,
    piece: Piece,
    dpi: float | None = None,
    mirror: Mirror = "auto",
    encoding: str = "auto",
    known_run_ids: Sequence[str] = (),
    scale_sources: ScaleSources | None = None,
    check_wire_mm: float | None = None,
    progress: bool = True,
    unread: list[ScanError | ReadingError] | None = None,
    jobs: int = 1,
) -> list[ScanReading]:
    """Read several pictures, with a progress bar; see `read_scan`.

    Parameters
    ----------
    unread : list, optional
        Takes the errors of pictures that cannot be read; the others are read all the same.
    jobs : int
        How many pictures are read at a time, each in a process of its own. Readings do not depend on it. A script that
        asks for more than one must keep its own work under ``if __name__ == "__main__":``.

    Returns
    -------
    list of ScanReading
        In the order of `paths`.

    Raises
    ------
    ScanError, ReadingError
        At the first picture that cannot be read; with `unread`, where no picture can.
    """
    from tqdm import tqdm

    paths = list(paths)
    if not paths:
        raise ScanError("no picture was named. Give one or more scans.")
    how = {
        "piece": piece,
        "dpi": dpi,
        "mirror": mirror,
        "encoding": encoding,
        "known_run_ids": tuple(known_run_ids),
        "scale_sources": scale_sources,
        "check_wire_mm": check_wire_mm,
    }
    found = []
    with closing(_outcomes(paths, how, min(jobs, len(paths), _MOST_JOBS))) as outcomes:
        bar = tqdm(
            outcomes,
            total=len(paths),
            desc="reading scans",
            unit="scan",
            disable=None if progress else True,
            leave=False,
        )
        for outcome in bar:
            if isinstance(outcome, ScanReading):
                found.append(outcome)
            elif unread is None:
                raise outcome
            else:
                unread.append(outcome)
    if unread and not found:
        raise unread[0]
    return found


def _outcomes(
    paths: Sequence[Path | str], how: dict[str, Any], jobs: int
) -> Generator[ScanReading | ScanError | ReadingError]:
    if jobs <= 1:
        yield from (_outcome(path, how) for path in paths)
        return
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import active_children, get_context

    # Spawned, not forked: libraries that hold threads do not survive a fork. One thread each, so that the processes do
    # not take turns on the same cores.
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    pool = ProcessPoolExecutor(jobs, mp_context=get_context("spawn"), initializer=_begin, initargs=(how,))
    others = set(active_children())
    try:
        with _not_interrupted():
            outcomes = pool.map(_in_process, paths)
        yield from outcomes
    except BrokenProcessPool as error:
        raise ReadingError(
            "a process that read scans was ended from outside, for want of memory perhaps. Read fewer at a time "
            "(--jobs 1)."
        ) from error
    except BaseException:
        # Nobody waits any more for what is still being read.
        for process in set(active_children()) - others:
            process.terminate()
        raise
    finally:
        pool.shutdown(cancel_futures=True)


@contextmanager
def _not_interrupted() -> Iterator[None]:
    """Start processes that no key interrupts, from their first moment on: they end with the one that started them."""
    if current_thread() is not main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before or signal.SIG_DFL)


def _begin(how: dict[str, Any]) -> None:
    """Take over in a new process how pictures are read."""
    import cv2

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # not handed on everywhere
    cv2.setNumThreads(1)
    _how.update(how)


def _in_process(path: Path | str) -> ScanReading | ScanError | ReadingError:
    return _outcome(path, _how)


def _outcome(path: Path | str, how: dict[str, Any]) -> ScanReading | ScanError | ReadingError:
    try:
        return read_scan(path, **how)
    except (ScanError, ReadingError) as error:
        return error
