"""Benchmarks: every figure is a ratio against a named peer, measured in the same run."""
