"""Passes to come: search, ranking, the nights of a site, and the plan of a capture."""
