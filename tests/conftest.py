"""Shared by all tests; also puts this folder on the path, for `book_fixture`."""
