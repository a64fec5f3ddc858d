"""Sound in: recordings and microphones as 16 kHz mono frames with stream time."""
