"""Pictures, plots and sheets: what was measured and what is planned, to look at and to print."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "calendar": ["write_calendar"],
        "distance_page": ["distance_page"],
        "earth_map": ["earth_map_picture"],
        "evidence": ["write_evidence"],
        "evidence_pdf": ["evidence_pdf"],
        "evidence_tables": ["printed"],
        "night_sheet": ["booking_text", "cost_text", "headline", "night_sheet_html", "night_sheet_pdf"],
        "orbit_cloud": ["cloud_picture"],
        "pair_picture": ["blink_gif", "pair_picture"],
        "parallax_sketch": ["parallax_picture"],
        "picture": ["annotated_pictures", "annotated_png"],
    },
)
