"""What is missing or failed: Qt, its system libraries, our plugins; run as a module it tells."""

import importlib
import importlib.metadata
import sys

from glue_appulse import qt_libraries

GROUP = "glue.plugins"
EXTRA_LINE = "pip install 'appulse[desktop]'"
#: What a bare Debian or Ubuntu lacks for Qt without a screen.
APT_LINE = qt_libraries.apt_line(qt_libraries.HEADLESS, list(qt_libraries.HEADLESS))


def qt_problem():
    """Why glue's desktop application cannot start.

    Returns
    -------
    str or None
        One line with the remedy; None where nothing is missing.

    Examples
    --------
    >>> problem = qt_problem()
    >>> problem is None or "install" in problem
    True
    """
    for module in ("glue_qt", "qtpy"):
        if importlib.util.find_spec(module) is None:
            return f"glue's desktop viewer is not installed ({module} is missing): {EXTRA_LINE}"
    try:
        importlib.import_module("qtpy.QtWidgets")
        importlib.import_module("qtpy.QtGui")
    except ImportError as exc:
        reason = str(exc).splitlines()[0]
        if ".so" in reason:
            lacks = qt_libraries.missing(qt_libraries.HEADLESS)
            line = qt_libraries.apt_line(qt_libraries.HEADLESS, lacks) if lacks else APT_LINE
            return f"a system library of Qt is missing ({reason}): {line}"
        return f"Qt cannot be imported ({reason}): {EXTRA_LINE}"
    return None


def our_plugins():
    """Entry points of this plugin set.

    Returns
    -------
    list of importlib.metadata.EntryPoint

    Examples
    --------
    >>> {"appulse_frames", "appulse_tracks"} <= {point.name for point in our_plugins()}
    True
    """
    points = importlib.metadata.entry_points(group=GROUP)
    return sorted(
        {p.name: p for p in points if p.module.startswith("glue_appulse")}.values(), key=lambda p: p.name
    )


def plugin_problems():
    """Plugins of ours that glue did not load, and why.

    glue notes a plugin's failure only in a log that nobody sees; here it is tried again, and the reason is
    told.

    Returns
    -------
    list of str
        One line each, with the remedy; empty where all are loaded.
    """
    from glue._plugin_helpers import PluginConfig
    from glue.main import list_loaded_plugins

    loaded, wanted = set(list_loaded_plugins()), PluginConfig.load().plugins
    lines = []
    for point in our_plugins():
        if point.module in loaded:
            continue
        if not wanted[point.name]:
            lines.append(f"plugin {point.name} is switched off: Plugins > Plugin Manager switches it on")
            continue
        lines.append(f"plugin {point.name} is not loaded: {_reason(point)}")
    return lines


def _reason(point):
    try:
        getattr(importlib.import_module(point.module), point.attr)()
    except Exception as exc:
        return f"{type(exc).__name__}: {exc}; reinstall with {EXTRA_LINE}"
    return "glue has not been asked to load it yet"


def check_desktop():
    """Show a line for every plugin of ours that a running application lacks."""
    from glue_appulse.notices import say

    for line in plugin_problems():
        say(line)


def report():
    """State of the viewer's side.

    Returns
    -------
    found, wrong : list of str
    """
    from glue.main import load_plugins

    names = ("glue-core", "glue-qt", "PyQt6", "PySide6")
    found = [f"{name} {importlib.metadata.version(name)}" for name in names if _installed(name)]
    problem = qt_problem()
    load_plugins()
    libraries, lacking = qt_libraries.state()
    wrong = [*lacking, *([problem] if problem else []), *plugin_problems()]
    troubled = " ".join(wrong)
    loaded = [point.name for point in our_plugins() if point.name not in troubled]
    found += [*libraries, *(f"plugin {name} is loaded" for name in loaded)]
    return found, wrong


def main():
    """Print the report.

    Returns
    -------
    int
        1 where something is wrong.
    """
    found, wrong = report()
    sys.stdout.write("".join(f"{line}\n" for line in [*found, *(f"! {line}" for line in wrong)]))
    return 1 if wrong else 0


def _installed(name):
    try:
        importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return False
    return True


if __name__ == "__main__":
    sys.exit(main())
