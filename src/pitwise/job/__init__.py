"""Cut programs, nests and plate lists -> starts and arc minutes."""
