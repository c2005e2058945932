"""Marks on a finished picture: rings, times, a scale bar, a compass, outlines. None unless asked for."""

import numpy as np
from PIL import Image, ImageDraw

from appulse.errors import InputError
from appulse.frames import SolvedFrame
from appulse.overlays import (
    END_RANK,
    RING,
    TICK_RANK,
    Label,
    Polyline,
    Scene,
    Target,
    flipped,
    furniture,
    outlines_scene,
    palette,
    place_labels,
    ring,
)
from appulse.sequence.picture_files import font

MARKS = ("ring", "times", "scale", "compass", "outlines")
RING_OF_FWHM = 3.2
"""Radius of a dot's ring: clear of its light."""
EDGE_PX = 4


def check_marks(names) -> tuple:
    """Names of marks, checked; raises InputError for an unknown one.

    Examples
    --------
    >>> check_marks(["scale", "compass"])
    ('scale', 'compass')
    """
    names = tuple(names)
    if unknown := sorted(set(names) - set(MARKS)):
        raise InputError(f"mark {unknown[0]!r} is not known: use {', '.join(MARKS)}")
    return names


def marked(values, night, dots, look, settings, *, outlines=()) -> np.ndarray:
    """A picture (c, h, w) from 0 to 1 with its marks; itself where none are asked for.

    `dots` are those that the picture shows; `look` says which part of the grid it is.
    """
    names = check_marks(settings.marks)
    if not names:
        return values
    c, h, w = values.shape
    frame = SolvedFrame(wcs=night.grid.wcs, shape=night.grid.shape, exposure=None, observer=None)
    x0, y0 = look.box[:2]
    target = Target(frame, w, h, max(11, round(min(h, w) / 45)), 1.0, (-float(x0), -float(y0)))
    scene = Scene()
    if {"compass", "scale"} & set(names):
        scene += furniture(target, left=False, compass="compass" in names, bar="scale" in names)
    if "outlines" in names:
        scene += outlines_scene(target, outlines)
    scene += dots_scene(target, dots, night.fwhm, rings="ring" in names, times="times" in names)
    drawn = np.asarray(painted(scene, target), dtype=np.float32)[::-1] / 255.0
    alpha = drawn[..., 3]
    under = values if c == 3 else np.repeat(values, 3, axis=0)
    return (under * (1 - alpha) + np.moveaxis(drawn[..., :3], -1, 0) * alpha).astype(np.float32)


def dots_scene(target, dots, fwhm, *, rings=True, times=True) -> Scene:
    """Rings around the dots of a body, and their hours and minutes beside the path."""
    radius = max(RING_OF_FWHM * fwhm, RING * target.size)
    centres = np.reshape([target.at(dot.x, dot.y) for dot in dots], (-1, 2))
    colour, width = palette.TRACK, target.size / 9.0
    lines = [Polyline(ring(centre, radius), colour, width) for centre in centres] if rings else []
    labels, side, gap = [], _across(centres), radius + 0.7 * target.size
    way = centres[-1] - centres[0] if len(centres) > 1 else np.zeros(2)
    onwards = float(np.degrees(np.arctan2(way[1], way[0])))
    for i, (dot, centre) in enumerate(zip(dots, centres, strict=True) if times else ()):
        # When it began and ended is what is asked first: those hours stand beyond the ends of the path, where
        # close dots leave them room. The others keep to one side of it, for dots stand closer than ticks do.
        ends = {0: onwards + 180.0, len(dots) - 1: onwards} if way.any() else {}
        rank = END_RANK if i in (0, len(dots) - 1) else TICK_RANK
        turns = (0, 40, -40, 90, -90) if i in ends else (0,)
        where = ends.get(i, side), rank, palette.TEXT, target.size, gap
        labels.append(Label(*centre, dot.time[11:16], *where, turns=turns))
    blocked = tuple((*(centre - radius), *(centre + radius)) for centre in centres)
    return Scene(tuple(lines), tuple(labels), (), blocked)


def _across(centres) -> float:
    """The direction across the path that points upwards, degrees."""
    way = centres[-1] - centres[0] if len(centres) > 1 else np.array([1.0, 0.0])
    return float(np.degrees(np.arctan2(way[1], way[0])) % 180.0 + 90.0) % 180.0


def painted(scene, target) -> Image.Image:
    """A scene as a layer (RGBA) of the target's size, its first row at the top."""
    width, height = int(target.width), int(target.height)
    layer = Image.new("RGBA", (width, height), (0, 0, 0, 0))
    draw = ImageDraw.Draw(layer)

    def stroke(points, colour, line_width):
        places = [tuple(place) for place in flipped(points, height).tolist()]
        # a dark rim first, as wide on either side as the line's own edge is soft
        draw.line(places, fill=palette.HALO, width=round(line_width) + 2, joint="curve")
        draw.line(places, fill=colour, width=max(1, round(line_width)), joint="curve")

    def words(label, place, anchor):
        draw.text(
            tuple(flipped(place, height).tolist()), label.text, fill=label.colour,
            font=font(round(label.size)), anchor=anchor, stroke_width=max(1, round(label.size) // 10),
            stroke_fill=palette.HALO,
        )  # fmt: skip

    def measure(label):
        x0, y0, x1, y1 = draw.textbbox((0, 0), label.text, font=font(round(label.size)), anchor="mm")
        return x1 - x0 + 2, y1 - y0 + 2

    for line in scene.lines:
        stroke(line.points, line.colour, line.width)
    x0, y0, x1, y1 = target.window
    window = (x0 + EDGE_PX, y0 + EDGE_PX, x1 - EDGE_PX, y1 - EDGE_PX)
    for label, box, leader in place_labels(
        scene.labels, window, measure, blocked=scene.blocked, avoid=scene.points()
    ):
        if leader is not None:
            stroke(leader, label.colour, 1.0)
        words(label, np.array([box[0] + box[2], box[1] + box[3]]) / 2.0, "mm")
    for label in scene.words:
        words(label, np.array([label.x, label.y]), "mm")
    return layer
