"""What else moves in the frames of one field: found without a prediction, and measured."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "mover_search": [
            "confirmed", "detections_table", "measure_detections", "movers_table", "search_movers",
        ],
    },
)
