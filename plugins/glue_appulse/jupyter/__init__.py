"""The night in a notebook: `view` shows frames, tracks and outlines, measures and writes, without Qt."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__, submod_attrs={"night_view": ["NightView", "view"]}
)
