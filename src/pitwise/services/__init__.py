"""One function for each thing a person does; the only door to the records."""
