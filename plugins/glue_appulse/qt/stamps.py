"""Three little pictures of a fit: pixels, model, what is left."""

import numpy as np
from matplotlib.backends.backend_qtagg import FigureCanvasQTAgg
from matplotlib.figure import Figure

from appulse.overlays.palette import MID, RESIDUAL

TITLES = ("pixels", "model", "left, in σ")
#: Grey scale of what is left, in standard deviations.
LEFT_SIGMA = 5.0


class StampCanvas(FigureCanvasQTAgg):
    """Canvas with pixels, model and residual of a fitted source."""

    def __init__(self):
        super().__init__(Figure(figsize=(4.2, 1.75), dpi=100))
        self.setMinimumHeight(150)
        self.axes = self.figure.subplots(1, 3)
        self.figure.subplots_adjust(left=0.01, right=0.99, bottom=0.01, top=0.87, wspace=0.03)
        self.show_nothing("click on a body")

    def show_nothing(self, words):
        """Clear, with a word why.

        Parameters
        ----------
        words : str
        """
        for axis in self.axes:
            axis.clear()
            axis.set_axis_off()
        self.axes[1].text(
            0.5, 0.5, words, ha="center", va="center", transform=self.axes[1].transAxes, fontsize=9
        )
        self.draw_idle()

    def show_fit(self, residual):
        """Show the stamp of a measurement.

        Parameters
        ----------
        residual : appulse.astrometry.residual.Residual
        """
        fit = residual.fit
        if fit is None or fit.data is None:
            self.show_nothing("no stamp")
            return
        ny, nx = fit.data.shape
        extent = (fit.x0 - 0.5, fit.x0 + nx - 0.5, fit.y0 - 0.5, fit.y0 + ny - 0.5)
        low, high = np.nanpercentile(fit.data, [3, 99.7])
        limits = ((low, high), (low, high), (-LEFT_SIGMA, LEFT_SIGMA))
        for axis, title, image, (vmin, vmax) in zip(
            self.axes, TITLES, (fit.data, fit.model, fit.residual), limits, strict=True
        ):
            axis.clear()
            axis.imshow(image, origin="lower", extent=extent, cmap="gray", vmin=vmin, vmax=vmax)
            axis.set_title(title, fontsize=8, pad=3)
            axis.set_xticks([])
            axis.set_yticks([])
            axis.set(xlim=extent[:2], ylim=extent[2:])
        x, y = residual.expected_px
        self.axes[0].plot([x], [y], "+", color=MID, ms=11, mew=1.6)
        self.axes[0].plot([fit.x], [fit.y], "x", color=RESIDUAL, ms=8, mew=1.6)
        self.draw_idle()
