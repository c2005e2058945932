"""Facts with their sources, captions made of them, and sets of pictures to send in."""
