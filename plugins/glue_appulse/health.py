"""What is missing or failed: Qt, its system libraries, our plugins. Run as a module it prints the report."""

import ctypes
import importlib
import importlib.metadata
import os
import sys

GROUP = "glue.plugins"
EXTRA_LINE = "pip install 'appulse[desktop]'"
#: Library to package on Debian and Ubuntu, from the NEEDED lists of Qt's own libraries.
HEADLESS = {
    "libEGL.so.1": "libegl1",
    "libGL.so.1": "libgl1",
    "libfontconfig.so.1": "libfontconfig1",
    "libfreetype.so.6": "libfreetype6",
    "libglib-2.0.so.0": "libglib2.0-0",
    "libdbus-1.so.3": "libdbus-1-3",
    "libxkbcommon.so.0": "libxkbcommon0",
    "libX11.so.6": "libx11-6",
}
#: What a window on an X11 screen needs besides.
X11 = {
    "libxkbcommon-x11.so.0": "libxkbcommon-x11-0",
    "libxcb-cursor.so.0": "libxcb-cursor0",
    "libxcb-icccm.so.4": "libxcb-icccm4",
    "libxcb-image.so.0": "libxcb-image0",
    "libxcb-keysyms.so.1": "libxcb-keysyms1",
    "libxcb-randr.so.0": "libxcb-randr0",
    "libxcb-render-util.so.0": "libxcb-render-util0",
    "libxcb-shape.so.0": "libxcb-shape0",
    "libxcb-xkb.so.1": "libxcb-xkb1",
}


def missing(libraries: dict[str, str]) -> list[str]:
    """Libraries that the system's loader does not find."""
    return [name for name in libraries if not _loads(name)] if sys.platform.startswith("linux") else []


def _loads(name):
    try:
        ctypes.CDLL(name)
    except OSError:
        return False
    return True


def apt_line(libraries: dict[str, str], wanted: list[str]) -> str:
    """The line that brings libraries on Debian and Ubuntu."""
    return " ".join(["apt-get install -y", *(libraries[name] for name in wanted)])


def libraries_state() -> tuple[list[str], list[str]]:
    """What is there and what is missing, in words."""
    found, wrong = [], []
    for libraries, purpose, needed in (
        (HEADLESS, "Qt", True),
        (X11, "Qt on an X11 screen", bool(os.environ.get("DISPLAY"))),
    ):
        lacks = missing(libraries)
        if not lacks:
            found.append(f"system libraries of {purpose}: all {len(libraries)} are there")
            continue
        line = f"system libraries of {purpose} are missing: {', '.join(lacks)}: {apt_line(libraries, lacks)}"
        (wrong if needed else found).append(line if needed else f"{line} (of use with a screen only)")
    return found, wrong


#: What a bare Debian or Ubuntu lacks for Qt without a screen.
APT_LINE = apt_line(HEADLESS, list(HEADLESS))


def qt_problem() -> str | None:
    """Why glue's desktop application cannot start."""
    for module in ("glue_qt", "qtpy"):
        if importlib.util.find_spec(module) is None:
            return f"glue's desktop viewer is not installed ({module} is missing): {EXTRA_LINE}"
    try:
        importlib.import_module("qtpy.QtWidgets")
        importlib.import_module("qtpy.QtGui")
    except ImportError as exc:
        reason = str(exc).splitlines()[0]
        if ".so" in reason:
            lacks = missing(HEADLESS)
            line = apt_line(HEADLESS, lacks) if lacks else APT_LINE
            return f"a system library of Qt is missing ({reason}): {line}"
        return f"Qt cannot be imported ({reason}): {EXTRA_LINE}"
    return None


def our_plugins() -> list:
    """Entry points of this plugin set."""
    points = importlib.metadata.entry_points(group=GROUP)
    return sorted(
        {p.name: p for p in points if p.module.startswith("glue_appulse")}.values(), key=lambda p: p.name
    )


def plugin_problems() -> list[str]:
    """Plugins of ours that glue did not load, and why."""
    # glue notes a plugin's failure only in a log that nobody sees; here it is tried again, and the reason is
    # reported.
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
    from glue_appulse.host import say

    for line in plugin_problems():
        say(line)


def report() -> tuple[list[str], list[str]]:
    """State of the viewer's side."""
    from glue.main import load_plugins

    names = ("glue-core", "glue-qt", "PyQt6", "PySide6")
    found = [f"{name} {importlib.metadata.version(name)}" for name in names if _installed(name)]
    problem = qt_problem()
    load_plugins()
    libraries, lacking = libraries_state()
    wrong = [*lacking, *([problem] if problem else []), *plugin_problems()]
    troubled = " ".join(wrong)
    loaded = [point.name for point in our_plugins() if point.name not in troubled]
    found += [*libraries, *(f"plugin {name} is loaded" for name in loaded)]
    return found, wrong


def main() -> int:
    """Print the report."""
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
