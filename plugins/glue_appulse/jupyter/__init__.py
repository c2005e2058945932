"""The night in a notebook: `view` shows its layers and measures; `restore` opens a session."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__, submod_attrs={"night_view": ["NightView", "restore", "view"]}
)
