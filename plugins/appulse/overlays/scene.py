"""The scene over a picture of the sky: lines and words in the picture's pixels, which painters only paint.

One set of symbols for every picture::

       22:00        23:00      ticks across the track, labels at their ticks or nowhere
    ─────┼──── ─ ┃ o ┃ ─ ────┼──────>     predicted: two bars across the track, which opens between them,
                 (7) Iris                 so that the body itself stays visible; measured: the ring o

    uncertainty: an ellipse about the predicted place         outline: a solid line, its name beside
    outline without position angle: four short arcs, its name on a leader
    object without size: a lozenge

Pixels of the picture run from its lower left corner, y upwards; every size is a multiple of the letters'.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from appulse.bodies import body_label
from appulse.overlays import palette
from appulse.overlays.labels import ACROSS_DEG, Label
from appulse.overlays.shapes import outline_in_frame, place_in_frame

BAR_ARCSEC = (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 18000, 36000)
"""Lengths of the scale bar."""
GAP, BAR, RING, TICK, ARROW, LOZENGE = 1.1, 0.8, 0.6, 0.45, 0.9, 0.5
"""Half the opening, half a bar, radii of ring and lozenge, half a tick, the arrow: in heights of a letter."""
BAR_WEIGHT = 1.6
"""Width of a bar in widths of the track."""
ARC_SHARE = 1.0 / 3.0
"""Part of a ring's quarter that a short arc takes."""
LEAST_ELLIPSE_PX = 2.0
"""A smaller uncertainty is a dot that says nothing."""
BODY_RANK, OBJECT_RANK, OFFSET_RANK, END_RANK, TICK_RANK = 0.0, 1.0, 3.0, 9.0, 10.0
"""Order of words: bodies, objects, residuals, the first and last date, the dates between."""


@dataclass(frozen=True)
class Polyline:
    """A line (n, 2) in pixels, of a colour and a width in the painter's own unit."""

    points: np.ndarray
    colour: str
    width: float


@dataclass(frozen=True)
class Scene:
    """What is painted over a picture; scenes add up.

    Attributes
    ----------
    lines : tuple of Polyline
    labels : tuple of Label
        Words that :func:`appulse.overlays.labels.place_labels` finds places for.
    words : tuple of Label
        Words whose place is given: they stand centred on their anchor.
    blocked : tuple of (x0, y0, x1, y1)
        Boxes that labels keep off.
    """

    lines: tuple = ()
    labels: tuple = ()
    words: tuple = ()
    blocked: tuple = ()

    def __add__(self, other):
        return Scene(*(getattr(self, name) + getattr(other, name) for name in self.__dataclass_fields__))

    def points(self, step=6.0):
        """Points along all lines at most `step` pixels apart, (n, 2): for labels to keep off."""
        return np.vstack([np.empty((0, 2)), *(spaced(line.points, step) for line in self.lines)])


@dataclass(frozen=True)
class Target:
    """A picture of a frame: where the frame's pixels lie in it, and how large letters are.

    Attributes
    ----------
    frame : SolvedFrame
    width, height : float
        Of the frame's part, pixels of the picture.
    size : float
        Height of a letter, pixels of the picture.
    scale : float
        Pixels of the picture per frame pixel.
    origin : (float, float)
        Of the lower left corner of frame pixel (0, 0), in the picture.
    """

    frame: object
    width: float
    height: float
    size: float
    scale: float = 1.0
    origin: tuple = (0.0, 0.0)

    def at(self, x, y):
        """Pixels (..., 2) of the picture of zero-based frame pixels, whose centres are whole numbers."""
        places = np.stack([np.asarray(x, dtype=float), np.asarray(y, dtype=float)], axis=-1)
        return (places + 0.5) * self.scale + self.origin

    @property
    def window(self):
        """x0, y0, x1, y1 of the frame's part: of what is shown of it, where the picture is a cut-out."""
        x, y = np.maximum(self.origin, 0.0)
        return (x, y, x + self.width, y + self.height)


@dataclass(frozen=True)
class PlaceMark:
    """A predicted place: its centre (2,), the path while the shutter was open (m, 2), its ellipse (n, 2)."""

    centre: np.ndarray
    trail: np.ndarray
    ellipse: np.ndarray

    @property
    def reach(self):
        """Half the length of the trail."""
        return float(np.hypot(*(self.trail[-1] - self.trail[0]))) / 2.0


# --- lines


def spaced(points, step):
    """Points along a line at most `step` apart, at most 2000 of them."""
    points = np.asarray(points, dtype=float)
    points = points[np.isfinite(points).all(axis=1)]
    if len(points) < 2:
        return points
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.linspace(0.0, along[-1], max(2, min(2000, int(along[-1] / step))))
    return np.stack([np.interp(at, along, points[:, i]) for i in (0, 1)], axis=1)


def runs(good):
    """Slices of consecutive true values.

    Examples
    --------
    >>> runs(np.array([True, True, False, True]))
    [slice(0, 2, None), slice(3, 4, None)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(int)))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def ring(centre, radius, count=49):
    """A circle as a closed line."""
    turn = np.linspace(0.0, 2 * np.pi, count)
    return np.asarray(centre) + radius * np.stack([np.cos(turn), np.sin(turn)], axis=1)


def lozenge(radius):
    """The mark of an object without size, about (0, 0)."""
    return radius * np.array([[0, 1], [1, 0], [0, -1], [-1, 0], [0, 1]])


def arc_mask(share):
    """Which places of a ring belong to its four short arcs; `share` runs from 0 (north) to 1 around it.

    ::

         .-  N  -.         an arc in the middle of each quarter: nobody takes four arcs for a
        E         W        measured shape, or their gaps for a position angle
         '-     -'
    """
    return np.abs(np.asarray(share) * 4.0 % 1.0 - 0.5) <= ARC_SHARE / 2.0


def short_arcs(points, centre, north_deg=90.0):
    """The four short arcs of a circle about a centre, out of the part of it that shows.

    Examples
    --------
    >>> arcs = short_arcs(ring((0.0, 0.0), 10.0, 361), (0.0, 0.0))
    >>> len(arcs), [round(float(np.degrees(np.arctan2(*arcs[0][i][::-1])))) for i in (0, -1)]
    (4, [31, 60])
    """
    angle = np.degrees(np.arctan2(*(points - centre).T[::-1])) - north_deg
    arcs = [points[part] for part in runs(arc_mask(angle / 360.0)) if part.stop - part.start > 1]
    if arcs or len(points) < 2:
        return arcs
    # a corner of a large object may show none of the four: the middle of what shows stands for them
    keep = np.abs(np.linspace(-1.0, 1.0, len(points))) <= max(ARC_SHARE, 2.0 / len(points))
    return [points[keep]]


def opened(line, marks, gap):
    """The parts of a line without what lies within `gap` of the trails of marked places."""
    parts = [line[part] for part in runs(np.isfinite(line).all(axis=1)) if part.stop - part.start > 1]
    if not marks or not parts:
        return parts
    closed = shapely.union_all([_about(mark.trail, gap) for mark in marks])
    rest = shapely.difference(shapely.multilinestrings([shapely.linestrings(p) for p in parts]), closed)
    return [np.array(part.coords) for part in shapely.get_parts(rest) if len(part.coords) > 1]


def _about(trail, gap):
    """The region within `gap` of a trail, which may be a single point."""
    trail = np.asarray(trail, dtype=float)
    shape = shapely.LineString(trail) if np.ptp(trail, axis=0).any() else shapely.Point(trail[0])
    return shape.buffer(gap, quad_segs=8)


def arrow_head(line, window, size):
    """Two strokes at the last point of a line well within a window; None where there is none."""
    x0, y0, x1, y1 = window
    inset = shapely.box(x0 + size, y0 + size, max(x1 - size, x0 + size), max(y1 - size, y0 + size))
    line = line[np.isfinite(line).all(axis=1)]
    if len(line) < 2:
        return None
    path = shapely.LineString(line)
    parts = [part for part in shapely.get_parts(path.intersection(inset)) if part.length > 0.0]
    if not parts:
        return None
    # the parts come in no order that could be relied on: the last is the one farthest along the path
    part = max(parts, key=lambda part: path.project(shapely.Point(part.coords[-1])))
    tip = np.array(part.coords[-1])
    back = np.array(part.interpolate(max(part.length - 0.5 * size, 0.0)).coords[0]) - tip
    back *= size / max(np.hypot(*back), 1e-9)
    turn = np.radians(24.0)
    wing = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return np.array([tip + wing @ back, tip, tip + wing.T @ back])


# --- symbols


def track_scene(
    line, ticks, marks, *, window, colour, size, width, name="", bars=True, arrow=True, letters=None
):
    """A track with its ticks, predicted places, name and direction.

    Parameters
    ----------
    line : (n, 2) array
        Path in pixels of the picture; NaN where it has no place.
    ticks : sequence of (point, across, text)
        Point (2,), a unit vector (2,) across the track, words or "".
    marks : sequence of PlaceMark
    window : (x0, y0, x1, y1)
    colour : str
    size, width : float
        Unit of the symbols, pixels; width of the lines in the painter's own unit.
    name : str
        Stands by every mark; empty for none.
    bars : bool
        Whether the track opens between two bars at every mark.
    arrow : bool
        Whether the direction of motion is shown.
    letters : float, optional
        Size of the letters in the painter's own unit; `size` by default.

    Returns
    -------
    Scene
    """
    gap, letters = GAP * size, size if letters is None else letters
    openings = marks if bars else []
    lines, heavy = opened(line, openings, gap), []
    labels, blocked = [], []
    free = [tick for tick in ticks if not in_opening(tick[0], openings, gap)]
    for i, (point, across, text) in enumerate(free):
        lines.append(np.array([point - TICK * size * across, point + TICK * size * across]))
        if text:
            # the first and the last date say more than those between
            rank = END_RANK if i in (0, len(free) - 1) else TICK_RANK
            angle = float(np.degrees(np.arctan2(*across[::-1])))
            look = {"colour": colour, "size": 0.85 * letters, "gap": (TICK + 0.3) * size}
            labels.append(Label(*point, text, angle, rank, turns=ACROSS_DEG, **look))
    for mark in marks:
        along = _direction(mark, line)
        across = np.array([-along[1], along[0]])
        half = gap + mark.reach * np.abs(along)
        if bars:
            for foot in (mark.trail[0] - gap * along, mark.trail[-1] + gap * along):
                heavy.append(np.array([foot - BAR * size * across, foot + BAR * size * across]))
            blocked.append((*(mark.centre - half), *(mark.centre + half)))
        if len(mark.ellipse) and np.ptp(mark.ellipse, axis=0).max() > LEAST_ELLIPSE_PX:
            lines.append(mark.ellipse)
        if name:
            # below the track, for the ticks' words stand above it
            down = -across if across[1] > 0 else across
            angle = float(np.degrees(np.arctan2(*down[::-1])))
            room = (GAP + BAR) * size
            labels.append(
                Label(*mark.centre, name, angle, BODY_RANK, colour, 1.1 * letters, room, must=True, bold=True)
            )
    head = arrow_head(line, window, ARROW * size) if arrow else None
    if head is not None and not in_opening(head[1], openings, gap):
        lines.append(head)
    # bars are heavier than ticks: at a glance nobody takes one for the other
    strokes = [Polyline(line, colour, width) for line in lines]
    strokes += [Polyline(line, colour, BAR_WEIGHT * width) for line in heavy]
    return Scene(tuple(strokes), tuple(labels), (), tuple(blocked))


def in_opening(point, marks, gap):
    """Whether a point lies where the track is open: within `gap` of a mark's trail."""
    for mark in marks:
        start, way = mark.trail[0], mark.trail[-1] - mark.trail[0]
        share = np.clip(np.dot(point - start, way) / max(np.dot(way, way), 1e-12), 0.0, 1.0)
        if np.hypot(*(point - start - share * way)) <= gap:
            return True
    return False


def _direction(mark, line):
    """Unit vector along the track at a mark: of its trail, or of the line where the trail is a point."""
    way = mark.trail[-1] - mark.trail[0]
    good = np.flatnonzero(np.isfinite(line).all(axis=1))
    if np.hypot(*way) < 1.0 and len(good) > 1:
        nearest = int(np.argmin(np.hypot(*(line[good] - mark.centre).T)))
        # a vertex on either side: at the line's very end there is but one
        way = line[good[min(nearest + 1, len(good) - 1)]] - line[good[max(nearest - 1, 0)]]
    length = np.hypot(*way)
    return way / length if length > 1e-9 else np.array([1.0, 0.0])


def tracks_scene(target, tracks):
    """Tracks (as :func:`appulse.overlays.track.track_in_frame` gives them) on a picture of their frame."""
    scene = Scene()
    ny, nx = target.frame.shape
    for number, track in enumerate(tracks):
        ticks = [
            (target.at(tick.x, tick.y), _unit(tick.angle), tick.label)
            for tick in track.ticks
            if -0.5 <= tick.x <= nx - 0.5 and -0.5 <= tick.y <= ny - 0.5
        ]
        words = track.name if track.mag is None else f"{track.name}   mag {track.mag:.1f}"
        # lines of a picture are drawn wider than those of a screen, which is looked at from nearer
        scene += track_scene(
            target.at(track.x, track.y), ticks, _marks(target, track), window=target.window,
            colour=palette.BODIES[number % len(palette.BODIES)], size=target.size,
            width=0.1 * target.size, name=words,
        )  # fmt: skip
    return scene


def _marks(target, track):
    mid = track.mid
    if mid is None:
        return []
    centre = target.at(mid.x, mid.y)
    trail = np.vstack([target.at(*part.T) for part in track.trail_parts] or [centre[None, :]])
    ellipse = np.empty((0, 2))
    if mid.sigma_major_px is not None:
        turn = np.linspace(0.0, 2 * np.pi, 73)
        major, minor = _unit(mid.sigma_angle_deg), _unit(mid.sigma_angle_deg + 90.0)
        offset = np.outer(np.cos(turn), mid.sigma_major_px * major)
        offset += np.outer(np.sin(turn), mid.sigma_minor_px * minor)
        ellipse = centre + target.scale * offset
    return [PlaceMark(centre, trail, ellipse)]


def _unit(angle_deg):
    return np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])


def measured_scene(target, rows, named=()):
    """Rings around measured places, with O-C in words; bodies in `named` have their name already."""
    scene, size = Scene(), target.size
    for row in rows:
        if row["x"] is None or row["y"] is None:
            continue
        centre = target.at(row["x"], row["y"])
        words = "" if str(row.get("designation")) in named else f"{body_label(row.get('designation', ''))}   "
        if row.get("dra_cosdec") is not None and row.get("ddec") is not None:
            words += f"O\u2212C {_signed(row['dra_cosdec'])}, {_signed(row['ddec'])}\u2033"
        label = Label(
            *centre, words, -100.0, OFFSET_RANK, palette.MEASURED, 0.85 * size, 1.9 * size, must=True
        )
        scene += Scene(
            (Polyline(ring(centre, RING * size), palette.MEASURED, 0.1 * size),),
            (label,) if words.strip() else (),
            blocked=((*(centre - size), *(centre + size)),),
        )
    return scene


def _signed(value):
    return f"{float(value):+.2f}".replace("-", "\u2212")


def outlines_scene(target, outlines):
    """Outlines with their names; what does not show on the frame is ignored."""
    scene = Scene()
    for outline in outlines:
        colour = palette.outline_colour(outline.object_type, outline.kind)
        scene += (_point_scene if outline.kind == "point" else _outline_scene)(target, outline, colour)
    return scene


def _point_scene(target, outline, colour):
    place = place_in_frame(target.frame, outline)
    ny, nx = target.frame.shape
    if place is None or not (-0.5 <= place[0] <= nx - 0.5 and -0.5 <= place[1] <= ny - 0.5):
        return Scene()
    centre, radius = target.at(*place), LOZENGE * target.size
    label = Label(*centre, outline.name, 30.0, OBJECT_RANK, colour, 0.85 * target.size, radius + 4)
    lines = (Polyline(centre + lozenge(radius), colour, 0.1 * target.size),)
    return Scene(lines, (label,), blocked=((*(centre - radius), *(centre + radius)),))


def _outline_scene(target, outline, colour):
    pieces = outline_in_frame(target.frame, outline)
    if not pieces:
        return Scene()
    strokes = [target.at(*stroke.T) for piece in pieces for stroke in piece.strokes]
    guess = outline.kind == "circle"
    if guess and strokes:
        strokes = _arcs_on_frame(target, outline, strokes)
    lines = tuple(Polyline(stroke, colour, 0.1 * target.size) for stroke in strokes)
    return Scene(lines, (_outline_name(target, outline, pieces[0], strokes, colour, guess),))


def _arcs_on_frame(target, outline, strokes):
    centre = place_in_frame(target.frame, outline)
    if centre is None:
        return strokes
    # the arcs stand between the directions of the sky, not of the picture: the same ones in every frame
    north = np.linalg.solve(target.frame.jacobian(*centre), (0.0, 1.0))
    north_deg = float(np.degrees(np.arctan2(north[1], north[0])))
    return [arc for stroke in strokes for arc in short_arcs(stroke, target.at(*centre), north_deg)]


def _outline_name(target, outline, piece, strokes, colour, guess):
    """The name stands at the top of the line that shows, or inside where the frame lies within it."""
    size = target.size
    look = {"colour": colour, "size": 0.9 * size, "must": True, "rank": OBJECT_RANK}
    if not strokes or piece.where == "around":
        x0, _y0, x1, y1 = target.window
        name = f"{outline.name} (all around)" if piece.where == "around" else outline.name
        return Label((x0 + x1) / 2.0, y1 - size, name, -90.0, gap=4.0, **look)
    points = np.vstack(strokes)
    x, y = points[np.argmax(points[:, 1])]
    return Label(x, y, outline.name, 90.0, gap=1.2 * size if guess else 5.0, leader=guess, **look)


# --- furniture


def furniture(target, *, left=True, compass=True, bar=True):
    """Compass and scale bar in a lower corner.

    ::

          N           the compass shows where the sky's north and east lie on the picture;
        E-+           the bar is the longest round angle below a sixth of the picture
        10'
        ----
    """
    size, (x0, y0, x1, _y1) = target.size, target.window
    radius = 2.1 * size
    length_arcsec, length = scale_bar(target)
    wide = max(length, 2 * radius) + 2.2 * size
    high = 2 * radius * compass + 3.4 * size * bar + 2.2 * size
    corner = np.array([x0 + 0.6 * size if left else x1 - wide - 0.6 * size, y0 + 0.6 * size])
    middle = corner[0] + wide / 2.0
    scene = Scene(blocked=((*corner, corner[0] + wide, corner[1] + high),))
    if bar:
        y = corner[1] + 0.6 * size
        line = np.array([[middle - length / 2.0, y], [middle + length / 2.0, y]])
        words = _fixed((middle, y + size), angle_words(length_arcsec), size)
        scene += Scene((Polyline(line, palette.TEXT, 0.2 * size),), words=(words,))
    if compass:
        above = radius + (3.3 if bar else 0.6) * size
        scene += _compass(target, np.array([middle, corner[1] + above]), radius)
    return scene


def _compass(target, middle, radius):
    ny, nx = target.frame.shape
    to_sky, scene = target.frame.jacobian((nx - 1) / 2.0, (ny - 1) / 2.0), Scene()
    for letter, direction in (("N", (0.0, 1.0)), ("E", (1.0, 0.0))):
        way = np.linalg.solve(to_sky, direction)
        way = way / np.hypot(*way)
        arm = Polyline(np.array([middle, middle + 0.75 * radius * way]), palette.TEXT, 0.13 * target.size)
        scene += Scene((arm,), words=(_fixed(middle + 1.1 * radius * way, letter, target.size),))
    return scene


def _fixed(place, text, size):
    return Label(*place, text, size=0.9 * size, bold=True)


def scale_bar(target):
    """The longest round angle below a sixth of the picture: arcsec, and pixels of the picture."""
    per_pixel = target.frame.pixel_scale / target.scale
    fitting = [step for step in BAR_ARCSEC if step / per_pixel <= target.width / 6.0]
    length = fitting[-1] if fitting else BAR_ARCSEC[0]
    return length, length / per_pixel


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


def emptier_corner(target, scene):
    """Whether the lower left corner holds fewer points of a scene's lines than the lower right one."""
    points = scene.points()
    x0, y0, _x1, _y1 = target.window
    u, v = (points[:, 0] - x0) / target.width, (points[:, 1] - y0) / target.height
    low = (v > 0.0) & (v < 0.3)
    crowd = [np.count_nonzero(low & (u > a) & (u < a + 0.25)) for a in (0.0, 0.75)]
    return crowd[0] <= crowd[1]


def frame_scene(target, *, tracks=(), outlines=(), rows=(), beneath=None):
    """Everything over a picture of a frame.

    Parameters
    ----------
    target : Target
    tracks : sequence of Track
    outlines : sequence of Outline
    rows : sequence of dict
        Measured places: x, y, designation, dra_cosdec, ddec; None where there is no value.
    beneath : Scene, optional
        More lines, under tracks and marks: those of comets' tails.

    Returns
    -------
    Scene
    """
    moving = tracks_scene(target, tracks)
    # one body as designated has one name: its measured ring needs none beside the track's
    measured = measured_scene(target, rows, {track.designation for track in tracks})
    corner = furniture(target, left=emptier_corner(target, moving))
    return corner + outlines_scene(target, outlines) + (beneath or Scene()) + moving + measured


def flipped(points, height):
    """Points of a picture whose rows count downwards from 0, as pixel centres."""
    return np.asarray(points) * [1.0, -1.0] + [-0.5, height - 0.5]


