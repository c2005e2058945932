"""The stamp of a fitted source: pixels, model and what is left, side by side."""

import numpy as np

from appulse.overlays import MID, RESIDUAL

STAMP_TITLES = ("pixels", "model", "left, in σ")
REMAINDER_SIGMA = 5.0
"""Grey scale of what is left, in standard deviations."""


def draw_fit(axes, residual):
    """Draw the stamp of a measurement that has one on three axes; + the prediction, x the measured place."""
    fit = residual.fit
    ny, nx = fit.data.shape
    extent = (fit.x0 - 0.5, fit.x0 + nx - 0.5, fit.y0 - 0.5, fit.y0 + ny - 0.5)
    low, high = np.nanpercentile(fit.data, [3, 99.7])
    limits = ((low, high), (low, high), (-REMAINDER_SIGMA, REMAINDER_SIGMA))
    for axis, title, image, (vmin, vmax) in zip(
        axes, STAMP_TITLES, (fit.data, fit.model, fit.residual), limits, strict=True
    ):
        axis.clear()
        axis.imshow(image, origin="lower", extent=extent, cmap="gray", vmin=vmin, vmax=vmax)
        axis.set_title(title, fontsize=8, pad=3)
        axis.set_xticks([])
        axis.set_yticks([])
        axis.set(xlim=extent[:2], ylim=extent[2:])
    x, y = residual.expected_px
    axes[0].plot([x], [y], "+", color=MID, ms=11, mew=1.6)
    axes[0].plot([fit.x], [fit.y], "x", color=RESIDUAL, ms=8, mew=1.6)
