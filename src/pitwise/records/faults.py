"""What can go wrong with the book: apart from the database, so that naming it costs nothing."""

from __future__ import annotations


class BookError(RuntimeError):
    """The book could not do what was asked; nothing was half-written."""


class BookFullError(BookError):
    """No room left on the disk."""


class BookBusyError(BookError):
    """Another writer held the book for too long."""
