"""How far a run has come, told to whoever watches; and the way to stop it."""

from contextlib import contextmanager

from appulse.errors import AppulseError


class Cancelled(AppulseError):
    """The run was stopped on request; its finished parts are kept, and the same job goes on from there."""


class Steps:
    """Stages of a run, counted.

    Parameters
    ----------
    stage : callable, optional
        ``stage(words, total)`` gives a context manager whose value has ``update(n)``: a progress bar.
    progress : callable, optional
        ``progress(words, done, total)``, at the beginning of each stage with `done` 0, then after every frame
        or strip, in the thread that runs the job.
    cancelled : callable, optional
        Asked as often; once it says yes the run ends with :class:`Cancelled`.

    Examples
    --------
    >>> steps = Steps(progress=lambda words, done, total: print(words, done, "of", total))
    >>> with steps("stacking", 2) as bar:
    ...     bar.update(2)
    stacking 0 of 2
    stacking 2 of 2
    >>> with Steps(cancelled=lambda: True)("stacking", 2):
    ...     pass
    Traceback (most recent call last):
    appulse.sequence.steps.Cancelled: stopped while stacking: the same job goes on from there
    """

    def __init__(self, stage=None, progress=None, cancelled=None):
        self.stage, self.progress, self.cancelled = stage, progress, cancelled

    @contextmanager
    def __call__(self, words, total):
        """A stage: its value has ``update(n)``."""
        count = _Count(self, words, total)
        if self.stage is None:
            count.update(0)
            yield count
            return
        with self.stage(words, total) as count.bar:
            count.update(0)
            yield count


class _Count:
    def __init__(self, steps, words, total):
        self.steps, self.words, self.total, self.done, self.bar = steps, words, total, 0, None

    def update(self, n=1):
        """Count n more."""
        self.done += n
        if n and self.bar is not None:
            self.bar.update(n)
        if self.steps.progress is not None:
            self.steps.progress(self.words, self.done, self.total)
        if self.steps.cancelled is not None and self.steps.cancelled():
            raise Cancelled(f"stopped while {self.words}: the same job goes on from there")
