"""Pictures of a night: frames graded and stacked, the composite, the animation, and the recipe of it all."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "animate": ["gif_bytes"],
        "body_places": ["BodyPlace", "place_in"],
        "grade": ["kept_frames", "transparencies", "verdicts"],
        "marks": ["check_marks"],
        "parts": ["Parts"],
        "picture_files": ["font", "png_bytes"],
        "picture_job": [
            "EXTRAS", "PictureJob", "PictureSettings", "Recipe", "checked_file", "job_for", "preview_job",
        ],
        "prepared_night": ["prepare"],
        "run": ["Cancelled", "PREVIEW_FRAMES", "PREVIEW_PX", "Steps", "preview", "run"],
        "subframe": ["subframe_of"],
    },
)
