"""`pitwise shelf` commands that read the book."""

from __future__ import annotations

import argparse


def add_book_commands(sub: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the commands that read the book."""
