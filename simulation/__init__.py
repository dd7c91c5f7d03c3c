"""Simulated motion, chip, sensor and sessions, with exact truth. Nothing here is a real swing."""
