"""Use (starts, arc minutes) and what it does to parts."""
