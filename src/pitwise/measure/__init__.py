"""Readings with units and uncertainty, and their conformity to a limit."""
