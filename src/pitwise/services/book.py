"""Keeping the book: verify it, export it, back it up, restore it."""

from pitwise.services.book_signed import Fault
from pitwise.services.book_verify import Verification, verify_book

__all__ = ["Fault", "Verification", "verify_book"]
