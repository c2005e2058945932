"""The image viewer of a night in a notebook, and its tool that measures what is clicked."""

from pathlib import Path

from glue.config import viewer_tool
from glue.viewers.matplotlib.toolbar_mode import ToolbarModeBase
from glue_jupyter.matplotlib.image import ImageJupyterViewer

MEASURE = "appulse:notebook-measure"


@viewer_tool
class NotebookMeasureMode(ToolbarModeBase):
    """Measures the body whose predicted place is nearest to the click; with Shift, what is clicked."""

    tool_id = MEASURE
    icon = str(Path(__file__).with_name("measure.svg"))
    action_text = "Measure a body"
    tool_tip = "Click on a body to measure it against its prediction; Shift: measure where you click"

    def __init__(self, viewer, **kwargs):
        super().__init__(viewer, **kwargs)
        self._press_callback, self._pointed = self._clicked, False

    def press(self, event):
        self._pointed = "shift" in (event.key or "")
        super().press(event)

    def _clicked(self, _mode):
        if self._event_xdata is not None and self.viewer is not None:
            self.viewer.measure_click(self._event_xdata, self._event_ydata, pointed=self._pointed)


class NightImageViewer(ImageJupyterViewer):
    """glue-jupyter's matplotlib image viewer with our tool; `measure_click` is set by the night."""

    tools = [MEASURE]  # noqa: RUF012  glue's own protocol
    #: A colour frame is shown by three layers, one for each plane.
    allow_duplicate_data = True
    measure_click = None
