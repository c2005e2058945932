"""Tracks and outlines in the pixels of a frame, and the scene that painters paint: geometry, no drawing."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "columns": ["plain_column"],
        "field_listing": ["BODY", "field_listing", "inside_words"],
        "labels": ["Label", "place_labels"],
        "palette": ["BODIES", "HALO", "MID", "RESIDUAL", "outline_colour"],
        "scene": [
            "BODY_RANK", "END_RANK", "GAP", "LEAST_ELLIPSE_PX", "LOZENGE", "OBJECT_RANK", "PlaceMark",
            "Polyline", "RING", "Scene", "TICK_RANK", "Target", "arc_mask", "flipped", "frame_scene",
            "furniture", "in_opening", "lozenge", "opened", "outlines_scene", "ring", "runs", "track_scene",
        ],
        "tails": ["TAIL_PARTS", "dashed", "tail_in_frame", "tail_scene", "tails_scene", "ticks_on"],
        "ticks": ["DAY_S", "choose_step_s", "tick_label", "whole_steps"],
        "track": ["track_in_frame"],
    },
)
