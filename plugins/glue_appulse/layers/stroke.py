"""Strokes in display pixels, straight to the renderer: one path for many lines, with a dark rim beneath.

The rim keeps a thin coloured line legible on a bright nebula as on a dark sky.
"""

import numpy as np
from matplotlib.path import Path
from matplotlib.transforms import IdentityTransform

from appulse.overlays.palette import HALO

RIM_PT, RIM_ALPHA = 2.0, 0.7
DASHES = (4.0, 2.5)


def joined(segments):
    """Polylines end to end as one path.

    Parameters
    ----------
    segments : list of ndarray, (n, 2)

    Returns
    -------
    vertices : ndarray, (m, 2)
    codes : ndarray, (m,)

    Examples
    --------
    >>> vertices, codes = joined([np.zeros((2, 2)), np.ones((3, 2))])
    >>> codes.tolist()
    [1, 2, 1, 2, 2]
    """
    if not segments:
        return np.empty((0, 2)), np.empty(0, Path.code_type)
    codes = np.full(sum(map(len, segments)), Path.LINETO, Path.code_type)
    codes[np.cumsum([0, *map(len, segments[:-1])])] = Path.MOVETO
    return np.concatenate(segments), codes


def stroke(renderer, clip, vertices, codes, *, color, width, alpha=1.0, dashed=False, rim=RIM_PT):
    """Draw a path.

    Parameters
    ----------
    renderer : matplotlib.backend_bases.RendererBase
    clip : matplotlib.transforms.Bbox
        Window, display pixels.
    vertices, codes : ndarray
        Display pixels.
    color : str
    width : float
        Points.
    alpha : float
    dashed : bool
    rim : float
        How much wider than the line its dark rim is, points; 0 for none.
    """
    if not len(vertices):
        return
    path = Path(vertices, codes)
    passes = [(HALO, width + rim, RIM_ALPHA * alpha, False)] if rim else []
    for paint, points, opacity, broken in [*passes, (color, width, alpha, dashed)]:
        gc = renderer.new_gc()
        gc.set_clip_rectangle(clip)
        gc.set_foreground(paint)
        gc.set_alpha(opacity)
        gc.set_linewidth(renderer.points_to_pixels(points))
        # round joins of thousands of short chords are half the cost, and nobody sees them without a rim
        gc.set_joinstyle("round" if rim else "bevel")
        gc.set_capstyle("round" if rim and not broken else "butt")
        if broken:
            gc.set_dashes(0, [renderer.points_to_pixels(width * part) for part in DASHES])
        renderer.draw_path(gc, path, IdentityTransform(), None)
        gc.restore()
