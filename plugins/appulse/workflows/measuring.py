"""Bodies measured in frames: one frame, or a night of them, with what else the dots could be.

::

    frame --> rows at mid-exposure --> stars, plate check --> measure --> identify --> (draw) --> next frame
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from typing import Any

from appulse.errors import FrameError
from appulse.workflows.one_thread import one_thread
from appulse.workflows.progress import IsCancelled, Progress
from appulse.workflows.sources import (
    BodySource,
    FailedFrame,
    StarSource,
    Surroundings,
    frame_by_frame,
    surroundings_of,
)
from appulse.workflows.workers import Workers


@dataclass(frozen=True)
class MeasuredFrame:
    """A frame with its bodies measured.

    Attributes
    ----------
    frame : SolvedFrame
    plate : PlateCheck
    residuals : tuple of Residual
        One for each body; one that does not show is flagged, not invented.
    identities : tuple of Identity
        What else each dot could be, in the order of the residuals; empty where nobody asked.
    notes : tuple of str
        What was noted about the frame, its plate and its surroundings.
    pictures : dict of str to bytes
        What was drawn of it.
    """

    frame: Any
    plate: Any = field(repr=False)
    residuals: tuple = ()
    identities: tuple = ()
    notes: tuple[str, ...] = ()
    pictures: dict[str, bytes] = field(default_factory=dict, repr=False)

    @property
    def name(self) -> str:
        """File name."""
        return self.frame.name

    @property
    def any_seen(self) -> bool:
        """Whether a body was measured on it."""
        return any(residual.seen for residual in self.residuals)


@dataclass(frozen=True)
class MeasuredNight:
    """What came of the frames of a night.

    Attributes
    ----------
    measured : tuple of MeasuredFrame
    failed : tuple of FailedFrame
    total : int
        Frames that were to be measured.
    """

    measured: tuple[MeasuredFrame, ...] = ()
    failed: tuple[FailedFrame, ...] = ()
    total: int = 0

    @property
    def stopped(self) -> bool:
        """Whether it was cancelled before the last frame; what was measured until then is here."""
        return len(self.measured) + len(self.failed) < self.total

    @property
    def frames(self) -> list:
        """The frames that could be used."""
        return [one_frame.frame for one_frame in self.measured]

    @property
    def residuals(self) -> list:
        """Of all frames, in their order; those of a frame that its grade leaves out are flagged.

        A star in no list that a body blends with on one frame is told from it by the others.
        """
        found = []
        for one_frame, residual in self._settled:
            reason = self.left_out.get(one_frame.name)
            if reason and residual.seen:
                words = f"not in the verdict: {reason}"
                residual = replace(residual, flag="; ".join(filter(None, (residual.flag, words))))
            found.append(residual)
        return found

    @cached_property
    def _settled(self) -> list[tuple]:
        """Each frame with each of its residuals, stars beside a body known from the other frames."""
        from appulse.astrometry import settled

        pairs = [(one_frame, residual) for one_frame in self.measured for residual in one_frame.residuals]
        residuals = settled((one_frame.frame, residual) for one_frame, residual in pairs)
        return [(one_frame, residual) for (one_frame, _), residual in zip(pairs, residuals, strict=True)]

    @cached_property
    def left_out(self) -> dict[str, str]:
        """Frames that are too clouded or blurred to be judged by, with the reason: the rules of sequence."""
        return _graded_out(self.measured)

    @property
    def identities(self) -> list:
        """Of all frames, in the order of the residuals."""
        return [identity for one_frame in self.measured for identity in one_frame.identities]

    @property
    def without_body(self) -> list[str]:
        """Names of the usable frames that show none of the bodies."""
        return [one_frame.name for one_frame in self.measured if not one_frame.any_seen]

    @property
    def catalogues(self) -> dict[str, str]:
        """Names of the star catalogues with their ADES codes."""
        return {one_frame.plate.catalogue: one_frame.plate.ades_code for one_frame in self.measured}

    @cached_property
    def verdict(self):
        """The judgement of the night; None where no body was seen."""
        from appulse.astrometry import judge

        kept = [residual for residual in self.residuals if residual.frame not in self.left_out]
        # A night of nothing else is judged by what there is.
        residuals = kept if any(residual.seen for residual in kept) else self.residuals
        with one_thread():
            return judge(residuals) if any(residual.seen for residual in residuals) else None


def _graded_out(measured) -> dict[str, str]:
    """Reasons of the frames that the grades of a sequence would leave out, by name."""
    import numpy as np

    from appulse.astrometry import zero_point
    from appulse.sequence import transparencies, verdicts

    frames = [one_frame for one_frame in measured if one_frame.plate is not None]
    if len(frames) < 3:
        return {}
    points = [zero_point(one_frame.plate).value for one_frame in frames]
    first = np.nanmedian(points) if np.isfinite(points).any() else 0.0
    # Stars that give more light for their magnitude: a smaller ratio of the best frame's to theirs.
    ratios = [10 ** (-0.4 * (point - first)) for point in points]
    seconds = [one_frame.frame.exposure.seconds for one_frame in frames]
    gains = [one_frame.frame.camera.gain_e_adu for one_frame in frames]
    parts = {one_frame.frame.exposure.n_sub for one_frame in frames}
    if None in gains and len(parts) > 1:
        # Summed or averaged? Without their gains nobody can tell, and cannot compare their light.
        ratios = [np.nan] * len(frames)
    light = transparencies(ratios, seconds, [1.0 if None in gains else float(gain) for gain in gains])
    widths = np.array([one_frame.plate.survey.psf.fwhm for one_frame in frames])
    known = np.array([one_frame.plate.survey.psf.n_stars > 0 for one_frame in frames])
    # What is not known is like the others: nothing is held against it.
    widths = np.where(known, widths, np.median(widths[known]) if known.any() else widths)
    rows = [
        {"transparency": float(share), "fwhm": float(width), "align_stars": 1}
        for share, width in zip(light, widths, strict=True)
    ]
    graded = zip(frames, verdicts(rows), strict=True)
    return {one_frame.name: reason for one_frame, (keep, reason) in graded if not keep}


def require_time_and_site(frame) -> None:
    """Refuse a frame for which no body can be predicted."""
    lacking = [name for name, value in (("time", frame.exposure), ("site", frame.observer)) if value is None]
    if lacking:
        raise FrameError(f"{frame.name} has no {' and no '.join(lacking)}: bodies need both; give it")


@one_thread()
def measure_frame(
    frame, bodies: BodySource, stars: StarSource | None = None, *, plate=None,
    surroundings: Surroundings | None = None, **options,
) -> MeasuredFrame:  # fmt: skip
    """Measure the bodies of a source in one frame.

    Parameters
    ----------
    frame : SolvedFrame
        With time and site; its pixels are kept (``frame.release()`` frees them).
    bodies : BodySource
        From :func:`~appulse.workflows.sources.open_bodies`.
    stars : StarSource, optional
        From :func:`~appulse.workflows.sources.open_stars`; left out: the bundled stars.
    plate : PlateCheck, optional
        Where the plate has been checked already: the same frame is not looked at twice.
    surroundings : Surroundings, optional
        From :func:`~appulse.workflows.sources.surroundings_of`: then each dot's identity is checked.
    **options
        Of :func:`appulse.astrometry.residual.measure`: `min_snr`, `search_arcsec`, `free_trail`,
        `at_pixel` (zero-based x, y), `radius_px`, `model`.

    Returns
    -------
    MeasuredFrame

    Raises
    ------
    FrameError
        If the frame has no time or no site.
    DesignationError, EphemerisSpanError
        If the source does not know a body, or does not reach to that time.
    MeasurementError
        If the frame has no usable pixel.

    Examples
    --------
    >>> import appulse
    >>> measured = appulse.measure_frame(appulse.example_frame(), appulse.open_bodies("7"))
    >>> residual = measured.residuals[0]
    >>> residual.seen, abs(residual.dra_cosdec) < 1, measured.plate.n_stars > 2
    (True, True, True)
    """
    from appulse.astrometry import Prediction, check_plate, measure

    require_time_and_site(frame)
    places = bodies.in_frame(frame)
    rows = [Prediction.from_row(row).seen_from(frame.observer, frame.exposure.mid) for row in places]
    if plate is None:
        plate = check_plate(frame, (stars or StarSource()).around(frame))
    elif plate.survey.pixels is None:
        plate = replace(plate, survey=plate.survey.with_pixels(frame))
    residuals = tuple(measure(frame, row, plate, **options) for row in rows)
    identities, more = ((), ()) if surroundings is None else surroundings.identify(frame, residuals)
    cautions = places.meta.get("notes", ())
    notes = tuple(dict.fromkeys((*frame.notes, *plate.notes, *more, *cautions)))
    return MeasuredFrame(frame, plate, residuals, identities, notes)


def measured_frames(
    frames: Iterable, bodies: BodySource, stars: StarSource | None = None, *,
    surroundings: Surroundings | None = None, reading: dict | None = None, draw: Callable | None = None,
    progress: Progress | None = None, cancelled: IsCancelled | None = None,
    workers: Workers | None = None, **options,
) -> Iterator[MeasuredFrame | FailedFrame]:  # fmt: skip
    """Measure frame by frame, each handed on as soon as it is done; one that fails costs only itself.

    The arguments are those of :func:`measure_night`; `draw` takes the frame (with its pixels) and the
    residuals and returns pictures by name.
    """
    frames = list(frames)
    bodies.check_frames(len(frames))
    options["surroundings"] = surroundings or surroundings_of(bodies)
    # It may go to another process, so it is no function within this one.
    work = partial(
        _measured, bodies=bodies, stars=stars, reading=reading or {}, draw=draw, options=options
    )  # fmt: skip
    yield from frame_by_frame(frames, work, "measuring", progress, cancelled, workers)


def _measured(given, bodies, stars, reading, draw, options) -> MeasuredFrame:
    """A frame, or the file of one, measured and drawn; its pixels are let go, those of its plate too."""
    from appulse.frames import read_frame

    frame = given if hasattr(given, "exposure") else read_frame(given, **reading)
    try:
        measured = measure_frame(frame, bodies, stars, **options)
        if draw is not None:
            measured = replace(measured, pictures=draw(frame, measured.residuals))
        if frame.path is not None:
            # A night of large frames would not fit into memory, nor go from one process to another.
            survey = measured.plate.survey.packed()
            measured = replace(measured, plate=replace(measured.plate, survey=survey))
    finally:
        if frame.path is not None:
            frame.release()
    return measured


def measure_night(
    frames: Iterable, bodies: BodySource, stars: StarSource | None = None, *,
    each: Callable[[MeasuredFrame | FailedFrame], None] | None = None, **more,
) -> MeasuredNight:  # fmt: skip
    """Measure bodies in the frames of a night; a frame that cannot be used costs only itself.

    Parameters
    ----------
    frames : iterable of path or SolvedFrame
        Plate-solved. A frame that has a file lets its pixels go after its turn.
    bodies : BodySource
        From :func:`~appulse.workflows.sources.open_bodies`.
    stars : StarSource, optional
        From :func:`~appulse.workflows.sources.open_stars`; left out: the bundled stars.
    each : callable, optional
        Called with a :class:`MeasuredFrame` or :class:`FailedFrame` as soon as it is there.
    **more
        `surroundings` (what else could be the dot: the source's and the bundled orbits by default),
        `reading` (options of :func:`appulse.frames.read_frame` for paths), `progress(words, done, total)`,
        `cancelled()` (asked before each frame; what was measured is kept), `workers` (a
        :class:`~appulse.workflows.workers.Workers`: several processes, or a cluster), and the options of
        :func:`measure_frame`.

    Returns
    -------
    MeasuredNight

    Raises
    ------
    TableError
        If positions without times are given for more than one frame.

    Examples
    --------
    >>> import appulse
    >>> frames = [appulse.example_frame(1), appulse.example_frame(2), "no-such-frame.fits"]
    >>> night = appulse.measure_night(frames, appulse.open_bodies("7"))
    >>> len(night.residuals), night.failed[0].reason
    (2, 'no-such-frame.fits: no such file')
    >>> night.verdict.cause
    'all well'
    """
    frames = list(frames)
    measured, failed = [], []
    for result in measured_frames(frames, bodies, stars, **more):
        (failed if isinstance(result, FailedFrame) else measured).append(result)
        if each is not None:
            each(result)
    return MeasuredNight(tuple(measured), tuple(failed), len(frames))
