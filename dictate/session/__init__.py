"""The append-only journal of a session and the session read back from it."""
