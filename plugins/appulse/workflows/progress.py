"""How far long work is: counted by the workflows, put into the same words for terminal, log and viewer.

::

    workflow --progress(words, done, total)--> Stage (time left) --> bar on a terminal
                                                                 --> a line every 10 s in a log
                                                                 --> words of a viewer's panel
"""

import contextlib
import re
import shutil
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator

Progress = Callable[[str, int, int], None]
IsCancelled = Callable[[], bool]

QUIET_S = 2.0
"""Work that is done sooner needs no progress; common practice, no source."""
LOG_EVERY_S = 10.0
REDRAW_S = 0.5
WIDEST = 100
_FIGURE = re.compile(r"[-+]?\d+(?:[.:]\d+)*(?:e[-+]?\d+)?")
MOST_NAMED = 3
"""More frames than this with the same note are counted, not named."""


def counted(
    items: Iterable, words: str, progress: Progress | None, cancelled: IsCancelled | None = None
) -> Iterator:
    """The items one by one, counted; no further one is begun once `cancelled` says yes.

    Examples
    --------
    >>> list(counted("ab", "reading", lambda words, done, total: print(words, done, "of", total)))
    reading 0 of 2
    reading 1 of 2
    reading 2 of 2
    ['a', 'b']
    """
    items = list(items)
    if progress is not None:
        progress(words, 0, len(items))
    for done, item in enumerate(items, 1):
        if cancelled is not None and cancelled():
            return
        yield item
        if progress is not None:
            progress(words, done, len(items))


def duration(seconds: float) -> str:
    """A span of time as people say it.

    Examples
    --------
    >>> duration(0.4), duration(42), duration(130), duration(7000)
    ('1 s', '42 s', '2 min 10 s', '1 h 56 min')
    """
    whole = max(1, round(seconds))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{whole // 3600} h {whole % 3600 // 60} min"


class Stage:
    """One kind of work, of which so much is done: its words and the time left.

    Parameters
    ----------
    words : str
        What is being done.
    total : int
        Of how many; 0 where nobody knows.
    clock : callable
        Seconds.

    Examples
    --------
    >>> ticks = iter([0.0, 3.0, 5.0, 6.0])
    >>> stage = Stage("measuring", 4, lambda: next(ticks))
    >>> stage.update(1)                 # after 3 s, of which some went into the start
    >>> stage.update(2)                 # after 5 s
    >>> stage.line()                    # a second later
    'measuring: 2 of 4, 3 s left'
    """

    def __init__(self, words: str, total: int, clock: Callable[[], float] = time.monotonic):
        self.words, self.total, self.done, self._clock = words, total, 0, clock
        self.begun_s = self._last_s = clock()
        self._first: tuple[int, float] | None = None

    def update(self, done: int) -> None:
        """So much is done now."""
        if done > self.done:
            self.done, self._last_s = done, self._clock()
            self._first = self._first or (done, self._last_s)

    def left_s(self, now_s: float) -> float | None:
        """Seconds left; None as long as nothing is done. Counts down while a step lasts."""
        if not self.done or not self.total:
            return None
        # The first step holds what is done once (imports, catalogues): as soon as there are more, their
        # speed counts.
        done, since_s = self._first or (0, self.begun_s)
        steps, span_s = self.done - done, self._last_s - since_s
        if not steps:
            steps, span_s = self.done, self._last_s - self.begun_s
        return max(0.0, span_s / steps * (self.total - self.done) - (now_s - self._last_s))

    def line(self) -> str:
        """What is done, of how many, time left."""
        now_s = self._clock()
        if not self.total:
            return f"{self.words}: {duration(now_s - self.begun_s)} so far"
        left_s = self.left_s(now_s)
        words = f"{self.words}: {self.done} of {self.total}"
        if self.done >= self.total:
            return words
        return words if left_s is None else f"{words}, {duration(left_s)} left"


class Display:
    """Progress on a stream: a bar where it is a terminal, a line every 10 s where it is none.

    Parameters
    ----------
    stream : text stream, optional
        Standard error.
    quiet : bool
        Nothing is shown.
    """

    def __init__(self, stream=None, quiet: bool = False):
        self._stream = sys.stderr if stream is None else stream
        self._quiet = quiet
        self._terminal = bool(getattr(self._stream, "isatty", lambda: False)())
        self._stage: Stage | None = None
        self._bar = None
        self._begun_s = self._said_s = time.monotonic()
        self._logged = False
        self._lock, self._over = threading.Lock(), threading.Event()
        self._thread: threading.Thread | None = None

    def __call__(self, words: str, done: int, total: int) -> None:
        """What a workflow's ``progress`` takes."""
        if self._quiet:
            return
        with self._lock:
            if self._stage is None or (self._stage.words, self._stage.total) != (words, total):
                self._end_stage()
                self._stage = Stage(words, total)
            self._stage.update(done)
        if self._thread is None:
            # Work tells of itself after each step only; a long step must not leave the screen still.
            self._thread = threading.Thread(target=self._keep_showing, daemon=True)
            self._thread.start()

    def close(self) -> None:
        """Take the bar away."""
        self._over.set()
        if self._thread is not None:
            self._thread.join()
        with self._lock:
            self._end_stage()

    def _keep_showing(self) -> None:
        while not self._over.wait(REDRAW_S):
            with self._lock:
                self._show(time.monotonic())

    def _show(self, now_s: float) -> None:
        """Draw or say the present stage, once the work has lasted long enough."""
        stage = self._stage
        if stage is None or now_s - self._begun_s < QUIET_S:
            return
        if self._terminal:
            self._draw(stage)
        elif now_s - self._said_s >= LOG_EVERY_S:
            self._said_s, self._logged = now_s, True
            self._log(stage.line())

    def _draw(self, stage: Stage) -> None:
        if self._bar is None:
            from tqdm import tqdm

            form = "{desc}" if not stage.total else "{desc} |{bar:20}|"
            # Some terminals tell no size (0 by 0): nothing would be drawn there.
            size = shutil.get_terminal_size()
            self._bar = tqdm(
                total=stage.total or None, leave=False, file=self._stream, bar_format=form,
                ncols=min(WIDEST, size.columns) - 1, nrows=size.lines, desc=stage.line(),
            )  # fmt: skip
        self._bar.n = stage.done
        self._bar.set_description_str(stage.line(), refresh=True)

    def _log(self, words: str) -> None:
        print(f"appulse: {words}", file=self._stream, flush=True)

    def _end_stage(self) -> None:
        """Close the bar; in a log, a stage that was reported is also reported as done."""
        if self._bar is not None:
            self._bar.close()
            self._bar = None
        stage = self._stage
        if self._logged and stage is not None and stage.done >= stage.total > 0:
            self._log(f"{stage.words}: {stage.total} done in {duration(time.monotonic() - stage.begun_s)}")
        self._stage, self._logged = None, False


@contextlib.contextmanager
def show_progress(quiet: bool = False, stream=None) -> Iterator[Display]:
    """A ``progress(words, done, total)`` that is shown on standard error while the block lasts."""
    display = Display(stream, quiet)
    try:
        yield display
    finally:
        display.close()


def grouped_notes(notes: Iterable[tuple[str, str]], total: int) -> list[str]:
    """Notes of frames, each text once, with the frames that it holds for.

    Parameters
    ----------
    notes : iterable of (str, str)
        Name of the frame and text.
    total : int
        Frames of the run.

    Examples
    --------
    >>> grouped_notes([("a", "no gain"), ("b", "no gain"), ("b", "old"), ("c", "no gain")], 3)
    ['all 3 frames: no gain', 'b: old']
    >>> grouped_notes([("abcdefgh"[i], "no gain") for i in range(5)], 9)
    ['5 of 9 frames (a, b, c and 2 more): no gain']
    """
    kinds: dict[str, dict[str, list[str]]] = {}
    for name, text in notes:
        # some texts begin with the frame's name: without it they are the same for all
        text = " ".join(text.split()).removeprefix(f"{name}: ")
        names = kinds.setdefault(_FIGURE.sub("#", text), {}).setdefault(text, [])
        if name not in names:
            names.append(name)
    return [_of_kind(texts, total) for texts in kinds.values()]


def _of_kind(texts: dict[str, list[str]], total: int) -> str:
    """One line for notes that are the same but for their figures."""
    text, names = next(iter(texts.items()))
    if len(texts) == 1:
        return f"{_frames(names, total)}: {text}"
    more = len({name for names in texts.values() for name in names}) - 1
    alike = f"{more} more frame{'s' * (more > 1)} alike, with figures of their own"
    return f"{names[0]}: {text} ({alike})" if more else "; ".join(f"{names[0]}: {text}" for text in texts)


def _frames(names: list[str], total: int) -> str:
    if len(names) == 1:
        return names[0]
    if len(names) >= total:
        return f"all {total} frames" if total > 2 else "both frames"
    more = len(names) - MOST_NAMED
    some = ", ".join(names[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
    return f"{len(names)} of {total} frames ({some})"
