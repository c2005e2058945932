"""What is known of a frame, gathered for its picture and for the evidence sheet."""

from pathlib import Path

LARGEST_TRACKS = 40
"""More tracks than this make a picture illegible; bodies that were seen come first."""

SHEET_PX = 800
"""Longer side of a frame's picture in the sheet, which holds them all."""


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
    from appulse.overlays.track import track_in_frame

    ordered = sorted(residuals, key=lambda one: not one.seen)[:LARGEST_TRACKS]
    found = [track_in_frame(frame, places.engine, one.designation) for one in ordered]
    tracks = [track for track in found if track is not None]
    return tracks, objects_near(*frame.centre, frame.radius_deg)


def draw(frame, places, residuals, extras) -> dict[str, bytes]:
    """Draw a frame as it is wanted: its own picture, a smaller one for the sheet.

    Parameters
    ----------
    frame : SolvedFrame
    places : appulse.cli.pipeline.Places
    residuals : list of Residual
    extras : set of str
        What ``--also`` asks for.

    Returns
    -------
    dict
        PNG, under ``picture`` and ``small``, where wanted.
    """
    wanted = {"pictures": "picture", "evidence": "small", "pdf": "small"}
    names = {wanted[name] for name in extras if name in wanted}
    if not names:
        return {}
    from appulse.reports.picture import annotated_png

    tracks, outlines = gather(frame, places, residuals)
    shown = {"tracks": tracks, "outlines": outlines, "residuals": [one.row() for one in residuals]}
    sizes = {"picture": {}, "small": {"longest_px": SHEET_PX}}
    return {name: annotated_png(frame, **sizes[name], **shown) for name in sorted(names)}


def write_sheets(plan, outcome) -> list[Path]:
    """The evidence sheet of a run, as a page, as a document to print, or both.

    Returns
    -------
    list of Path

    Raises
    ------
    OutputExistsError
        If one exists and may not be replaced.
    """
    from appulse.cli.judgement import is_noteworthy
    from appulse.reports.evidence import write_evidence
    from appulse.reports.evidence_pdf import evidence_pdf

    failed = {path.name: why.removeprefix(f"{path.name}: ") for path, why in outcome.failed.items()}
    notes = [f"{name} could not be used: {why}" for name, why in failed.items()]
    pairs = zip(outcome.residuals, outcome.identities, strict=True)
    notes += [f"{one.frame}: {it.sentence}" for one, it in pairs if is_noteworthy(one, it)]
    shared = {
        "overwrite": plan.overwrite,
        "pictures": outcome.pictures,
        "shapes": {frame.name: frame.shape for frame in outcome.frames},
        "verdict": outcome.verdict,
        "provenance": dict(outcome.table.meta),
        "notes": notes,
        "frame_notes": outcome.notes,
    }
    written = []
    if "evidence" in plan.extras:
        written.append(write_evidence(plan.out / "evidence.html", outcome.residuals, **shared))
    if "pdf" in plan.extras:
        written.append(evidence_pdf(plan.out / "evidence.pdf", outcome.residuals, **shared))
    return written
