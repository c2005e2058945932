"""Words on a picture, placed so that none covers another: one placer for every painter.

::

            +-------+
            | words |      the box touches a circle of radius gap around the anchor,
            +-------+      and its nearest point lies in the direction preferred
          /
     anchor
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from appulse.overlays import palette

TURNS_DEG = (0, 180, 50, -50, 130, -130)
"""Directions tried around an anchor, from the preferred one."""
ACROSS_DEG = (0, 180)
"""Those of a date: on either side of its tick, for beside it stands another one."""
FAR = (2.5, 5.0)
"""Words that must stand somewhere are tried at these multiples of the gap too, all around."""
SPACE = 0.4
"""Free width beside words, in heights of theirs."""
LATER_CHOICE = 0.3
"""A less preferred direction counts like this many points of a line covered."""
LEADER_FROM = 1.8
"""Words farther away than this multiple of their gap get a line to their anchor."""


@dataclass(frozen=True)
class Label:
    """Words that want a place.

    Attributes
    ----------
    x, y : float
        Anchor, pixels of the picture, y upwards.
    text : str
    angle : float
        Direction from the anchor in which the words would like to stand, degrees from +x towards +y.
    rank : float
        Smaller comes first.
    colour : str
    size : float
        Of the letters, in the painter's own unit.
    gap : float
        Free distance between anchor and words, pixels.
    must : bool
        Written in any case, if need be over something else; other words stay at their anchor or are dropped.
    leader : bool
        Stands apart, with a line to its anchor.
    bold : bool
    turns : tuple of float
        Directions tried, degrees from `angle`.
    """

    x: float
    y: float
    text: str
    angle: float = 45.0
    rank: float = 0.0
    colour: str = palette.TEXT
    size: float = 9.0
    gap: float = 6.0
    must: bool = False
    leader: bool = False
    bold: bool = False
    turns: tuple = TURNS_DEG


class PlacedLabel(NamedTuple):
    """A label with its box (x0, y0, x1, y1) and its leader, (2, 2) or None; pixels."""

    label: Label
    box: tuple
    leader: np.ndarray | None


def place_labels(labels, window, measure, *, blocked=(), avoid=(), most=None, cover=True):
    """Find places for words, those of lower rank first.

    Parameters
    ----------
    labels : iterable of Label
        Those whose anchor lies outside the window are dropped.
    window : (x0, y0, x1, y1)
        Pixels; every box stays within.
    measure : callable
        Of a Label: width and height of its words, pixels.
    blocked : sequence of (x0, y0, x1, y1)
        Boxes to keep free.
    avoid : (n, 2) array
        Points of lines, rather not covered.
    most : int, optional
        So many at most.
    cover : bool
        Whether words that must stand are written over something else where nothing is free.

    Returns
    -------
    list of PlacedLabel

    Examples
    --------
    >>> words = [Label(50, 25, "name"), Label(52, 25, "22:00", rank=1), Label(120, 25, "outside")]
    >>> placed = place_labels(words, (0, 0, 100, 50), lambda label: (30, 10))
    >>> [found.label.text for found in placed], tuple(round(float(v)) for v in placed[0].box)
    (['name', '22:00'], (50, 28, 80, 38))
    """
    x0, y0, x1, y1 = window
    taken = np.reshape(np.asarray(blocked, dtype=float), (-1, 4))
    points = np.reshape(np.asarray(avoid, dtype=float), (-1, 2))
    placed = []
    for label in sorted(labels, key=lambda label: label.rank):
        if most is not None and len(placed) >= most:
            break
        if label.must:
            # the top of an outline may lie on the very edge of the picture
            label = replace(label, x=min(max(label.x, x0), x1), y=min(max(label.y, y0), y1))
        elif not (x0 <= label.x <= x1 and y0 <= label.y <= y1):
            continue
        box = _free_box(label, measure(label), window, taken, points, cover)
        if box is not None:
            # What has been written keeps later words off, by a space: two that touch are read as one.
            space = SPACE * (box[3] - box[1])
            taken = np.vstack([taken, box + np.array([-space, 0.0, space, 0.0])])
            placed.append(PlacedLabel(label, tuple(box.tolist()), _leader(label, box)))
    return placed


def _candidates(label, size):
    """Boxes (k, 4) around an anchor, preferred ones first."""
    turns, reach = np.array(label.turns, dtype=float), np.full(len(label.turns), label.gap)
    if label.must:
        # away from the anchor any direction will do: a leader says whose the words are
        around = np.arange(0.0, 360.0, 30.0)
        around = around[np.argsort(np.minimum(around, 360.0 - around), kind="stable")]
        turns = np.concatenate([turns, *[around] * len(FAR)])
        reach = np.concatenate([reach, *[np.full(len(around), far * label.gap) for far in FAR]])
    angle, half = np.radians(label.angle + turns), np.array(size) / 2.0
    way = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    centres = [label.x, label.y] + way * (reach[:, None] + half)
    return np.hstack([centres - half, centres + half])


def _free_box(label, size, window, taken, points, cover):
    """The best free box of a label, else the least bad one; None where the label had better not stand."""
    boxes, window = _candidates(label, size), np.asarray(window, dtype=float)
    inside = (boxes[:, :2] >= window[:2]).all(axis=1) & (boxes[:, 2:] <= window[2:]).all(axis=1)
    free = inside & ~_meet(boxes, taken).any(axis=1)
    if not free.any():
        return _least_bad(boxes, window, taken) if label.must and cover else None
    if not len(points):
        return boxes[np.argmax(free)]
    boxes, order = boxes[free], np.flatnonzero(free)
    return boxes[np.argmin(_covered(boxes, points) + LATER_CHOICE * order)]


def _meet(boxes, taken):
    return (
        (boxes[:, None, 0] < taken[:, 2])
        & (boxes[:, None, 2] > taken[:, 0])
        & (boxes[:, None, 1] < taken[:, 3])
        & (boxes[:, None, 3] > taken[:, 1])
    )


def _covered(boxes, points):
    """How many points each box covers."""
    x, y = points.T
    within = (boxes[:, :1] < x) & (x < boxes[:, 2:3]) & (boxes[:, 1:2] < y) & (y < boxes[:, 3:])
    return within.sum(axis=1)


def _least_bad(boxes, window, taken):
    """Moved into the window, the box that covers least of what is taken."""
    size = boxes[:, 2:] - boxes[:, :2]
    low = np.maximum(np.minimum(boxes[:, :2], window[2:] - size), window[:2])
    boxes = np.hstack([low, low + size])
    wide = np.minimum(boxes[:, None, 2], taken[:, 2]) - np.maximum(boxes[:, None, 0], taken[:, 0])
    high = np.minimum(boxes[:, None, 3], taken[:, 3]) - np.maximum(boxes[:, None, 1], taken[:, 1])
    return boxes[np.argmin((np.clip(wide, 0, None) * np.clip(high, 0, None)).sum(axis=1))]


def _leader(label, box):
    """The line from an anchor to words that stand apart from it."""
    anchor = np.array([label.x, label.y])
    near = np.clip(anchor, box[:2], box[2:])
    away = np.hypot(*(near - anchor))
    if away < 1e-6 or not (label.leader or away > LEADER_FROM * label.gap):
        return None
    # it starts a little off the anchor, so that it is not taken for a part of the symbol there
    return np.array([anchor + (near - anchor) * min(0.2 * label.gap / away, 0.5), near])
