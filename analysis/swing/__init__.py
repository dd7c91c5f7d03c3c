"""Samples in, swings out: the finder, one file an event, the live turn, and the results."""
