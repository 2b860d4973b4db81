"""Tables, unit of work, audit trail and migrations."""
