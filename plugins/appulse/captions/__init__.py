"""Facts with their sources, captions made of them, and sets of pictures to send in."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "caption_text": [
            "caption", "captions_text", "default_template", "error_text", "facts_lines", "facts_yaml",
            "read_template", "value_text",
        ],
        "comet_facts": ["comet_facts"],
        "contact_sheet": ["contact_sheet"],
        "entry_list": ["check_entries", "copies_of", "manifest", "read_entries"],
        "formulas": ["KEYS"],
        "picture_facts": ["body_facts", "check_in_view", "frame_facts", "object_facts", "pass_facts"],
    },
)
