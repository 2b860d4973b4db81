"""Charts and documents: pure functions from data to pictures and pages."""
