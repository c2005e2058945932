"""Desktop part of the residuals plugin."""


def register():
    """Register with glue's desktop application."""
