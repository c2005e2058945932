"""What is known of a frame, gathered for its picture and for the evidence sheet."""

from pathlib import Path

LARGEST_TRACKS = 40
"""More tracks than this make a picture illegible; bodies that were seen come first."""


def gather(frame, places, residuals):
    """Tracks and outlines of one frame.

    Parameters
    ----------
    frame : SolvedFrame
    places : appulse.cli.pipeline.Places
    residuals : list of Residual
        Of this frame; they name the bodies whose tracks are drawn.

    Returns
    -------
    tracks, outlines : lists
    """
    from appulse.catalogues.deepsky import objects_near
    from appulse.overlays.tracks import track_in_frame

    ordered = sorted(residuals, key=lambda one: not one.seen)[:LARGEST_TRACKS]
    found = [track_in_frame(frame, places.engine, one.designation) for one in ordered]
    tracks = [track for track in found if track is not None]
    return tracks, objects_near(*frame.centre, frame.radius_deg)


def draw(frame, places, residuals, plan) -> Path:
    """The annotated picture of a frame; returns its path.

    Raises
    ------
    OutputExistsError
        If it exists and may not be replaced.
    """
    from appulse.reports.picture import annotated_png

    tracks, outlines = gather(frame, places, residuals)
    return annotated_png(
        frame,
        plan.picture(frame.path),
        tracks=tracks,
        outlines=outlines,
        residuals=[one.row() for one in residuals],
        overwrite=plan.overwrite,
    )
