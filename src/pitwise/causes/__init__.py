"""Findings, ranked causes and the check that is worth its minutes."""
