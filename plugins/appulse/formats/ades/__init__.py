"""ADES, the exchange format of astrometric observations: its two kinds of file, and observations for them."""
