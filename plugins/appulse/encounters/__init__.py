"""Passes to come: search, ranking, the nights of a site, and the plan of a capture."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "atmosphere": ["airmass"],
        "campaign_file": ["BodyChoice", "Campaign", "TargetChoice", "read_campaign"],
        "capture": ["plan_capture"],
        "from_sites": ["EarthMap", "map_of_pass", "parallax_words", "seen_from"],
        "local_sky": ["horizon_altitude"],
        "outline_pass": ["crosses", "outline_shape", "plane"],
        "pass_table": ["gather", "passes_table"],
        "passes": ["PassSearch", "find_mutual_passes", "find_and_count", "find_passes", "slug"],
        "photon_rates": ["pixel_scale_arcsec"],
        "plan_preview": ["ASSUMED_MAG_ARCSEC2", "comet_words", "invent_frame", "invent_stack"],
        "ranking": [
            "advice", "body_name", "chance_text", "local_text", "odds", "offset_words", "rank", "together",
            "why_not",
        ],
        "targets": ["Targets", "choose_targets"],
        "visibility": ["best_index", "body_vectors", "nights_of_pass"],
    },
)
