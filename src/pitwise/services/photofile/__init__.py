"""Photo files: told apart, cut down to the picture, decoded. Nothing here knows the book."""
