"""FHIR R4 (4.0.1) resources of a session: written, checked and read back."""
