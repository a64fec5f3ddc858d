"""Words out of sound or of a timed transcript."""
