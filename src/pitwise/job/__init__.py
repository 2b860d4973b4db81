"""Cut programs: starts and arc minutes per plate."""
