"""Detectors: each finds one kind of evidence that the engine missed, as signs."""
