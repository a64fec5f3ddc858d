"""Hands-free use: microphone, spoken commands, answers by ear, the view in the terminal."""
