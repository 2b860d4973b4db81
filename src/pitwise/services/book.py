"""Keeping the book: verify it, export it, back it up, restore it."""

from pitwise.services.book_archive import ExportReport, backup_book, export_book
from pitwise.services.book_common import Progress, open_book
from pitwise.services.book_faults import Fault
from pitwise.services.book_restore import RestoreReport, restore_book
from pitwise.services.book_verify import Verification, verify_book

__all__ = [
    "ExportReport",
    "Fault",
    "Progress",
    "RestoreReport",
    "Verification",
    "backup_book",
    "export_book",
    "open_book",
    "restore_book",
    "verify_book",
]
