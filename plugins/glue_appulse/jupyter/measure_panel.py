"""A night's viewer with the tool that measures a click, and its widgets: frame, measurement, files."""

import html
import io
from pathlib import Path

import ipywidgets as widgets
from glue.config import viewer_tool
from glue.viewers.matplotlib.toolbar_mode import ToolbarModeBase
from glue_jupyter.matplotlib.image import ImageJupyterViewer
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from appulse.errors import AppulseError
from appulse.reports import printed
from glue_appulse import measurements
from glue_appulse.layers.stamps import draw_fit

STAMP_WIDTH_PX = 420
MEASURE = "appulse:notebook-measure"


def stamp_png(residual) -> bytes:
    """The stamp of a measurement as a picture; empty where it has none."""
    if residual.fit is None or residual.fit.data is None:
        return b""
    figure = Figure(figsize=(4.2, 1.75), dpi=150)
    FigureCanvasAgg(figure)
    axes = figure.subplots(1, 3)
    figure.subplots_adjust(left=0.01, right=0.99, bottom=0.01, top=0.87, wspace=0.03)
    draw_fit(axes, residual)
    data = io.BytesIO()
    figure.savefig(data, format="png")
    return data.getvalue()


def numbers_html(measured) -> str:
    """The numbers of a measurement as a table, O−C in both meanings."""
    head = "".join(f"<th>{meaning}</th>" for meaning in measurements.MEANINGS)
    lines = [f"<tr><th style='text-align:left'>O−C</th>{head}</tr>"]
    for words, cells in measurements.number_rows(measured):
        values = "".join(f"<td style='text-align:right; padding-left:1.5em'>{v}</td>" for v in cells.values())
        lines.append(f"<tr><td>{words}</td>{values}</tr>")
    return f"<table style='line-height:1.35'>{''.join(lines)}</table>"


#: glue's viewer is higher than its own frame by two pixels, and would have a scroll bar for them.
NO_BAR = "<style>.appulse-night .vuetify-styles { overflow-y: hidden; }</style>"


def _close(lines) -> str:
    """Lines of words as they are printed, set closer than a notebook sets them."""
    return f"<div style='line-height:1.35'>{'<br>'.join(html.escape(printed(line)) for line in lines)}</div>"


class MeasureBox:
    """What is measured in a night's viewer, and what becomes of it."""

    def __init__(self, night):
        self.night, self.current = night, None
        labels = [data.label for data in night.frames]
        self.frame = widgets.Dropdown(options=[(label, i) for i, label in enumerate(labels)], value=0,
                                      description="frame", layout={"width": "22em"})  # fmt: skip
        self.frame.observe(lambda change: night.show_frame(change["new"]), "value")
        self.title, self.words, self.status = (widgets.HTML() for _ in range(3))
        self.stamp, self.numbers = widgets.Image(format="png", width=STAMP_WIDTH_PX), widgets.HTML()
        self.stamp.layout.display = "none"
        button = lambda words, act: self._button(words, act)  # noqa: E731
        self.keep_button, self.undo_button = button("Keep", self.keep), button("Undo", self.undo)
        self.aside_button = button("Set aside", self.set_aside)
        self.reason = widgets.Text(value="not the body", description="because", layout={"width": "18em"})
        self.night_button = button("Measure the night", self.measure_night)
        self.bar = widgets.IntProgress(value=0, max=1, layout={"width": "14em", "visibility": "hidden"})
        self.path = widgets.Text(value="residuals.ecsv", description="file", layout={"width": "18em"})
        self.path.tooltip = ".ecsv: the table; .psv, .xml: ADES; .txt: 80 columns; .html: the evidence sheet"
        self.write_button = button("Write", self.write)
        self._allow()
        self.say("Choose the measuring tool in the bar and click on the body.")
        for line in night.notes:
            self.say(line)

    @staticmethod
    def _button(words, act):
        made = widgets.Button(description=words, layout={"width": "auto"})
        made.on_click(lambda _button: act())
        return made

    def around(self, picture: widgets.Widget) -> widgets.Widget:
        """The viewer's picture with the widgets about it."""
        measured = widgets.VBox([
            self.title, self.stamp, self.numbers, self.words,
            widgets.HBox([self.keep_button, self.aside_button, self.undo_button]), self.reason,
            widgets.HBox([self.night_button, self.bar]), widgets.HBox([self.path, self.write_button]),
            self.status,
        ], layout={"width": f"{STAMP_WIDTH_PX + 20}px", "margin": "0 0 0 1em"})  # fmt: skip
        whole = widgets.HBox([widgets.VBox([self.frame, picture]), measured, widgets.HTML(NO_BAR)])
        whole.add_class("appulse-night")
        return whole

    def _allow(self):
        have = self.current is not None
        self.keep_button.disabled = not (have and self.current.found)
        self.aside_button.disabled = self.reason.disabled = not have

    def say(self, words: str):
        """Show what has been done, or what is in the way."""
        self.status.value = _close(words.split("\n"))

    def show_measured(self, measured):
        """Show a measurement."""
        self.current = measured
        self.title.value = f"<b>{html.escape(measured.name)}</b>"
        self.stamp.value = stamp_png(measured.residual)
        self.stamp.layout.display = "" if self.stamp.value else "none"
        self.numbers.value = numbers_html(measured)
        said = [measurements.verdict(measured), measurements.circumstances(measured)]
        self.words.value = _close(said)
        flag = [measured.flag] if measured.found and measured.flag else []
        self.say("; ".join([*flag, *measured.result.notes]))
        self._allow()

    def keep(self):
        """Put the measurement at hand into the residuals."""
        self.night.keep(self.current.table)
        self.say(f"{self.current.name} is in the residuals")

    def set_aside(self):
        """Put the measurement at hand into the residuals as not trusted, with the reason."""
        reason = self.reason.value.strip() or "no reason given"
        self.night.keep(measurements.rejected(self.current, reason))
        self.say(f"{self.current.name} is set aside: {reason}")

    def undo(self):
        """Take back the last change of the residuals."""
        self.say("taken back" if self.night.undo() else "nothing is left to take back")

    def measure_night(self):
        """Measure every body in every frame."""
        self.bar.layout.visibility = "visible"
        try:
            self.night.measure(self._progressed)
        except AppulseError as exc:
            self.say(str(exc))
        finally:
            self.bar.layout.visibility = "hidden"

    def _progressed(self, done, total):
        self.bar.max, self.bar.value = total, done

    def write(self):
        """Write the residuals; an existing file is kept."""
        try:
            self.say(f"written: {self.night.export(self.path.value.strip())}")
        except (AppulseError, ValueError, OSError) as exc:
            self.say(str(exc))


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
