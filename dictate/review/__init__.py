"""The local page on which a session is replayed, corrected, marked and signed."""
