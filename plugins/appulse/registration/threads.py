"""Several frames or strips at once, results in their order, no more ahead than there are threads."""

import threading
from collections import deque
from concurrent.futures import ThreadPoolExecutor

READING = threading.Lock()
"""Held while a file is read: warnings are silenced there, for the whole process."""


def in_order(function, items, workers=1):
    """Results of a function, in the order of the items.

    Parameters
    ----------
    function : callable
    items : iterable
    workers : int
        Threads; with one, everything happens in the caller's.

    Yields
    ------
    object
        At most `workers` + 1 items are begun before their results are taken, so that memory stays bounded and
        little is lost where the caller stops.

    Examples
    --------
    >>> list(in_order(abs, [-3, 2, -1], workers=2))
    [3, 2, 1]
    """
    if workers <= 1:
        yield from map(function, items)
        return
    pool, begun = ThreadPoolExecutor(workers), deque()
    try:
        for item in items:
            begun.append(pool.submit(function, item))
            if len(begun) > workers:
                yield begun.popleft().result()
        while begun:
            yield begun.popleft().result()
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
