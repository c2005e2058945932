"""Painters of the scene in glue's image viewers: tracks, outlines and measured places as layers."""
