"""What is drawn upon a frame: outlines, tracks, measured places, compass and scale bar."""

from __future__ import annotations

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Ellipse
from matplotlib.patheffects import withStroke

from appulse.overlays import palette
from appulse.overlays.shapes import outline_in_frame, place_in_frame

BAR_STEPS = (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 18000, 36000)
"""Lengths of the scale bar, arcsec."""


def _line(canvas, x, y, colour, width_px, style="-", zorder=5, clip=True):
    halo = [withStroke(linewidth=canvas.points(width_px + 2.0), foreground=palette.HALO, alpha=0.6)]
    line = Line2D(
        x, y, color=colour, linewidth=canvas.points(width_px), linestyle=style, zorder=zorder,
        path_effects=halo, solid_capstyle="round", dash_capstyle="round",
    )  # fmt: skip
    canvas.axes.add_line(line)
    line.set_clip_on(clip)
    return line


def _device_line(canvas, points, colour, width_px, zorder=8):
    """A line given in device pixels, which keeps its size whatever the frame's scale."""
    points = np.asarray(points, dtype=float)
    halo = [withStroke(linewidth=canvas.points(width_px + 2.5), foreground=palette.HALO, alpha=0.7)]
    line = Line2D(
        points[:, 0],
        points[:, 1],
        transform=None,
        color=colour,
        linewidth=canvas.points(width_px),
        zorder=zorder,
        path_effects=halo,
        solid_capstyle="butt",
    )
    canvas.figure.add_artist(line)
    line.set_clip_box(canvas.axes.bbox)


def _dense(points, step=6.0):
    """Points along a line at most `step` apart, for labels to keep away from."""
    points = np.asarray(points, dtype=float)
    points = points[np.isfinite(points).all(axis=1)]
    if len(points) < 2:
        return points
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.linspace(0.0, along[-1], max(2, min(2000, int(along[-1] / step))))
    return np.stack([np.interp(at, along, points[:, i]) for i in (0, 1)], axis=1)


def draw_outlines(canvas, outlines):
    """Outlines with their names; dashed where the size or the angle is not what the line seems to say."""
    for outline in outlines:
        colour = palette.outline_colour(outline.object_type, outline.kind)
        if outline.kind == "point":
            _draw_point(canvas, outline, colour)
            continue
        pieces = outline_in_frame(canvas.frame, outline)
        strokes = [stroke for piece in pieces for stroke in piece.strokes]
        if not pieces:
            continue
        style = (0, (5, 4)) if outline.kind == "circle" else "-"
        for stroke in strokes:
            _line(canvas, stroke[:, 0], stroke[:, 1], colour, 1.6, style, zorder=3)
            canvas.labels.avoid(_dense(canvas.device(*stroke.T)))
        _name_outline(canvas, outline, pieces[0], strokes, colour)


def _draw_point(canvas, outline, colour):
    place = place_in_frame(canvas.frame, outline)
    ny, nx = canvas.frame.shape
    if place is None or not (-0.5 <= place[0] <= nx - 0.5 and -0.5 <= place[1] <= ny - 0.5):
        return
    x, y = canvas.device(*place)
    r = canvas.size_px * 0.5
    _device_line(canvas, [(x - r, y), (x, y + r), (x + r, y), (x, y - r), (x - r, y)], colour, 1.5)
    canvas.labels.keep_free(x - r, y - r, x + r, y + r)
    canvas.labels.later(outline.name, (x, y), gap=r + 4, colour=colour, scale=0.85, optional=True)


def _name_outline(canvas, outline, piece, strokes, colour):
    """The name stands at the top of the line that shows, or inside where the frame lies within it."""
    name = outline.name if piece.where != "around" else f"{outline.name} (all around)"
    if strokes:
        points = canvas.device(*np.vstack(strokes).T)
        top = points[np.argmax(points[:, 1])]
        canvas.labels.later(name, top, gap=5, angle=90.0, colour=colour, scale=0.9)
    else:
        corner = (canvas.width * 0.5, canvas.strip + canvas.height - canvas.size_px)
        canvas.labels.later(name, corner, gap=4, angle=-90.0, colour=colour, scale=0.9)


def draw_tracks(canvas, tracks):
    """Paths with ticks, trail, predicted place and its error ellipse."""
    for number, track in enumerate(tracks):
        colour = palette.BODIES[number % len(palette.BODIES)]
        if len(track.x) > 1:
            _line(canvas, track.x, track.y, colour, 1.5)
            canvas.labels.avoid(_dense(canvas.device(track.x, track.y)))
        if len(track.x) > 1:
            _arrow_head(canvas, track, colour)
        for part in track.trail_parts:
            _line(canvas, part[:, 0], part[:, 1], palette.MID, 3.5, zorder=6)
        _draw_ticks(canvas, track, colour)
        if track.mid is not None:
            _draw_mid(canvas, track, colour)


def _arrow_head(canvas, track, colour):
    """Which way the body goes: at the last vertex that lies well within the frame."""
    places = canvas.device(track.x, track.y)
    low = np.array([0.0, canvas.strip]) + canvas.size_px
    high = np.array([canvas.width, canvas.strip + canvas.height]) - canvas.size_px
    dense = _dense(places, 2.0)
    inside = np.flatnonzero(((dense > low) & (dense < high)).all(axis=1))
    if len(inside) == 0 or inside[-1] == 0:
        return
    tip = dense[inside[-1]]
    forward = tip - dense[max(inside[-1] - 3, 0)]
    forward = forward / max(np.hypot(*forward), 1e-9)
    side = np.array([-forward[1], forward[0]])
    back = tip - 0.8 * canvas.size_px * forward
    wing = 0.35 * canvas.size_px * side
    _device_line(canvas, [back + wing, tip, back - wing], colour, 1.8)


def _draw_ticks(canvas, track, colour):
    ny, nx = canvas.frame.shape
    for tick in track.ticks:
        if not (-0.5 <= tick.x <= nx - 0.5 and -0.5 <= tick.y <= ny - 0.5):
            continue
        place = canvas.device(tick.x, tick.y)
        half = (
            0.38 * canvas.size_px * np.array([np.cos(np.radians(tick.angle)), np.sin(np.radians(tick.angle))])
        )
        _device_line(canvas, [place - half, place + half], colour, 1.8)
        canvas.labels.later(
            tick.label, place, gap=0.6 * canvas.size_px, angle=tick.angle, colour=colour, scale=0.8,
            optional=True, rank=2,
        )  # fmt: skip


def _draw_mid(canvas, track, colour):
    """A cross that leaves its middle open: the body itself must stay visible."""
    mid = track.mid
    x, y = canvas.device(mid.x, mid.y)
    inner, outer = 0.8 * canvas.size_px, 1.8 * canvas.size_px
    for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        ends = [(x + inner * dx, y + inner * dy), (x + outer * dx, y + outer * dy)]
        _device_line(canvas, ends, palette.MID, 2.0)
    canvas.labels.keep_free(x - outer, y - outer, x + outer, y + outer)
    if mid.sigma_major_px is not None and mid.sigma_major_px * canvas.scale > 2.0:
        canvas.axes.add_patch(
            Ellipse(
                (mid.x, mid.y),
                2 * mid.sigma_major_px,
                2 * mid.sigma_minor_px,
                angle=mid.sigma_angle_deg,
                fill=False,
                edgecolor=palette.MID,
                linewidth=canvas.points(1.2),
                linestyle=(0, (2, 2)),
                zorder=6,
            )
        )
    words = track.name if track.mag is None else f"{track.name}   mag {track.mag:.1f}"
    canvas.labels.later(words, (x, y), gap=outer + 4, angle=-60.0, colour=colour, weight="bold", rank=0)


def draw_measured(canvas, rows, tracks):
    """Rings around measured places, with the O-C in words where there is one body to tell of."""
    named = {track.designation for track in tracks}
    for row in rows:
        if row["x"] is None or row["y"] is None:
            continue
        x, y = canvas.device(float(row["x"]), float(row["y"]))
        turn = np.linspace(0.0, 2 * np.pi, 49)
        ring = np.stack(
            [x + 0.6 * canvas.size_px * np.cos(turn), y + 0.6 * canvas.size_px * np.sin(turn)], axis=1
        )
        _device_line(canvas, ring, palette.MEASURED, 1.5)
        r = canvas.size_px
        canvas.labels.keep_free(x - r, y - r, x + r, y + r)
        words = "" if str(row.get("designation")) in named else f"{row.get('designation', '')}   "
        if row.get("dra_cosdec") is not None and row.get("ddec") is not None:
            words += f"O\u2212C {_signed(row['dra_cosdec'])}, {_signed(row['ddec'])}\u2033"
        if words.strip():
            canvas.labels.later(
                words, (x, y), gap=1.9 * r, angle=-100.0, colour=palette.MEASURED, scale=0.85, rank=1
            )


def _signed(value):
    return f"{float(value):+.2f}".replace("-", "\u2212")


def draw_corner_marks(canvas, lines):
    """Compass and scale bar, in the lower corner that the tracks leave freer."""
    size, frame = canvas.size_px, canvas.frame
    left = _crowd(canvas, lines, 0.0, 0.25) <= _crowd(canvas, lines, 0.75, 1.0)
    radius = 2.1 * size
    length_arcsec, bar = _bar(canvas)
    wide, high = max(bar, 2 * radius) + 2.2 * size, 2 * radius + 5.6 * size
    x0 = 0.6 * size if left else canvas.width - wide - 0.6 * size
    y0 = canvas.strip + 0.6 * size
    canvas.labels.keep_free(x0, y0, x0 + wide, y0 + high)
    middle = np.array([x0 + wide / 2.0, y0 + 3.9 * size + radius])
    ny, nx = frame.shape
    to_sky = frame.jacobian((nx - 1) / 2.0, (ny - 1) / 2.0)
    for letter, direction in (("N", (0.0, 1.0)), ("E", (1.0, 0.0))):
        step = np.linalg.solve(to_sky, direction)
        step = step / np.hypot(*step)
        _device_line(canvas, [middle, middle + radius * 0.75 * step], palette.TEXT, 2.0)
        _plain(canvas, letter, middle + radius * 1.1 * step, 0.9)
    start = x0 + (wide - bar) / 2.0
    y = y0 + 0.6 * size
    _device_line(canvas, [(start, y), (start + bar, y)], palette.TEXT, 3.0)
    _plain(canvas, angle_words(length_arcsec), (x0 + wide / 2.0, y + 1.0 * size), 0.9)


def _plain(canvas, words, at, scale):
    canvas.figure.text(
        *at, words, transform=None, ha="center", va="center", color=palette.TEXT, family="DejaVu Sans",
        fontsize=canvas.points(max(canvas.size_px * scale, 12.0)),
        weight="bold", zorder=9,
        path_effects=[withStroke(linewidth=canvas.points(3.0), foreground=palette.HALO)],
    )  # fmt: skip


def _crowd(canvas, lines, low, high):
    """Points of tracks in the lower part of a column of the picture."""
    count = 0
    for x, y in lines:
        places = _dense(canvas.device(np.asarray(x), np.asarray(y)))
        if len(places):
            u, v = places[:, 0] / canvas.width, (places[:, 1] - canvas.strip) / canvas.height
            count += np.count_nonzero((u > low) & (u < high) & (v > 0) & (v < 0.3))
    return count


def _bar(canvas):
    """Longest round length below a sixth of the picture: arcsec and device pixels."""
    per_device = canvas.frame.pixel_scale / canvas.scale
    fitting = [step for step in BAR_STEPS if step / per_device <= canvas.width / 6.0]
    length = fitting[-1] if fitting else BAR_STEPS[0]
    return length, length / per_device


def angle_words(arcsec):
    """An angle in the unit that suits it.

    Examples
    --------
    >>> angle_words(30), angle_words(600), angle_words(7200)
    ('30″', '10′', '2°')
    """
    if arcsec < 60:
        return f"{arcsec:g}\u2033"
    return f"{arcsec / 60:g}\u2032" if arcsec < 3600 else f"{arcsec / 3600:g}\u00b0"
