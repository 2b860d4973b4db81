"""Measuring the hole or the pit of a part's face from a photo."""
