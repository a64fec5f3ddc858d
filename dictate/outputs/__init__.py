"""What is written from a session: FHIR bundle, note, table, captions, terminal summary."""
